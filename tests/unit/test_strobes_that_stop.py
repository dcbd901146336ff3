"""A strobe that moves for the last time while the CPU works on has died, or its lead came off: at whichever level, and whenever."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hand_made import evidence_of
from hypothesis import given
from hypothesis import strategies as st

from strobewise import Options, diagnose
from strobewise.bus.lines import BIT, STROBES
from strobewise.evidence.last_edges import LastEdges
from strobewise.identify.raw import Raw, find_frame
from strobewise.identify.strobes import find_strobes
from strobewise.machine import GENERIC, simulate
from strobewise.records.evidence import LineEvidence, Stays, StrobeCount
from strobewise.rules.base import run, twins
from strobewise.rules.misled import _beside_misses


def altered(path, lines, change, **settings):
    """Write a healthy capture whose levels were changed: change(ticks as a share of the capture, words by line) -> words by line."""
    capture = simulate(**{"lines": list(lines), "duration_s": 0.003, **settings})
    events = list(capture.words())
    end, before = events[-1][0], None
    with open(path, "w", encoding="ascii") as file:
        file.write("$timescale 1 ns $end\n")
        for number, line in enumerate(lines):
            file.write(f"$var wire 1 {chr(33 + number)} {line} $end\n")
        file.write("$enddefinitions $end\n")
        for tick, word, _ in events:
            levels = change(tick / end, {line: word >> BIT[line] & 1 for line in lines})
            moved = [f"{levels[line]}{chr(33 + k)}" for k, line in enumerate(lines) if before is None or levels[line] != before[line]]
            before = levels
            if moved:
                file.write(f"#{tick} {' '.join(moved)}\n")
        file.write(f"#{end + 100}\n")
    return diagnose([str(path)], Options())


def stuck(line, level, since):
    return lambda share, levels: {**levels, line: level} if share >= since else levels


def exchanged(one, other):
    return lambda share, levels: {**levels, one: levels[other], other: levels[one]}


def faults(diagnosis):
    return {finding.rule: finding for finding in diagnosis.findings if finding.severity == "fault"}


EIGHT = ("CLK", "M1", "MREQ", "RD", "WR", "IORQ", "RFSH", "RESET")
NOPS = ((0, bytes(0x2000)),)  #: nothing but fetches
LEADS = {"eight": EIGHT, "no-clk": EIGHT[1:], "two": ("M1", "MREQ"), "refresh": ("MREQ", "RFSH")}
RULE = {"M1": "fetch-strobe-missing", "MREQ": "memory-request-missing", "RD": "read-strobe-missing", "RFSH": "refresh-strobe-missing"}


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize(("leads", "line"), [
    *((leads, line) for leads in ("eight", "no-clk") for line in ("M1", "MREQ", "RD", "RFSH")),
    ("two", "M1"), ("two", "MREQ"), ("refresh", "MREQ"),
])  # fmt: skip
def test_a_strobe_that_dies_in_the_middle_is_the_only_one_named(tmp_path, leads, line, level):
    diagnosis = altered(tmp_path / "late.vcd", LEADS[leads], stuck(line, level, 0.5))
    assert set(faults(diagnosis)) == {RULE[line]}, diagnosis.verdict.headline
    assert diagnosis.verdict.suspects[0].suspect in ("cpu", "probe_or_capture")
    assert "comes and goes" not in diagnosis.verdict.headline
    assert "went-silent" not in {finding.rule for finding in diagnosis.findings}, "the CPU works on"


@pytest.mark.parametrize("line", ["WR", "IORQ"])
def test_a_strobe_that_nothing_calls_for_may_not_stay_low(tmp_path, line):
    found = altered(tmp_path / "low.vcd", EIGHT, lambda share, levels: {**levels, line: int(share < 0.6)})
    assert any(line in finding.lines for finding in faults(found).values()), found.verdict.headline


def test_a_strobe_that_gets_stuck_is_told_so_with_its_moment(tmp_path):
    found = altered(tmp_path / "stuck.vcd", EIGHT, stuck("WR", 0, 0.5))
    assert found.verdict.headline.startswith("/WR (pin 22) gets stuck low: it is not let go from 1.5 ms on"), found.verdict.headline


def test_a_strobe_that_nothing_calls_for_may_not_pulse(tmp_path):
    """What moves on the lead for /WR in a program that never writes is another line's."""
    found = altered(tmp_path / "pulses.vcd", (*EIGHT, "A3"), lambda share, levels: {**levels, "WR": levels["A3"]}, contents=NOPS)
    assert faults(found)["write-strobe-missing"].lines == ("WR",)
    assert "strobes where it must not" in found.verdict.headline


def test_a_clock_that_was_not_found_is_no_strobe():
    """An edge of CLK is near each place where /RD may fall: taken for it, it would hide what the lead for /RD carries."""
    names = ("CLK", "M1", "MREQ", "RD", "WR")
    events = list(simulate(lines=names, duration_s=0.002, sample_hz=50_000_000).words())
    words = np.array([sum((word >> BIT[name] & 1) << k for k, name in enumerate(names)) for _, word, _ in events], np.uint64)
    raw = Raw(np.array([tick for tick, _, _ in events], np.int64), words, len(names), 20.0)
    frame = find_frame(raw)
    assert frame is not None
    assert {role.line: names[role.channel] for role in find_strobes(raw, frame, {frame.channel})} == {"M1": "M1", "RD": "RD", "WR": "WR"}


@pytest.mark.parametrize("since", [0.2, 0.6])
@pytest.mark.parametrize(("line", "rule"), [("RESET", "reset-held"), ("WAIT", "wait-held"), ("BUSREQ", "bus-request-held")])
def test_a_hold_that_the_cpu_does_not_heed_is_its_lead(tmp_path, line, rule, since):
    leads = (*EIGHT[:-1], "RESET", "WAIT", "BUSREQ", "BUSACK")
    found = altered(tmp_path / "held.vcd", leads, stuck(line, 0, since))
    assert faults(found)[rule].lines == (line,)
    assert found.verdict.suspects[0].suspect == "probe_or_capture"


def test_a_clock_that_rests_while_the_cpu_works_is_its_lead(tmp_path):
    found = altered(tmp_path / "clk.vcd", EIGHT, stuck("CLK", 1, 0.5))
    assert [(each.rule, each.severity) for each in found.findings] == [("clock-stopped", "warning")]
    assert found.verdict.suspects[0].suspect == "probe_or_capture"


@pytest.mark.parametrize(("one", "other"), [("M1", "RD"), ("MREQ", "RD"), ("MREQ", "WR"), ("WR", "RFSH"), ("M1", "MREQ"), ("RD", "RFSH")])
def test_two_leads_on_each_others_pins(tmp_path, one, other):
    found = altered(tmp_path / "swapped.vcd", EIGHT, exchanged(one, other))
    assert set(faults(found)) == {"leads-swapped"}, found.verdict.headline
    assert set(faults(found)["leads-swapped"].lines) == {one, other}


@pytest.mark.parametrize(("one", "other"), [("M1", "RD"), ("WR", "RFSH")])
def test_exchanged_leads_of_a_program_that_only_fetches(tmp_path, one, other):
    """As labelled nothing is amiss, or a strobe that never moves stands in the place of one that must: only their timing tells."""
    found = altered(tmp_path / "fetches.vcd", EIGHT, exchanged(one, other), contents=NOPS)
    assert set(faults(found)) == {"leads-swapped"}, found.verdict.headline
    assert set(faults(found)["leads-swapped"].lines) == {one, other}


def test_a_strobe_that_worked_before_it_died_is_on_its_own_lead(tmp_path):
    def dies_beside_a_double(share, levels):
        return {**levels, "RFSH": levels["RFSH"] if share < 0.5 else 0, "A7": levels["RFSH"]}

    found = altered(tmp_path / "double.vcd", (*EIGHT, "A7"), dies_beside_a_double)
    assert set(faults(found)) == {"refresh-strobe-missing"}
    assert "leads are exchanged" not in faults(found)["refresh-strobe-missing"].evidence
    assert found.verdict.suspects[0].suspect == "cpu"


def test_an_address_line_in_step_with_the_refresh_is_no_exchanged_lead(tmp_path):
    """Where /RFSH is dead and a line that stays as it is in each refresh moves with it, neither reading is told as certain."""
    def dead_beside_a_double(share, levels):
        return {**levels, "RFSH": 0, "A7": levels["RFSH"]}

    found = altered(tmp_path / "double.vcd", (*EIGHT, "A7"), dead_beside_a_double)
    assert set(faults(found)) == {"refresh-strobe-missing"}
    assert "leads are exchanged" in faults(found)["refresh-strobe-missing"].evidence
    assert found.verdict.suspects[0].suspect == "probe_or_capture"
    assert "cpu" in [each.suspect for each in found.verdict.suspects]


def missing_for_a_while(line):
    return lambda share, levels: {**levels, line: 1} if 0.4 <= share < 0.45 else levels


@pytest.mark.parametrize(("line", "other"), [("RD", "WR"), ("MREQ", "IORQ")])
def test_a_burst_of_misses_blames_no_strobe_that_its_cycles_only_seem_to_call_for(tmp_path, line, other):
    found = altered(tmp_path / "burst.vcd", EIGHT, missing_for_a_while(line))
    assert set(faults(found)) == {RULE[line]}, found.verdict.headline


@pytest.mark.parametrize(("one", "other"), [("MREQ", "RD"), ("RFSH", "WR"), ("M1", "RFSH")])
def test_two_strobes_that_move_as_one_are_bridged_and_nothing_else(tmp_path, one, other):
    found = altered(tmp_path / "one.vcd", EIGHT, lambda share, levels: {**levels, one: levels[other]})
    assert set(faults(found)) == {"lines-shorted"}, found.verdict.headline
    assert set(faults(found)["lines-shorted"].lines) == {one, other}


def test_fetch_after_fetch_refresh_is_the_opposite_of_m1_and_no_bridge(tmp_path):
    machine = replace(GENERIC, clock_hz=1_000_000, interrupt_period_t_states=None)
    how = {"start_s": 0.001, "duration_s": 0.0008, "sample_hz": 4_000_000, "delay_fraction": 0.1, "skew_ns": 0.0}
    found = altered(tmp_path / "nops.vcd", EIGHT, lambda share, levels: levels, machine=machine, contents=NOPS, **how)
    assert not faults(found), found.verdict.headline


def test_output_alone_moves_two_strobes_as_one():
    evidence = evidence_of(samples_per_t=7.0)
    for pair, told in ((("IORQ", "WR"), ()), (("MREQ", "RD"), (("MREQ", "RD"),))):
        for name, other in (pair, pair[::-1]):
            evidence.lines[name].twin = other
        assert twins(evidence) == told
        for name in pair:
            evidence.lines[name].twin = None


@given(st.data())
def test_last_edges_do_not_depend_on_the_blocks(data):
    rng = random.Random(data.draw(st.integers(0, 1 << 30)))
    count = rng.randrange(2, 2000)
    stops = {name: rng.randrange(count) for name in STROBES}
    words = np.zeros(count, np.uint16)
    for name in STROBES:
        moves = np.array([rng.random() < 0.3 and k <= stops[name] for k in range(count)])
        words |= (np.cumsum(moves) % 2).astype(np.uint16) << np.uint16(BIT[name])
    times = np.arange(count, dtype=np.int64) * 7
    changed = np.concatenate([words[:1], words[1:] ^ words[:-1]])

    def followed(cuts):
        edges = LastEdges(frozenset(STROBES))
        for low, high in zip([0, *cuts], [*cuts, count], strict=True):
            if high > low:
                part = changed[low:high]
                edges.feed(times[low:high], words[low:high], part, int(np.bitwise_or.reduce(part)))
        return edges.stays(1.0)

    whole, cut = followed([]), followed(sorted(rng.randrange(count) for _ in range(rng.randrange(6))))
    for name in STROBES:
        at = np.flatnonzero(changed & np.uint16(1 << BIT[name]))
        if not len(at):
            assert name not in whole and name not in cut
            continue
        truth = {other: int(np.count_nonzero(changed[at[-1] + 1 :] & np.uint16(1 << BIT[other]))) for other in STROBES}
        assert whole.get(name) == cut.get(name)
        if max(truth.values()) > 1:
            assert whole[name].since_s == times[at[-1]] and whole[name].high == bool(words[-1] & np.uint16(1 << BIT[name]))
            assert whole[name].falls == max(truth.values()) // 2 and whole[name].fetches == max(truth["M1"], truth["RFSH"]) // 2
        else:
            assert name not in whole


@pytest.mark.parametrize(("stays", "found"), [(Stays(False, 0.005, "MREQ", 400, 150), False), (None, True)])
def test_what_a_dead_strobe_makes_of_the_count_of_another(stays, found):
    """/M1 that stays low makes fetches of what are none, and their refreshes with them."""
    evidence = evidence_of(strobes={"M1": StrobeCount(388, 388, 630, 30), "RFSH": StrobeCount(317, 317, 701, 25)})
    evidence.lines["M1"] = LineEvidence("M1", edges=600, high_fraction=0.3, stays=stays)
    evidence.lines["RFSH"] = LineEvidence("RFSH", edges=700, high_fraction=0.8)
    assert any(finding.rule == "refresh-strobe-missing" for finding in run(evidence)) == found


@pytest.mark.parametrize(("line", "follows"), [("RD", "A3"), ("WR", "A3"), ("RD", "D5")])
def test_a_strobe_in_touch_with_a_line_of_a_bus_is_the_only_one_named(tmp_path, line, follows):
    """It makes requests of its own and takes away some of the others': those of the other strobes seem to miss theirs now and then."""
    def touching(share, levels):
        both = levels[line] & levels[follows]
        return {**levels, line: both, follows: both}

    found = altered(tmp_path / "touch.vcd", (*EIGHT, follows), touching)
    assert {name for finding in faults(found).values() for name in finding.lines} <= {line, follows}, found.verdict.headline
    assert faults(found)


def test_a_last_edge_counts_where_the_line_was_known_on_both_sides():
    rd, m1 = np.uint16(1 << BIT["RD"]), np.uint16(1 << BIT["M1"])

    def stays(unknown_at):
        edges = LastEdges(frozenset(STROBES))
        changed = np.array([rd, rd, rd, m1, m1, m1, m1], np.uint16)
        words = np.bitwise_xor.accumulate(changed)
        unknown = np.zeros(len(words), np.uint16)
        unknown[unknown_at] |= rd
        for low, high in ((0, 2), (2, 5), (5, 7)):
            moved = int(np.bitwise_or.reduce(changed[low:high]))
            edges.feed(np.arange(low, high), words[low:high], changed[low:high], moved, unknown[low:high])
        return "RD" in edges.stays(1.0)

    assert [stays(at) for at in ([], [0], [1], [3], [4, 5, 6], [6])] == [True, True, False, False, False, False]


def test_strobes_that_are_all_there_beside_their_samples_blame_no_output():
    """With one sample a clock, a lead that lags shows each pulse a sample late: as many as are called for, and none where it is."""
    def seen(edges):
        evidence = evidence_of(clocked="falling", strobes={"WR": StrobeCount(38, 0, 266, 0), "RD": StrobeCount(166, 166, 138, 0)})
        evidence.lines["WR"] = LineEvidence("WR", edges=edges, high_fraction=0.96)
        evidence.lines["RD"] = LineEvidence("RD", edges=332, high_fraction=0.7)
        return {finding.rule: finding for finding in run(evidence)}

    late, dying = seen(76), seen(40)
    assert "write-strobe-missing" not in late and "/WR pulses as often" in late["capture-too-coarse"].evidence
    assert "write-strobe-missing" in dying and "capture-too-coarse" not in dying


@pytest.mark.parametrize(("writes", "misled"), [(80, True), (81, False)])
def test_fetches_without_rd_hide_no_more_reads_than_instructions_have(writes, misled):
    """Four data accesses stand between two fetches at most (UM0080): beside 20 fetches without /RD, 80 reads may look like writes."""
    evidence = evidence_of(strobes={"RD": StrobeCount(1000, 980, 500, 0, 0.001, 0.002)})
    assert _beside_misses("WR", StrobeCount(100, 100 - writes, 500, 0, 0.001, 0.002), evidence) is misled
