"""Memory that is wrong here and there: what came back otherwise, return addresses, a ROM's bytes against each other."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import evidence_of, of_memory

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.evidence.memory import returned
from strobewise.evidence.own_bytes import own_bytes
from strobewise.records.buses import BusesRecord, Operands, Pair, Pushes
from strobewise.records.bytes_alone import BytesRecord, Compared
from strobewise.records.memory import Levels, OwnBytes, Popped, ReadBack, RomCheck
from strobewise.records.odd_reads import OddReads
from strobewise.records.profile import MemoryRegion, Profile
from strobewise.records.told import Told
from strobewise.rules import run
from strobewise.rules.buses import _lead_proved
from strobewise.verdict.judge import without_consequences

F, R, W = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write"))
CONTROLS = evidence_of().captured
BUS = CONTROLS | {*ADDRESS, *DATA}


def found(memory, **changes):
    return {finding.rule: finding for finding in run(evidence_of(memory=memory, captured=BUS, **changes))}


def page(wrong, bits, compared=40, read_ff=0, start=0x8000):
    """bits: by data bit (came back high, came back low)."""
    rows = [(20, bits.get(bit, (0, 0))[0], 20, bits.get(bit, (0, 0))[1]) for bit in range(8)]
    return ReadBack(start, start + 0x3FF, compared, wrong, rows, read_ff, 0.001, 0.002)


# --- RAM now and then ---


@pytest.mark.parametrize(
    ("pages", "mismatched", "lines"),
    [
        ([page(4, {2: (2, 2)})], 4, ("D2",)),
        ([page(3, {2: (2, 1)})], 4, None),
        ([page(4, {2: (2, 2)})], 1, None),  # one cell: a register, for all that anybody knows
        ([page(4, {2: (2, 2), 3: (1, 0)})], 4, None),
        ([page(12, {2: (6, 6)}, compared=19)], 4, None),  # wrong more often than right
        ([page(2, {2: (1, 1)}), page(2, {2: (1, 1)}, start=0x8400)], 4, ("D2",)),
        ([page(4, {2: (2, 2)}, compared=11)], 4, None),  # too few are right
        ([page(8, dict.fromkeys(range(8), (4, 0)), read_ff=8)], 4, ()),
        ([page(7, dict.fromkeys(range(8), (4, 0)), read_ff=7)], 4, None),
        ([page(8, {0: (0, 4), 3: (0, 4), 6: (0, 4)})], 4, ()),  # another driver
        ([page(8, {0: (0, 4), 6: (0, 4)})], 4, None),
        ([page(8, {0: (1, 4), 3: (0, 4), 6: (0, 4)})], 4, None),
    ],
)
def test_ram_that_is_wrong_now_and_then(pages, mismatched, lines):
    finding = found(of_memory(pages, mismatched)).get("ram-unsteady")
    assert (finding.lines if finding else None) == lines


def test_what_a_profile_calls_rom_need_not_give_back_what_is_written():
    memory = of_memory([page(4, {2: (2, 2)})])
    profile = Profile("x", memory=(MemoryRegion("rom", 0x8000, 0x8FFF),))
    assert "ram-unsteady" not in found(memory, profile=profile)


# --- return addresses ---


@pytest.mark.parametrize(
    ("codes", "expected"),
    [
        ([(F, 0xC9), (R, 1), (R, 2), (F, 0)], [1, 2]),
        ([(F, 0xC8), (R, 1), (R, 2)], [1, 2]),
        ([(F, 0xC8), (F, 1), (R, 2)], []),
        ([(F, 0xED), (F, 0x4D), (R, 1), (R, 2), (R, 3)], [2, 3]),
        ([(F, 0x3E), (F, 0x4D), (R, 1), (R, 2)], []),
        ([(F, 0x4D), (R, 1), (R, 2)], []),
        ([(F, 0xC5), (R, 1), (R, 2)], []),
        ([(R, 1), (R, 2)], []),
    ],
)
def test_which_cycles_read_a_return_address(codes, expected):
    kind, data = np.array([k for k, _ in codes], np.uint8), np.array([d for _, d in codes], np.int16)
    assert np.flatnonzero(returned(kind, data)).tolist() == expected


@pytest.mark.parametrize(
    ("popped", "pages", "lines"),
    [
        ([Popped(0.004, 0x8010, 0x12, 0x16)], [page(1, {2: (1, 0)})], ("D2",)),
        ([Popped(0.004, 0x8010, 0x12, 0xFF)], [page(1, {})], ()),
        ([Popped(0.004, 0x8010, 0x12, 0x35)], [page(1, {})], None),  # another bank, for all that anybody knows
        ([Popped(0.004, 0x9010, 0x12, 0x16)], [page(1, {})], None),  # not where memory is known to hold
        ([Popped(0.004, 0x8010, 0x12, 0x16), Popped(0.005, 0x8012, 0x12, 0x02)], [page(1, {})], ()),
        ([], [page(1, {})], None),
    ],
)
def test_a_return_address_that_differs(popped, pages, lines):
    finding = found(of_memory(pages, popped=80, popped_wrong=popped)).get("return-address-differs")
    assert (finding.lines if finding else None) == lines
    if finding:
        assert "12h was pushed at 0x8010" in finding.evidence and "of 80 such bytes" in finding.evidence
        assert finding.suspect == "ram"


# --- a ROM against itself ---


def image(change=lambda address, data: data, size=0x800):
    rng = np.random.default_rng(3)
    data = rng.integers(0, 256, size)
    content = np.full(65536, -1, np.int16)
    content[:size] = [change(address, int(byte)) for address, byte in enumerate(data)]
    return own_bytes(content, content >= 0)


def test_the_bytes_of_a_good_rom_contradict_nothing():
    own = image()
    assert (own.addresses, own.ever_high, own.always_high, own.equal) == (0x800, 0xFF, 0, [])
    assert set(own.pairs) == set(range(11)) and all(same < pairs / 20 for pairs, same in own.pairs.values())
    assert own.values == 256 and "rom-against-itself" not in found(of_memory(own=own))
    assert own_bytes(np.full(65536, -1, np.int16), np.ones(65536, np.bool_)) == OwnBytes()


def repeated(bit):
    rng = np.random.default_rng(4)
    content = np.full(65536, -1, np.int16)
    where = np.arange(0x2000)
    content[where] = rng.integers(0, 256, 0x2000)[where & ~(1 << bit)]
    return own_bytes(content, content >= 0)


TWO_EQUAL = BusesRecord([Pair("D2", "D3", 900, 300)], 0, [0] * 7, [0] * 7, Operands(), Pushes(), [0] * 16)


@pytest.mark.parametrize(
    ("own", "lines", "changes"),
    [
        (image(lambda _, data: data | 0x08), ("D3",), {}),
        (image(lambda _, data: data & 0xF7), ("D3",), {}),
        (image(lambda _, data: data | 0x18), None, {}),  # two lines: a table of characters, for all that anybody knows
        (image(lambda _, data: data | 0x08, size=95), None, {}),
        (image(lambda _, data: (data & 0xF7) | (data & 4) << 1), ("D2", "D3"), {}),
        (image(lambda _, data: (data & 0xF7) | (data & 4) << 1), None, {"buses": TWO_EQUAL}),
        (repeated(5), ("A5",), {}),
        (repeated(11), None, {}),  # decoded so on many a board
    ],
)
def test_a_rom_against_itself(own, lines, changes):
    finding = found(of_memory(own=own), **changes).get("rom-against-itself")
    assert (finding.lines if finding else None) == lines


def test_a_line_that_moves_nowhere_is_not_the_roms():
    still = Levels(50, 0x08, 0x08)
    assert "rom-against-itself" not in found(of_memory(own=image(lambda _, data: data | 0x08), reads_ram=still, writes=still))


def test_where_there_is_an_image_it_speaks():
    rom = RomCheck("x.rom", 0, 900)
    assert "rom-against-itself" not in found(of_memory(own=image(lambda _, data: data | 0x08), roms=[rom]))


@pytest.mark.parametrize(
    ("reads_rom", "good"), [(Levels(32, 0xFF, 0), True), (Levels(31, 0xFF, 0), False), (Levels(32, 0x04, 0x04), False)]
)
def test_a_line_that_moves_in_reads_from_elsewhere_is_not_to_blame_for_a_dead_bit_of_ram(reads_rom, good):
    finding = found(of_memory([page(20, {2: (0, 20)})], 20, reads_rom=reads_rom))["ram-bit-dead"]
    assert finding.lines == ("D2",) and ("so the line is good" in finding.evidence) == good


@pytest.mark.parametrize(
    ("unstable", "repeated", "proved"), [(4, 200, True), (4, 201, False), (3, 10, False), (8, 200, True), (0, 0, False)]
)
def test_bytes_that_differ_at_one_address_prove_the_lead_of_an_address_line(unstable, repeated, proved):
    evidence = evidence_of(memory=of_memory(unstable=unstable, repeated=repeated))
    assert _lead_proved(evidence) == proved
    evidence.memory = None
    assert not _lead_proved(evidence)


# --- a line that makes no difference ---


def run_through(addresses, change=lambda address: address, data=None):
    """Return what a run through these addresses tells; change: the address that reaches the ROM."""
    data = np.random.default_rng(5).integers(0, 256, 0x800) if data is None else data
    content = np.full(65536, -1, np.int16)
    for address in addresses:
        content[address] = data[change(address)]
    return own_bytes(content, content >= 0)


def bridged(address):
    return address if address & 0x30 == 0x30 else address & ~0x30


LOOP = np.resize(np.arange(8) * 29 & 0xFF, 0x800)  # one routine of eight bytes, written out again and again


@pytest.mark.parametrize(
    ("own", "lines"),
    [
        (run_through(range(0x20, 0x60), lambda a: a & ~0x08), ("A3",)),
        (run_through([*range(8), *range(0x100, 0x108)], lambda a: a & ~0x02), ("A1",)),
        (run_through(range(6), lambda a: a & ~0x01), None),  # three pairs
        (run_through(range(0x100), bridged), ("A4", "A5")),
        (run_through(range(0x100), lambda a: a & ~0x30), None),  # two lines: nobody knows
        (run_through(range(0x40)), None),
        (run_through(range(0x40), data=LOOP), None),
        (run_through([*range(0x10), *range(0x200, 0x210, 16)], data=LOOP), None),  # twice through it
        (run_through(range(0x20, 0x40), lambda a: a & ~0x10), None),  # a routine of 16 bytes, written twice, for all that is seen
        (run_through(range(0x20, 0x60), lambda a: a & ~0x10), ("A4",)),  # but not again 32 bytes on
    ],
)
def test_an_address_line_that_makes_no_difference(own, lines):
    finding = found(of_memory(own=own)).get("rom-against-itself")
    assert (finding.lines if finding else None) == lines
    if finding:
        assert all(line in finding.evidence for line in lines) and finding.confidence in (0.8, 0.85)


# --- at addresses that the program tells ---


def found_told(**changes):
    return {finding.rule: finding for finding in run(evidence_of(captured=CONTROLS | set(DATA), **changes))}


def told(memory, written=(50, 0), **changes):
    return {"told": Told(400, Compared(*written), memory, OddReads()), "bytes_alone": BytesRecord(300, 0), **changes}


DEAD = of_memory([page(20, {2: (0, 20)})])


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, True),
        ({"written": (50, 2)}, False),  # the CPU writes other bytes than the program calls for
        ({"bytes_alone": BytesRecord(300, 20)}, False),
        ({"samples_per_t": 2.5}, False),
        ({"told": Told(199, Compared(), DEAD, OddReads())}, False),
    ],
)
def test_memory_is_judged_at_told_addresses(changes, expected):
    finding = found_told(**told(DEAD, **changes)).get("told-ram-wrong")
    assert (finding is not None) == expected
    if finding:
        assert finding.lines == ("D2",) and finding.evidence.endswith("the addresses are those that the program calls for")
        assert finding.severity == "fault" and finding.suspect == "ram" and finding.next_step


def test_what_is_told_of_the_rom_explains_what_is_told_of_ram():
    both = found_told(**told(of_memory([page(20, {2: (0, 20)})], own=run_through(range(0x20, 0x60), lambda a: a & ~0x08))))
    assert {"told-ram-wrong", "told-rom-wrong"} <= set(both)
    left = [finding.rule for finding in without_consequences(list(both.values()))]
    assert "told-rom-wrong" in left and "told-ram-wrong" not in left
