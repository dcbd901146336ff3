"""Comparing two captures: what counts as a difference, what does not, and the sentence on top."""

from __future__ import annotations

import argparse
import io
import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import watch_streams
from conftest import TRACES
from strobewise.bus.lines import ADDRESS, MASK, bar
from strobewise.bus.model import MachineCycle
from strobewise.bus.timing import CHARACTERISTICS
from strobewise.compare.code import code_change
from strobewise.compare.comparison import _must_move, compare
from strobewise.compare.edges import ADDRESS_MOVES, CAUSED_BY, FEW_EDGES, Run, edge_delays
from strobewise.compare.flow import Reached, _instruction, find_parting, make_flow, reached_by_one
from strobewise.cycles.table import CycleTable
from strobewise.errors import LineMapError, UsageError
from strobewise.machine import GENERIC, LINE_SETS, fault, simulate
from strobewise.records.evidence import BusEvidence
from strobewise_cli.commands import compare as command
from strobewise_cli.named_files import settle_files
from strobewise_cli.render.compare_text import print_comparison

T = 10  #: ticks a T-state in the tables built here


NO_CLOCK = tuple(name for name in LINE_SETS["full"] if name != "CLK")


def capture(folder, name, **changes):
    path = folder / f"{name}.vcd"
    with path.open("w") as file:
        simulate(**{"lines": "full", "duration_s": 0.003, **changes}).write_vcd(file)
    return str(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("captures")


@pytest.fixture(scope="module")
def healthy(folder):
    return capture(folder, "healthy")


@pytest.fixture(scope="module")
def dead(folder):
    return capture(folder, "dead", faults=[fault("dead-low", line="M1")], seed=2)


# --- the flow of instructions ------------------------------------------------------------------------------------------


def flow(*rows, iorq=True):
    """Make a flow of (kind, address, data) rows, 4 T-states each; "gap" lets time pass."""
    cycles, at = [], 0
    for row in rows:
        if row == "gap":
            at += 1000 * T
            continue
        kind, address, data, *note = row
        cycles.append(MachineCycle(kind, at, at + 4 * T, 4, 0, address, data, False, note[0] if note else ""))
        at += 4 * T
    return make_flow(CycleTable.from_rows(cycles), 1e-7, T, iorq)


def fetches(*addresses, data=0x00):
    return [("opcode_fetch", address, data) for address in addresses]


def test_the_same_loop_from_another_moment_is_no_parting():
    assert find_parting(flow(*fetches(1, 2, 3, 1, 2, 3)), flow(*fetches(3, 1, 2, 3, 1))) is None


def test_an_instruction_that_goes_on_elsewhere_is_a_certain_parting():
    parting = find_parting(flow(*fetches(1, 2, 3, 4)), flow(*fetches(1, 2, 7, 8)))
    assert parting is not None and parting.certain
    assert (parting.address, parting.text, parting.good_next, parting.suspect_next, parting.agreed) == (2, "NOP", 3, 7, 1)
    assert parting.words() == "after 0x0002 (NOP) the good one goes on at 0x0003, the suspect at 0x0007, where A2 alone differs"


def test_a_single_step_astray_that_goes_on_in_known_code_may_be_missing_samples():
    good = fetches(1, 2, 3, 4, 5, 6, 1, 2, 3)
    once = find_parting(flow(*good), flow(*fetches(1, 2, 5, 6, 1, 2, 3)))
    assert once is not None and once.astray and not once.certain and once.words().endswith("0x0005, once: samples may be missing there")
    twice = find_parting(flow(*good), flow(*fetches(1, 2, 5, 6, 1, 2, 5)))
    assert twice is not None and twice.certain and not twice.astray


def test_a_branch_that_takes_the_other_way_may_hang_on_data():
    jump = [("opcode_fetch", 0x10, 0x20), ("memory_read", 0x11, 0x05)]  # JR NZ,0x0017
    parting = find_parting(flow(*jump, *fetches(0x12, 0x13)), flow(*jump, *fetches(0x17, 0x18)))
    assert parting is not None and not parting.certain
    assert parting.text == "JR NZ,0x0017" and parting.words().endswith("the suspect at 0x0017, which may hang on data")


def test_another_byte_behind_a_branch_is_certain():
    one = [("opcode_fetch", 0x10, 0x20), ("memory_read", 0x11, 0x05), *fetches(0x12)]
    two = [("opcode_fetch", 0x10, 0x28), ("memory_read", 0x11, 0x05), *fetches(0x17)]
    parting = find_parting(flow(*one), flow(*two))
    assert parting is not None and parting.certain


def test_interrupt_handlers_are_left_out():
    plain = fetches(1, 2, 3, 4)
    answer = [("interrupt_acknowledge", 3, 0xFF), ("memory_write", 0x7FFF, 0), ("memory_write", 0x7FFE, 3), *fetches(0x38, 0x39)]
    assert find_parting(flow(*plain), flow(*fetches(1, 2), *answer, *fetches(3, 4))) is None
    response = [("opcode_fetch", 3, 0, "nmi_response"), ("memory_write", 0x7FFF, 0), ("memory_write", 0x7FFE, 3), *fetches(0x66)]
    assert find_parting(flow(*plain), flow(*fetches(1, 2), *response, *fetches(3, 4))) is None


def test_without_iorq_nothing_is_certain():
    parting = find_parting(flow(*fetches(1, 2, 3), iorq=False), flow(*fetches(1, 2, 0x38), iorq=False))
    assert parting is not None and not parting.certain


def test_what_lies_behind_a_gap_or_a_reset_is_no_step():
    assert find_parting(flow(*fetches(1, 2, 3)), flow(*fetches(1, 2), "gap", *fetches(9))) is None
    cut = [("memory_read", 0x4000, 0, "cut_short"), *fetches(0)]
    assert find_parting(flow(*fetches(1, 2, 3)), flow(*fetches(1, 2), *cut)) is None


def test_a_loop_that_is_never_left_is_a_parting_too():
    loop = [*fetches(1, 2), ("opcode_fetch", 3, 0x28), ("memory_read", 4, 0xFC)]  # JR Z,0x0001
    parting = find_parting(flow(*loop, *loop, *fetches(5, 6)), flow(*loop, *loop, *loop))
    assert parting is not None and (parting.address, parting.good_next, parting.suspect_next) == (3, 5, 1)


def test_addresses_of_one_alone_come_as_ranges():
    reached = reached_by_one(flow(*fetches(1, 2, 3)), flow(*fetches(3, 0x10, 0x12, 0x20)))
    assert reached.good == ((1, 2),) and reached.suspect == ((0x10, 0x12), (0x20, 0x20))


def test_nothing_executed_is_nothing_to_compare():
    empty = make_flow(CycleTable.empty(), 1e-7, None, True)
    assert find_parting(empty, flow(*fetches(1, 2))) is None
    assert len(empty.address) == 0 and np.all(empty.content == -1)


def test_one_other_bit_at_the_parting_is_named():
    one = [("opcode_fetch", 0x10, 0x20), ("memory_read", 0x11, 0x05), *fetches(0x12)]
    two = [("opcode_fetch", 0x10, 0x28), ("memory_read", 0x11, 0x05), *fetches(0x17)]
    parting = find_parting(flow(*one), flow(*two))
    assert parting is not None and parting.data_bits == 0x08 and parting.other_bytes
    assert "(other bytes: JR Z,0x0017 in the suspect, D3 alone differs)" in parting.words()


# --- the code -----------------------------------------------------------------------------------------------------------


def code(*rows):
    return flow(*rows).code


def test_a_spoilt_data_line_shows_in_the_code_that_both_fetch():
    good = code(*fetches(1, 2, data=0x00), *fetches(3, data=0xFF), *fetches(9, data=0x01))
    change = code_change(good, code(*fetches(1, 2, data=0x20), *fetches(3, data=0xFF), *fetches(7, data=0x11)))
    assert change is not None and change.counts and change.line == "D5"
    assert change.words() == (
        "D5 alone differs in the code: 2 of 3 addresses that both fetch, at 0x0001 0x00 in the good one and 0x20 in the suspect"
    )


def test_other_code_is_no_spoilt_line():
    change = code_change(code(*fetches(1, 2)), code(*fetches(1, data=0x20), *fetches(2, data=0x11)))
    assert change is not None and not change.counts and change.line == "" and change.words().startswith("the code differs in 2 of 2 ")
    once = code_change(code(*fetches(1, 2)), code(*fetches(1, data=0x20), *fetches(2)))
    assert once is not None and not once.counts  # a single fetch may be a spike


def test_code_that_is_written_or_not_always_the_same_says_nothing():
    good = code(*fetches(1, 1, 2, 2))
    assert code_change(good, code(*fetches(1, 1, 2, 2))) is None
    assert code_change(good, code(*fetches(1, 1, data=0x20), ("memory_write", 1, 0x20))) is None
    assert code_change(good, code(*fetches(1), *fetches(1, data=0x20))) is None


# --- edges and lines ---------------------------------------------------------------------------------------------------


def run_with_m1_at(delay):
    """Make a run of a clock of 100 ticks and an /M1 that falls every fourth clock, so many ticks after the rising edge."""
    clk, m1 = MASK["CLK"], MASK["M1"]
    events = [(n * 100 + half * 50, clk, clk * (1 - half)) for n in range(1, 200) for half in (0, 1)]
    events += [(n * 100 + delay, m1, 0) for n in range(4, 196, 4)] + [(n * 100 + 200 + delay, m1, m1) for n in range(4, 196, 4)]
    times, words, word = [], [], m1
    for time, mask, level in sorted(events):
        word = word & ~mask | level
        if times and times[-1] == time:
            words[-1] = word
        else:
            times.append(time)
            words.append(word)
    return Run(frozenset(("CLK", "M1")), 1e-9, 5e-9, np.array(times), np.array(words, np.uint64), None)


def test_each_edge_is_measured_from_the_clock_edge_that_the_specification_gives():
    """Z8400/Z84C00 product specification, AC characteristics, as bus.timing quotes them; of memory cycles, not of I/O."""
    given = {row.meaning for row in CHARACTERISTICS}
    for line, edge, level in (*CAUSED_BY, *ADDRESS_MOVES):
        moves = "address valid" if line in ADDRESS else f"{bar(line)} {'low' if edge == 'assert' else 'high'}"
        assert f"clock {'rise' if level else 'fall'} to {moves}" in given, (line, edge)


def run_with_m1_after(delays):
    """Make a run whose /M1 falls at every fourth rising clock, from the first one on, each time so many ticks after it."""
    clk, m1 = MASK["CLK"], MASK["M1"]
    moves = [(n * 100 + half * 50, clk, clk * (1 - half)) for n in range(1, 4 * len(delays) + 1) for half in (0, 1)]
    moves += [(100 + n * 400 + delay, m1, 0) for n, delay in enumerate(delays)] + [(330 + n * 400, m1, m1) for n in range(len(delays))]
    times, words = [0], [m1]
    for time, mask, level in sorted(moves):
        times.append(time)
        words.append(words[-1] & ~mask | level)
    return Run(frozenset(("CLK", "M1")), 1e-9, 5e-9, np.array(times), np.array(words, np.uint64), None)


@pytest.mark.parametrize(
    ("delays", "seen"),
    [
        ([20] * FEW_EDGES, True), ([20] * (FEW_EDGES - 1), False),
        ([20] * 12 + [40] * 8, True), ([20] * 11 + [40] * 9, False),  # three of five agree, and hardly fewer
    ],
)  # fmt: skip
def test_a_delay_is_told_where_enough_edges_agree_on_it_from_the_first_on(delays, seen):
    found = edge_delays(run_with_m1_after(delays), frozenset(("CLK", "M1")))
    assert (("M1", "assert") in found) is seen
    if seen:
        assert found["M1", "assert"].median_s == pytest.approx(20e-9)


@pytest.mark.parametrize("delay", [20, 0, -6])
def test_delays_are_measured_from_the_edge_that_causes_them_even_just_before_it(delay):
    delays = edge_delays(run_with_m1_at(delay), frozenset(("CLK", "M1")))
    for edge in ("assert", "release"):
        assert delays["M1", edge].reference == "CLK rise"
        assert delays["M1", edge].median_s == pytest.approx(delay * 1e-9, abs=1e-12)


@pytest.mark.parametrize(("edge", "level"), [("rise", 1), ("fall", 0)])
def test_address_lines_are_measured_from_the_rising_clock_and_only_there(edge, level):
    run = run_with_m1_at(20)
    words = np.where(run.words & np.uint64(MASK["M1"]), run.words | np.uint64(MASK["A3"]), run.words)
    run = Run(frozenset(("CLK", "MREQ", "A3")), run.tick_s, run.sample_interval_s, run.times, words, None)
    delays = edge_delays(run, frozenset(("CLK", "A3")), ADDRESS_MOVES)
    assert delays["A3", edge].reference == "CLK rise" and delays["A3", edge].median_s == pytest.approx(20e-9, abs=1e-12)
    assert edge_delays(run, frozenset(("MREQ", "A3")), ADDRESS_MOVES) == {}


def side(cycles, halts=0):
    evidence = BusEvidence()
    evidence.cycles["opcode_fetch"] = cycles
    evidence.notes = {"halt": halts}
    return SimpleNamespace(evidence=evidence)


def test_an_address_line_must_move_only_where_the_same_code_ran_as_long():
    code, other = flow(*fetches(*range(100))), flow(*fetches(*range(200, 300)))
    moved = flow(*fetches(*range(0x200, 0x264)))
    assert _must_move("A9", 50, side(500), side(500), (code, code))
    assert _must_move("A9", 50, side(500), side(500), (code, moved))  # the same code but for the line itself
    assert not _must_move("A9", 50, side(500), side(500), (code, other))
    assert not _must_move("A9", 50, side(500), side(300), (code, code))
    assert not _must_move("A9", 5, side(500), side(500), (code, code))
    assert not _must_move("A9", 50, side(500), side(500), (code, None))
    assert not _must_move("HALT", 50, side(500), side(500), (code, code))


def test_a_data_line_must_move_unless_the_program_sleeps():
    assert _must_move("D1", 50, side(500), side(300), (None, None))
    assert not _must_move("D1", 50, side(500), side(300, halts=200), (None, None))


# --- whole captures ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        {"seed": 5},
        {"start_s": 0.0011},
        {"start_s": 0.0007, "duration_s": 0.002, "machine": replace(GENERIC, interrupt_period_t_states=7000)},
        {"sample_hz": 50_000_000, "seed": 9},
        {"lines": "eight"},
        {"lines": "two"},
    ],
    ids=["other seed", "later", "other interrupts", "other rate", "eight lines", "two lines"],
)
def test_healthy_captures_are_alike(changes, healthy, folder):
    other = capture(folder, "other", **changes)
    for pair in ((healthy, other), (other, healthy)):
        result = compare(*pair)
        assert result.alike, result.sentence
        assert result.sentence.startswith("alike: ")


@pytest.mark.parametrize("line", ["M1", "MREQ", "IORQ", "RD", "WR", "RFSH"])
def test_a_dead_strobe_is_named(line, healthy, folder):
    result = compare(healthy, capture(folder, f"dead-{line}", faults=[fault("dead-high", line=line)]))
    assert not result.alike
    assert f"/{line}" in result.sentence
    assert any(change.line == line and change.counts for change in result.lines)


@pytest.mark.parametrize(
    ("broken", "names"),
    [
        (fault("shorted", lines=["A6", "A7"]), ["A6", "A7"]),
        (fault("dead-low", line="D2", at="line"), ["D2"]),
        (fault("wait-held", after_s=0.001), ["/WAIT"]),
        (fault("reset-held"), ["/RESET"]),
        (fault("ram-bit-dead", bit=3), ["D3"]),
        (fault("clock-dead", after_s=0.001), ["CLK"]),
    ],
    ids=lambda value: value.kind if hasattr(value, "kind") else "",
)
def test_a_faulty_line_is_named(broken, names, healthy, folder):
    result = compare(healthy, capture(folder, "broken", faults=[broken]))
    assert not result.alike
    assert all(name in result.sentence for name in names), result.sentence


def test_a_fault_that_is_gone(dead, healthy):
    result = compare(dead, healthy)
    m1 = next(pair for pair in result.strobes if pair.line == "M1")
    assert m1.good_strobed == 0 and m1.suspect_strobed == m1.suspect.expected > 500
    assert result.sentence == (
        f"gone: /M1 now strobes every fetch (0 of {m1.good.expected} before, {m1.suspect.expected} of {m1.suspect.expected} now)"
    )
    assert [f.rule for f in result.gone] == ["fetch-strobe-missing"] and not result.new


def test_nothing_is_claimed_of_a_capture_that_ends_before_the_first_one_failed(healthy, folder):
    late = capture(folder, "late", duration_s=0.005, faults=[fault("clock-dead", after_s=0.0035)])
    result = compare(late, healthy)
    assert result.gone and not result.all_gone
    assert result.sentence.startswith("the second capture ends too early to tell whether this is gone: CLK stopped"), result.sentence
    assert compare(late, capture(folder, "long", duration_s=0.005)).all_gone


def test_no_repair_is_claimed_for_a_line_that_was_not_captured(dead, folder):
    lines = tuple(name for name in LINE_SETS["full"] if name != "M1")
    result = compare(dead, capture(folder, "without", lines=lines))
    assert result.sentence.startswith("the fault of the first capture is not seen in the second, but that one cannot decide")
    assert "only in the first capture: /M1" in result.untold


def test_the_same_fault_in_both(dead, folder):
    result = compare(dead, capture(folder, "again", faults=[fault("dead-low", line="M1")], start_s=0.001))
    assert result.sentence.startswith("the same fault in both") and result.alike


def test_a_late_edge_is_told_beyond_what_sampling_explains(healthy, folder):
    late = compare(healthy, capture(folder, "late", faults=[fault("lead-skewed", line="WR", ns=120)]))
    assert not late.alike
    assert {shift.line for shift in late.timing} == {"WR"}
    assert all(80e-9 < shift.shift_s < 160e-9 for shift in late.timing)
    early = compare(healthy, capture(folder, "little", faults=[fault("lead-skewed", line="WR", ns=30)]))
    assert early.timing == ()


def test_a_late_address_line_is_told(healthy, folder):
    result = compare(healthy, capture(folder, "late-address", faults=[fault("lead-skewed", line="A4", ns=120)]))
    assert not result.alike and {shift.line for shift in result.timing} == {"A4"}
    assert {shift.edge for shift in result.timing} == {"rise", "fall"} and "A4 rises 1" in result.sentence


def test_a_rom_with_a_flipped_bit_is_told_by_its_data_line(healthy, folder):
    result = compare(healthy, capture(folder, "flipped", faults=[fault("rom-data-stuck", bit=5, level="high")]))
    assert not result.alike and result.code is not None and result.code.line == "D5" and "D5" in result.sentence


def test_another_clock_is_told(healthy, folder):
    result = compare(healthy, capture(folder, "slow", faults=[fault("clock-slow", ratio=0.5)]))
    assert not result.alike and result.clock is not None and result.clock.counts
    assert result.sentence.endswith("but CLK runs at 1.638 MHz in the second, at 3.277 MHz in the first capture")
    near = replace(GENERIC, clock_hz=round(GENERIC.clock_hz * 1.004))
    assert compare(healthy, capture(folder, "near", machine=near)).alike


@pytest.mark.parametrize(("kind", "line"), [("busreq-held", "BUSREQ"), ("reset-held", "RESET"), ("wait-held", "WAIT")])
def test_a_line_that_is_held_to_the_end_is_told_however_late_it_begins(kind, line, healthy, folder):
    late = capture(folder, "held-late", faults=[fault(kind, after_s=0.0028)])
    result = compare(healthy, late)
    assert not result.alike and [change.line for change in result.held] == [line] and f"/{line}" in result.sentence
    assert result.held[0].since_s == pytest.approx(0.0028, abs=2e-5) and not result.held[0].in_first
    back = compare(late, healthy)
    assert not back.alike and back.held == (result.held[0]._replace(in_first=True),)
    assert f"/{line} is held to the end in the first capture" in back.held[0].words("the first capture", "the second")


@pytest.fixture(scope="module")
def long_ones(tmp_path_factory):
    """Two long captures, in the second of which /M1 is dead for 0.3 ms near the end: some hundred fetches of 25,000."""
    folder = tmp_path_factory.mktemp("long")
    for name, dead in (("good", None), ("burst", {28: (1_000_000, 1_300_000)})):
        (folder / f"{name}.vcd").write_bytes(b"".join(watch_streams.stream(30, dead)))
    return str(folder / "good.vcd"), str(folder / "burst.vcd")


def test_a_burst_near_the_end_of_a_long_capture_is_told(long_ones):
    good, burst = long_ones
    result = compare(good, burst)
    assert not result.alike and "/M1" in result.sentence
    assert {finding.rule for finding in result.new} == {"fetch-strobe-missing"}
    back = compare(burst, good)
    assert {finding.rule for finding in back.gone} == {"fetch-strobe-missing"} and not back.new
    assert compare(good, good).alike


def test_late_data_are_told_in_either_order(healthy, folder):
    late = capture(folder, "late-rom", faults=[fault("late-data", chip="rom", probability=0.3)], lines=NO_CLOCK)
    plain = capture(folder, "plain", lines=NO_CLOCK)
    there, back = compare(plain, late), compare(late, plain)
    assert not there.alike and not back.alike
    assert there.parting is not None and back.parting is not None and there.parting.certain and back.parting.certain


def test_nobody_is_called_good_or_suspect_that_is_not_known_to_be(healthy, dead, folder):
    slow = capture(folder, "slow-clock", faults=[fault("clock-slow", ratio=0.5)])
    for pair in ((healthy, slow), (slow, healthy)):
        result = compare(*pair)
        assert not result.alike and result.names == ("first", "second")
        assert "good one" not in result.sentence and "suspect" not in result.sentence
    assert compare(healthy, dead).names == ("good", "suspect") and compare(dead, healthy).names == ("before", "now")


def test_a_repair_is_not_told_of_another_machine_that_is_dead(dead, folder):
    for broken in (fault("clock-dead"), fault("reset-held"), fault("busreq-held"), fault("wait-held")):
        result = compare(dead, capture(folder, f"dead-{broken.kind}", faults=[broken]))
        assert not result.all_gone and not result.alike, result.sentence


def test_a_capture_that_cannot_decide_is_not_called_free_of_faults(healthy, folder):
    quiet = replace(GENERIC, interrupt_period_t_states=None)
    result = compare(healthy, capture(folder, "asleep", machine=quiet, contents=((0, bytes.fromhex("F376")),)))  # DI / HALT
    assert result.suspect.verdict.state == "cannot_decide"
    assert result.sentence.startswith("no fault that is sure in either, but a warning in the second alone: /HALT low")


def test_an_unsteady_clock_is_told(folder):
    good = capture(folder, "steady", sample_hz=50_000_000)
    result = compare(good, capture(folder, "unsteady", sample_hz=50_000_000, faults=[fault("clock-jitter", ns=40)]))
    assert not result.alike and result.clock is not None and result.clock.unsteady and not result.clock.off
    assert "CLK is unsteady: its period varies by " in result.clock.words()
    back = compare(capture(folder, "coarser", sample_hz=25_000_000), good)
    assert back.alike and compare(good, str(folder / "coarser.vcd")).alike


def test_interrupts_that_stop_coming_are_told(folder):
    often = replace(GENERIC, interrupt_period_t_states=1500)
    good = capture(folder, "often", machine=often)
    result = compare(good, capture(folder, "never", machine=often, faults=[fault("interrupt-source-dead")]))
    assert not result.alike and "/INT is active in the first capture and idle in the second" in result.sentence
    seldom = compare(good, capture(folder, "briefly", machine=often, faults=[fault("interrupt-source-dead")], duration_s=0.0015))
    assert not any(change.line == "INT" and change.counts for change in seldom.lines)


# --- the command -------------------------------------------------------------------------------------------------------


def call(*arguments):
    parser = argparse.ArgumentParser()
    command.add_parser(parser.add_subparsers())
    args = parser.parse_args(["compare", *map(str, arguments)])
    settle_files(args)
    return args.run(args)


def test_exit_status_and_text(dead, healthy, folder, capsys):
    assert call(dead, healthy) == 1
    out = capsys.readouterr().out
    assert out.startswith("Gone: /M1 now strobes every fetch (0 of ")
    assert "Findings gone" in out and "stuck low" in out and max(map(len, out.splitlines())) <= 80
    assert call(healthy, healthy) == 0
    assert capsys.readouterr().out.startswith("Alike: ")


def test_json(dead, healthy, folder, capsys):
    assert call(healthy, dead, "--json", "-") == 1
    data = json.loads(capsys.readouterr().out)
    assert (data["format"], data["version"], data["alike"]) == ("strobewise-comparison", 1, False)
    assert [f["rule"] for f in data["findings_new"]] == ["fetch-strobe-missing"] and data["findings_gone"] == []
    m1 = next(pair for pair in data["strobes"] if pair["line"] == "M1")
    assert m1["suspect"]["strobed"] == 0 < m1["good"]["strobed"] == m1["good"]["expected"]
    assert {"line": "M1", "good": "active", "suspect": "stuck_low", "counts": True} in data["lines"]


def test_two_standard_inputs_a_page_of_one_and_overwriting_are_refused(healthy):
    with pytest.raises(UsageError, match=r"^only one capture can come from standard input \(CAPTURE\): write the others to files$"):
        call("-", "-")
    with pytest.raises(UsageError, match=r"^a page needs to read the capture twice \(--html\): write the capture to a file first$"):
        call(healthy, "-", "--html", "page.html")
    with pytest.raises(UsageError, match="the output would replace the input"):
        call(healthy, healthy, "--json", healthy)


def test_the_page_of_a_comparison(dead, healthy, tmp_path, capsys):
    target = tmp_path / "repair.html"
    assert call(dead, healthy, "--html", target) == 1
    assert capsys.readouterr().out.startswith("Gone")
    text = target.read_text()
    assert "Gone: /M1 now strobes every fetch (0 of " in text and "<h3>Gone</h3>" in text and len(text) < 1_000_000
    data = json.loads(text.partition('type="application/json">')[2].partition("</script>")[0])
    assert len(data["sources"]) == 2
    keys = {window["key"]: window["source"] for window in data["windows"]}
    assert keys["gone-0"] == 0 and keys["start-2"] == 1 and len(keys) == len(data["windows"])
    assert data["windows"][0]["key"] == "gone-0"
    assert call(healthy, dead, "--html", target) == 1
    text = target.read_text()
    data = json.loads(text.partition('type="application/json">')[2].partition("</script>")[0])
    assert 'data-window="new-0"' in text and data["windows"][0]["key"] == "new-0"


@pytest.mark.parametrize(
    ("broken", "line"),
    [
        (fault("dead-low", line="A9"), "A9"),
        (fault("dead-high", line="D1", at="line"), "D1"),
        (fault("lead-off", line="CLK"), "CLK"),
        (fault("floating", line="A13"), "A13"),
    ],
    ids=lambda value: "" if isinstance(value, str) else value.kind,
)
def test_what_one_capture_alone_does_not_prove_the_other_does(broken, line, healthy, folder):
    result = compare(healthy, capture(folder, "quiet", faults=[broken]))
    assert not result.alike and line in result.sentence


def test_an_address_line_may_rest_where_other_code_ran(healthy, folder):
    short = compare(healthy, capture(folder, "short", duration_s=0.00008))
    assert short.alike and any(change.suspect.startswith("stuck") and not change.counts for change in short.lines)
    assert compare(healthy, capture(folder, "late", start_s=0.002, duration_s=0.0005)).alike


def test_captures_without_a_line_in_common_are_not_called_alike(tmp_path):
    other = tmp_path / "other.vcd"
    with open(other, "w", encoding="ascii") as file:
        simulate(lines=("WAIT", "INT")).write_vcd(file)
    with pytest.raises(LineMapError, match="no line that both captures"):
        compare(str(TRACES / "good" / "healthy-two.vcd"), str(other))


def test_the_sentence_is_green_where_all_is_well(healthy, dead, folder, monkeypatch):
    """Green where nothing differs or every fault is gone, yellow otherwise."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)

    def first_line(one, other):
        out = io.StringIO()
        print_comparison(compare(one, other), out)
        return out.getvalue().splitlines()[0]

    assert first_line(healthy, healthy).startswith("\x1b[1;32m")
    assert first_line(healthy, dead).startswith("\x1b[1;33m")


def test_no_comparison_of_leads_without_a_common_line(folder):
    """The one that has no line at all is the one that is told."""
    bare = capture(folder, "bare", lines=("HALT",), names="channels")
    full = capture(folder, "two", lines="two")
    for pair in ((bare, full), (full, bare)):
        with pytest.raises(LineMapError, match=r"diagnose \S*bare\.vcd tells"):
            compare(*pair)


@pytest.mark.parametrize(
    ("good", "suspect", "said"),
    [(((1, 2),), (), "good: 0x0001-0x0002"), ((), ((7, 7),), "suspect: 0x0007"), ((), (), None)],
)
def test_addresses_that_one_alone_executed_are_listed(healthy, dead, good, suspect, said):
    out = io.StringIO()
    print_comparison(replace(compare(healthy, dead), reached=Reached(good, suspect)), out)
    listed = out.getvalue().partition("Addresses executed in one alone")[2].split()
    assert said is None or said.split() == listed[:2]
    assert (said is None) == (not listed)


@pytest.mark.parametrize(
    ("code", "hangs"),
    [
        ("C9", True), ("C0", True), ("ED45", True), ("ED4D", True), ("10FE", True), ("76", True), ("E9", True), ("DDE9", True),
        ("FDE9", True),
        ("EDB0", True), ("EDB8", True), ("EDB1", True), ("EDB9", True), ("EDB2", True), ("EDBA", True), ("EDB3", True), ("EDBB", True),
        ("20FE", True), ("C20000", True), ("C40000", True), ("18FE", False), ("C30000", False), ("CD0000", False), ("C7", False),
        ("EDA0", False), ("EDA2", False), ("00", False),
    ],
)  # fmt: skip
def test_what_goes_on_where_data_say_is_known(code, hangs):
    """UM0080: returns, conditional jumps, repeated block instructions, HALT and jumps to a register; no others."""
    data = bytes.fromhex(code)
    fetched = 2 if data[0] in (0xED, 0xDD, 0xFD) else 1
    rows = [("opcode_fetch" if k < fetched else "memory_read", 0x10 + k, value) for k, value in enumerate(data)]
    assert _instruction(flow(*rows), fetched - 1)[2] == hangs


def test_an_instruction_is_read_to_its_last_byte():
    """Four bytes are the longest (UM0080: LD IX,nn); what was not captured of them leaves it without a text."""
    rows = [("opcode_fetch", 0x100, 0xDD), ("opcode_fetch", 0x101, 0x21), ("memory_read", 0x102, 0x34), ("memory_read", 0x103, 0x12)]
    whole = flow(*rows, *fetches(0x104))
    assert _instruction(whole, 1)[:2] == (0x100, "LD IX,0x1234")
    assert _instruction(flow(*rows[:3], *fetches(0x104)), 1) == (0x100, None, True)
