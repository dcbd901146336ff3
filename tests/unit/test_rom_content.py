"""A ROM against its image: what is constant is a line or a bit, what is right at other times is late, or fights, or is another memory."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_contents import found, of_memory

from strobewise import Options, diagnose
from strobewise.evidence.rom_images import RomPart
from strobewise.machine import GENERIC, GENERIC_PAGING, Fault, Scenario, simulate
from strobewise.records.memory import RomCheck

SIZE = 0x800
IMAGE = bytes(np.random.default_rng(11).integers(0, 256, SIZE, dtype=np.uint8))
EMPTY_ABOVE = IMAGE[:0x100].ljust(SIZE, b"\xff")
RNG = np.random.default_rng(12)


def check(got, image=IMAGE, addresses=None, times=3):
    """Return the record of reads of all addresses, several times over. got: (address, right byte, turn) -> the byte that comes."""
    part = RomPart("x.rom", 0, image)
    addresses = range(len(image)) if addresses is None else addresses
    rows = [(address, got(address, image[address], turn)) for turn in range(times) for address in addresses]
    address, data = (np.array(column) for column in zip(*rows, strict=True))
    for first in range(0, len(rows), 1000):  # in batches, as they come
        piece = slice(first, first + 1000)
        part.feed(address[piece].astype(np.uint16), data[piece].astype(np.uint8), np.arange(len(rows))[piece] * 10)
    return part.record(1e-7)


def content(rom):
    return found(of_memory(roms=[rom])).get("rom-content")


def chance(share):
    rng = np.random.default_rng(5)
    return lambda: rng.random() < share


def test_a_good_rom_says_nothing():
    rom = check(lambda _, right, __: right)
    assert content(rom) is None and (rom.wrong, rom.wrong_addresses, rom.at_times_right, rom.addresses) == (0, 0, 0, SIZE)


def test_the_counts_are_those_of_the_reads():
    rom = check(lambda address, right, turn: right ^ 0x04 if address == 3 else right ^ 0x81 if address == 9 and turn else right)
    assert (rom.compared, rom.wrong, rom.wrong_addresses, rom.at_times_right, rom.otherwise) == (3 * SIZE, 5, 2, 1, 0)
    for bit in range(8):
        wrong = 3 * (bit == 2) + 2 * (bit in (0, 7))
        right = IMAGE[3] if bit == 2 else IMAGE[9]
        assert (rom.flipped_to_1[bit], rom.flipped_to_0[bit]) == ((0, wrong) if right >> bit & 1 else (wrong, 0))
        ones = 3 * sum(byte >> bit & 1 for byte in IMAGE)
        assert (rom.ones[bit], rom.zeros[bit]) == (ones, 3 * SIZE - ones)
    assert rom.commonest == (IMAGE[3] ^ 0x04, 3) and (rom.first_s, rom.last_s) == (3e-6, pytest.approx((2 * SIZE + 9) * 1e-6))


@pytest.mark.parametrize(("compared", "wrong", "told"), [(8, 8, True), (7, 7, False), (8, 2, True), (900, 0, False), (7, 0, False)])
def test_a_rom_is_judged_from_eight_reads_on_and_where_some_differ(compared, wrong, told):
    flipped = [wrong, *[0] * 7]
    rom = RomCheck("x.rom", 0, compared, wrong, wrong, 800, [0] * 8, flipped, [compared] * 8, [compared] * 8, {}, 0.001, 0.002)
    assert (content(rom) is not None) == told


# --- what is constant ---


@pytest.mark.parametrize("line", [("D3", "D4"), ("D0", "D7")])
def test_two_data_lines_that_are_one(line):
    low, high = (int(name[1]) for name in line)
    pair = 1 << low | 1 << high
    finding = content(check(lambda _, right, __: right & ~pair if right & pair != pair else right))
    assert finding.severity == "fault" and finding.lines == line and finding.suspect == "connection"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda _, right, __: (right & 0xE7) | (right & 8) << 1 | (right & 16) >> 1,  # swapped, not bridged
        lambda address, right, turn: right & 0xE7 if right & 0x18 != 0x18 and (address + turn) % 4 else right,  # one time in four it is not
        lambda _, right, __: right & 0xF7,
    ],
)
def test_lines_that_are_not_one_are_not_called_so(spoil):
    assert content(check(spoil)).lines != ("D3", "D4")


def test_an_address_line_that_is_stuck_or_swapped():
    finding = content(check(lambda address, _, __: IMAGE[address | 0x20]))
    assert finding.lines == ("A5",) and "A5 stuck high at the chip" in finding.evidence and finding.severity == "fault"
    swapped = content(check(lambda address, _, __: IMAGE[(address & ~0x60) | (address & 0x20) << 1 | (address & 0x40) >> 1]))
    assert swapped.lines == ("A5", "A6") and "swapped" in swapped.evidence


def test_an_address_line_that_floats():
    high = chance(0.5)
    finding = content(check(lambda address, _, __: IMAGE[address | 0x20 if high() else address & ~0x20]))
    assert finding.lines == ("A5",) and "reaches the chip at times only" in finding.evidence


def test_an_address_line_is_not_named_against_bytes_that_came_right():
    """Half of the addresses that such a line would spoil give the right byte."""
    finding = content(check(lambda address, right, _: IMAGE[address | 0x20] if address & 0x40 else right))
    assert "A5" not in finding.lines


def test_bits_that_have_flipped():
    finding = content(check(lambda address, right, _: right ^ 0x10 if address in (5, 77) else right))
    assert finding.lines == ("D4",) and finding.suspect == "rom" and "bits that have flipped" in finding.evidence


def test_one_wrong_read_is_told_and_accuses_nobody_for_sure():
    once = content(check(lambda address, right, _: right ^ 0x04 if address == 5 else right, times=1))
    assert once.severity == "warning" and "in D2" in once.evidence and "a bit that has flipped, or a spike" in once.evidence
    again = content(check(lambda address, right, turn: right ^ 0x04 if address == 5 and not turn else right))
    assert again.severity == "warning" and "a spike, or data that came late" in again.evidence


# --- what is right at other times ---


@pytest.mark.parametrize("share", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("image", [IMAGE, EMPTY_ABOVE])
def test_data_that_come_late_are_neither_flipped_bits_nor_an_address_line(share, image):
    late = chance(share)
    finding = content(check(lambda _, right, __: 0xFF if late() else right, image, range(0x100), times=6))
    assert finding.severity == "fault" and finding.lines == () and "too late" in finding.evidence
    assert {each.suspect for each in finding.suspects} >= {"rom", "glue"}


def test_one_line_that_fails_now_and_then_is_not_always_high():
    fails = chance(0.93)
    finding = content(check(lambda _, right, __: right | 0x08 if fails() else right))
    assert finding.lines == ("D3",) and "always" not in finding.evidence and "now and then" in finding.evidence


@pytest.mark.parametrize("share", [0.2, 1.0])
def test_bytes_that_only_lack_bits_are_two_drivers(share):
    fought = chance(share)
    finding = content(check(lambda address, right, __: right & IMAGE[address ^ 0x155] if fought() else right))
    assert finding.suspect == "glue" and "pulls it low" in finding.evidence and finding.severity == "fault"


@pytest.mark.parametrize("turns", [3, 1])
def test_a_second_memory_that_answers_at_times_is_no_fault(turns):
    """Paged in by what nobody declared: one wrong byte for each address."""
    finding = content(check(lambda address, right, turn: IMAGE[address ^ 0x2A5] if address < 0x100 and turn < 2 else right, times=turns))
    assert finding.severity == "warning"


def test_empty_bytes_may_be_the_bus_or_an_address_line():
    """The image is empty where A8 stuck high leads to: all wrong bytes are FFh, as of a bus that nobody drives."""
    finding = content(check(lambda address, _, __: EMPTY_ABOVE[address | 0x100], EMPTY_ABOVE, range(0x100)))
    assert finding.lines == () and "or A8 stuck high at the chip" in finding.evidence and "in time" in finding.evidence
    assert finding.suspect == "connection"


# --- on simulated machines ---


def of_machine(tmp_path, faults=(), image=None, paging=False, **changes):
    machine = replace(GENERIC, paging=(GENERIC_PAGING,)) if paging else GENERIC
    capture = simulate(Scenario(machine=machine), faults=faults, duration_s=0.004, **changes)
    path = Path(tmp_path) / "capture.vcd"
    with path.open("w", encoding="ascii") as file:
        capture.write_vcd(file)
    content = (image or capture.scenario.demo("patrol")).ljust(0x2000, b"\xff")
    said = diagnose([path], Options(roms=(("patrol.rom", 0, content),), replay=False))
    return next((finding for finding in said.findings if finding.rule == "rom-content"), None)


@pytest.mark.parametrize("pull_ups", [True, False])
def test_a_healthy_machine(tmp_path, pull_ups):
    assert of_machine(tmp_path, pull_ups=pull_ups) is None
    paged = of_machine(tmp_path, pull_ups=pull_ups, paging=True, lines="full")
    assert paged is None or paged.severity == "warning", paged


def test_an_address_line_that_reaches_the_chip_at_times(tmp_path):
    finding = of_machine(tmp_path, [Fault("open-at-chip", {"line": "A3", "chip": "rom", "level": "float"})])
    assert finding.lines == ("A3",) and finding.suspect == "connection"


def test_another_version_is_a_warning(tmp_path):
    finding = of_machine(tmp_path, image=IMAGE * 4)
    assert finding.severity == "warning" and "another version of this ROM" in finding.evidence
