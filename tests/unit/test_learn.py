"""``strobewise learn``: what healthy captures show of a machine, and that a person's own lines stay."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from conftest import TRACES, run_strobewise
from strobewise.bus.calibration import Calibration
from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.records import Block
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import CycleTable
from strobewise.learn.machine import learn, regions, rom_image
from strobewise.learn.text import BEGIN, END, profile_text
from strobewise.learn.watch import NOTHING, TWO_VALUES, Learner, Seen
from strobewise.machine import simulate
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options

FULL = TRACES / "good" / "healthy-full.vcd.gz"
LODGER = TRACES / "good" / "healthy-lodger.vcd.gz"
WAITS = TRACES / "good" / "healthy-waits.vcd.gz"
TWO = TRACES / "good" / "healthy-two.vcd"
EIGHT = TRACES / "good" / "healthy-eight.vcd.gz"
DUNLIN = TRACES / "machines" / "dunlin-lodger.toml"


def learned_from(*paths):
    return learn([str(path) for path in paths], Options())[0]


@pytest.fixture
def profile(tmp_path):
    def write(learned, before=None):
        path = tmp_path / "machine.toml"
        path.write_text(profile_text(learned, before), encoding="utf-8")
        return load_profile(path)

    return write


def test_memory_clock_and_paging_are_those_of_the_machine(profile):
    made, true = profile(learned_from(LODGER)), load_profile(DUNLIN)
    assert made.clock_hz == pytest.approx(true.clock_hz, rel=1e-3)
    for region in made.memory:
        assert {each.kind for each in true.memory if each.start <= region.end and region.start <= each.end} >= {region.kind}
    (found,), (wanted,) = made.paging, true.paging
    assert set(found.fetch_at) <= set(wanted.fetch_at) and len(found.fetch_at) >= 2
    assert all(any(low <= start and end <= high for low, high in wanted.released_by_fetch_in) for start, end in found.released_by_fetch_in)


def test_the_interrupt_period_is_learned(tmp_path, profile):
    with open(tmp_path / "long.vcd", "w", encoding="ascii") as out:
        capture = simulate(lines="full", duration_s=0.02)
        capture.write_vcd(out)
    true = capture.scenario.machine.interrupt_period_t_states
    assert true is not None
    assert profile(learned_from(tmp_path / "long.vcd")).interrupt_period_t_states == pytest.approx(true, rel=0.01)


def test_rom_bytes_are_those_that_were_read():
    learned = learned_from(FULL)
    start, content, known = rom_image(learned)
    program = simulate(lines="full").scenario
    assert start == 0 and 64 < known < len(content) and content[:4] != b"\xff" * 4 and program
    values = learned.seen.rom_bytes()
    assert all(content[address] == (values[address] if values[address] >= 0 else 0xFF) for address in range(len(content)))
    assert content[0] == 0xF3 and content[1] == 0x31  # DI, LD SP: how the demo program begins


def test_a_paging_devices_bytes_are_not_the_roms():
    alone, paged = learned_from(FULL).seen.rom_bytes(), learned_from(LODGER).seen.rom_bytes()
    both = (alone >= 0) & (paged >= 0)
    assert both.sum() > 4 and not (paged[:0x3000] == TWO_VALUES).any()


def test_several_captures_add_up():
    first, both = learned_from(FULL).seen, learned_from(FULL, WAITS).seen
    assert both.fetched.sum() >= first.fetched.sum() and both.waits["opcode_fetch"][1] and both.waits["opcode_fetch"][0]


def test_what_was_not_captured_is_not_claimed(profile):
    learned = learned_from(EIGHT)
    text = profile_text(learned)
    assert "memory: not seen, A0 to A15 were not all captured" in text and "[[memory]]" not in text
    assert profile(learned).memory == () and rom_image(learned) is None


def test_a_page_that_was_only_read_may_be_anything():
    seen = Seen()
    seen.fetched[0:0x80] = seen.written[0x4000:0x4010] = True
    seen.fetched[0x8000:0x8010] = True  # a program in RAM that was loaded before
    seen.read[0xC000:0xC020] = True
    seen.byte[0xC000:0xC020] = 0xFF
    assert [(each.kind, each.start, each.end) for each in regions(seen)] == [
        ("rom", 0x0000, 0x00FF), ("ram", 0x4000, 0x40FF), ("", 0x8000, 0x80FF), ("nothing", 0xC000, 0xC0FF),
    ]  # fmt: skip


@pytest.mark.parametrize(("fetched", "kind"), [(0x0FFF, "nothing"), (0x1000, ""), (0x30FF, ""), (0x3100, "nothing")])
def test_what_reads_ffh_near_a_program_may_be_erased_rom(fetched, kind):
    seen = Seen()
    seen.read[0x2000:0x2020] = True
    seen.byte[0x2000:0x2020] = 0xFF
    seen.fetched[fetched] = True
    assert {each.start: each.kind for each in regions(seen)}[0x2000] == kind


@pytest.mark.parametrize(("given", "measured"), [(None, False), (3_000_000.0, True)])
def test_a_clock_that_was_given_counts_like_one_that_was_measured(given, measured):
    learned = learn([str(TWO)], Options(clock_hz=given))[0]
    assert learned.clock_measured == measured and learned.clock_hz == (given or pytest.approx(3.15e6, rel=0.05))


def test_between_two_stretches_of_a_kind_nothing_is_called_seen():
    seen = Seen()
    seen.written[[0x4000, 0x7000, 0x7100, 0x7200]] = True
    (region,) = regions(seen)
    assert (region.start, region.end) == (0x4000, 0x72FF) and region.seen == ((0x4000, 0x40FF), (0x7000, 0x72FF))


MINE = """# my machine, do not touch
name = "the blue one"   # from the attic
clock_hz = 4_000_000

[[memory]]
kind = "rom"
start = 0x0000
end = 0x1FFF
"""


def test_a_persons_lines_stay(profile):
    text = profile_text(learned_from(LODGER), MINE)
    assert text.startswith(MINE.rstrip("\n"))
    made = tomllib.loads(text)
    assert made["clock_hz"] == 4_000_000 and len(made["memory"]) == 1 and made["paging"][0]["responds_on"] == "ROMDIS"
    assert "# left as you wrote it: clock_hz, memory" in text
    assert profile(learned_from(LODGER), MINE).name == "the blue one"


def test_what_was_seen_is_written_anew_and_notes_around_it_stay():
    learned = learned_from(WAITS)
    once = profile_text(learned) + "\n# a note of mine\n"
    twice = profile_text(learned_from(FULL), once)
    assert twice.count(BEGIN) == twice.count(END) == 1 and "# a note of mine" in twice
    assert "healthy-full" in twice and "healthy-waits" not in twice


def test_the_rom_file_is_named_as_the_profile_reaches_it(tmp_path):
    (tmp_path / "roms").mkdir()
    done = run_strobewise("learn", FULL, "-o", "machine.toml", "--rom-out", "roms/seen.rom", cwd=tmp_path)
    assert done.returncode == 0 and "file = 'roms/seen.rom'" in (tmp_path / "machine.toml").read_text(), done.stderr


def test_the_command_writes_a_profile_that_serves(tmp_path):
    out, rom = tmp_path / "machine.toml", tmp_path / "seen.rom"
    done = run_strobewise("learn", FULL, "-o", out, "--rom-out", rom)
    assert done.returncode == 0 and b"bytes from 0x0000 were seen" in done.stderr, done.stderr
    assert rom.stat().st_size == 0x200 and "file = 'seen.rom'" in out.read_text()
    assert run_strobewise("diagnose", FULL, "--machine", out).returncode == 0


def test_an_image_that_somebody_completed_is_kept(tmp_path):
    """Bytes that were not seen stay as they were filled in, and so does what lies behind; one that was seen otherwise is refused."""
    out, rom = tmp_path / "machine.toml", tmp_path / "seen.rom"
    learned = ("learn", FULL, "-o", out, "--rom-out", rom)
    assert run_strobewise(*learned).returncode == 0
    seen = rom.read_bytes()
    unseen = seen.rindex(b"\xff")
    mine = seen[:unseen] + b"\x42" + seen[unseen + 1 :] + b"behind"
    rom.write_bytes(mine)
    assert run_strobewise(*learned).returncode == 0 and rom.read_bytes() == mine
    rom.write_bytes(bytes([seen[0] ^ 1]) + mine[1:])
    refused = run_strobewise(*learned)
    assert refused.returncode == 2 and f"where {seen[0]:02X}h was seen" in refused.stderr.decode()
    assert rom.read_bytes()[1:] == mine[1:]
    rom.write_bytes(bytes(1 << 17))
    assert run_strobewise(*learned).returncode == 2 and rom.read_bytes() == bytes(1 << 17)


def test_a_file_that_is_no_profile_is_let_alone(tmp_path):
    out = tmp_path / "machine.toml"
    out.write_text("colour = 'blue'\n")
    done = run_strobewise("learn", FULL, "-o", out)
    assert done.returncode == 2 and done.stderr.startswith(b"strobewise: error: ") and out.read_text() == "colour = 'blue'\n"


def test_a_broken_machine_is_said(tmp_path):
    done = run_strobewise("learn", TRACES / "faults" / "ram-bit-dead" / "ram-bit.vcd.gz", "-o", "-")
    assert done.returncode == 0 and b"this is not a good capture" in done.stderr


def test_no_rom_no_image(tmp_path):
    done = run_strobewise("learn", EIGHT, "-o", tmp_path / "m.toml", "--rom-out", tmp_path / "r.rom")
    assert done.returncode == 2 and not (tmp_path / "m.toml").exists() and not (tmp_path / "r.rom").exists()


def test_a_device_that_answers_within_a_fetch_answers_the_next_ones():
    """Data move in T3 of a cycle (UM0080): a line that rises behind that changes whose byte the next fetch gets."""
    captured = frozenset(("MREQ", "RD", "M1", "ROMDIS", *ADDRESS, *DATA))
    learner = Learner().attach(captured, map_channels([]), Options(), 1e-9)
    learner.settled(Calibration(10.0, "CLK", 1.0, True, True))
    high = np.uint64(1 << BIT["ROMDIS"])
    learner.block(Block(np.array([0, 35, 95]), np.array([0, high, 0], np.uint64), None))
    start = np.array([0, 40, 80, 120])
    table = CycleTable.build(
        start, start + 40, np.full(4, KIND_INDEX["opcode_fetch"], np.uint8), t_states=np.full(4, 4), address=np.arange(0x10, 0x14),
        data=np.arange(0xA0, 0xA4),
    )  # fmt: skip
    learner.feed(Batch(Requests.empty(), np.empty(0, np.uint8), table, np.full(4, -1)))
    seen = learner.seen
    assert seen.byte[0x10:0x14].tolist() == [0xA0, NOTHING, 0xA2, 0xA3]  # low again in T2 of the third
    assert dict(seen.answered) == {0x10: 1} and dict(seen.let_go) == {0x12: 1}
    assert 0x11 not in seen.passed  # the line was up already: it cannot have been asked


def table_fed(rows, batches=1):
    """Return what a learner saw of cycles (kind, address, byte), in so many batches."""
    captured = frozenset(("MREQ", "RD", "WR", "M1", *ADDRESS, *DATA))
    learner = Learner().attach(captured, map_channels([]), Options(), 1e-9)
    learner.settled(Calibration(10.0, "CLK", 1.0, True, True))
    for part in np.array_split(np.arange(len(rows)), batches):
        start = 40 * part
        kind = np.array([KIND_INDEX[rows[k][0]] for k in part], np.uint8)
        table = CycleTable.build(
            start, start + 40, kind, t_states=np.full(len(part), 4), address=np.array([rows[k][1] for k in part]),
            data=np.array([rows[k][2] for k in part]),
        )  # fmt: skip
        learner.feed(Batch(Requests.empty(), np.empty(0, np.uint8), table, np.full(len(part), -1)))
    return learner.seen


FETCHES = [("opcode_fetch", at, 0x7E) for at in range(0x0000, 0x0140)]


def test_the_first_address_and_the_first_port_count_as_all_others():
    cycles = [("opcode_fetch", 0, 0x7E), ("memory_read", 0, 0x7E), ("memory_write", 0, 0x7E), ("io_read", 0, 0xFF), ("io_write", 0, 0xFF)]
    seen = table_fed([*cycles, ("io_read", 0x1234, 0xFF), ("opcode_fetch", -1, 0x7E), ("io_write", -1, 0xFF)])
    assert [each.nonzero()[0].tolist() for each in (seen.fetched, seen.read, seen.written)] == [[0]] * 3 and seen.byte[0] == 0x7E
    assert (set(seen.ports_read), set(seen.ports_written)) == ({0, 0x34}, {0})


@pytest.mark.parametrize("batches", [1, 2, 3, 7])
def test_rom_that_is_written_in_vain_stays_rom(batches):
    kept = [("memory_write", 0x4000, 0x12), ("memory_write", 0x4001, 0x13), ("memory_write", 0x4000, 0x55), ("memory_read", 0x4000, 0x55)]
    seen = table_fed([*FETCHES, ("memory_write", 0x0020, 0x99), *kept, *FETCHES], batches)
    assert [(each.kind, each.start, each.end) for each in regions(seen)] == [("rom", 0x0000, 0x01FF), ("ram", 0x4000, 0x40FF)]
    assert seen.rom_bytes()[0x0020] == 0x7E and seen.lost[0x0020] and not seen.lost[0x4000]


@pytest.mark.parametrize(
    ("writes", "kinds"),
    [
        ([(0x0020, 0x99)], {0x0000: "rom"}),  # and never read there again: what lies around it tells
        ([(0x0020, 0x7E)], {0x0000: "ram"}),  # it gave back what was written
        ([(0x4100, 0x01)], {0x4000: "ram"}),  # beside RAM
        ([(0x8000, 0x01)], {0x8000: "ram"}),
    ],
)
def test_what_was_written_and_not_read_back_is_what_lies_beside_it(writes, kinds):
    reads = [("memory_read", 0x0020, 0x7E)] if writes == [(0x0020, 0x7E)] else []
    kept = [("memory_write", 0x4000, 0x12), ("memory_read", 0x4000, 0x12)]
    seen = table_fed([*FETCHES, *kept, *(("memory_write", at, byte) for at, byte in writes), *reads])
    found = {start: each.kind for each in regions(seen) for start in range(each.start, each.end + 1)}
    assert {start: found[start] for start in kinds} == kinds


@pytest.mark.parametrize("seed", range(4))
def test_what_memory_keeps_is_compared_in_order_of_time(seed):
    """Against one cycle after the other, whatever the batches."""
    rng = np.random.default_rng(seed)
    rows, memory, kept, lost, decided = [], {}, set(), set(), set()
    for _ in range(400):
        at, byte = int(rng.integers(0x5000, 0x5006)) if rng.random() < 0.5 else int(rng.integers(0x0000, 0x0004)), int(rng.integers(3))
        if rng.random() < 0.4:
            rows.append(("memory_write", at, byte))
            memory[at] = byte if at >= 0x5000 else memory.get(at)
        else:
            rows.append(("memory_read", at, memory[at] if memory.get(at) is not None else 0x80 + at % 7))
    stored = {}
    for kind, at, byte in rows:
        if kind == "memory_write":
            stored[at] = byte
        elif at in stored:
            (kept if stored[at] == byte else lost).add(at)
    seen = table_fed(rows, 400)
    whole = table_fed(rows)
    assert set(np.flatnonzero(whole.kept).tolist()) == kept and set(np.flatnonzero(whole.lost).tolist()) == lost and not decided
    assert bool(seen.kept[0x5000:0x5006].any()) == any(at >= 0x5000 for at in kept) and not seen.kept[:4].any()


@pytest.mark.parametrize(("bit", "t"), [(None, 10.0), (3, None), (None, None)])
def test_without_the_line_or_a_time_base_nothing_is_overlaid(bit, t):
    learner = object.__new__(Learner)
    learner._bit, learner._t, learner._edges, learner._level = bit, t, [(5, 0)], 1
    assert not learner._overlaid(CycleTable.from_rows([])).any()
