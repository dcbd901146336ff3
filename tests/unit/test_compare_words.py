"""The sentence on top of a comparison, and what stands behind it, on comparisons made by hand: no capture is read."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from strobewise.bus.model import Finding, SuspectShare
from strobewise.compare.code import CodeChange
from strobewise.compare.comparison import _clock, _clock_lost, _line_changes, _must_move, _requests_due
from strobewise.compare.records import CALLED, ClockPair, HeldChange, LineChange, StrobePair
from strobewise.compare.words import _ends_before, _misread, sentence_of
from strobewise.records.evidence import BusEvidence, ClockEvidence, LineEvidence, StrobeCount


def found(rule="halted-for-good", *lines, severity="fault", first=0.001, words="seen so"):
    return Finding(rule, severity, lines, "cpu", 0.9, first, 0.002, 5, words, "a step", "", (SuspectShare("cpu", 0.6),))


def side(state="no_fault_found", *, end=0.01, hz=3.5e6, source="CLK", cycles=500, **lines):
    evidence = BusEvidence(captured=frozenset(("MREQ", "M1", "HALT")), end_s=end)
    evidence.cycles["opcode_fetch"] = cycles
    evidence.clock = ClockEvidence(hz, source, 1000, None, 1e-9, end, None)
    evidence.lines = {name: LineEvidence(name, edges=edges, high_fraction=0.5) for name, edges in lines.items()}
    return SimpleNamespace(evidence=evidence, verdict=SimpleNamespace(state=state), lines=[], findings=[])


def said(**changes):
    nothing = {
        "good": side(), "suspect": side(), "gone": (), "new": (), "kept": (), "lines": (), "held": (), "code": None, "parting": None,
        "clock": None, "timing": (), "strobes": (), "called": CALLED["good", "suspect"],
    }  # fmt: skip
    return SimpleNamespace(**{**nothing, **changes})


FAULT = side("fault")
LATE = found(first=0.02)
STUCK = LineChange("D3", "active", "stuck_low", True)
CODE = CodeChange(9, 400, 0x10, 0x21, 0x29, 0x08, 100)
SPOILT = CODE.words()
UNSURE = CODE._replace(fetches=0)
M1 = StrobePair("M1", StrobeCount(100, 100, 50, 0), StrobeCount(100, 40, 50, 0), 100, 40)
OFF = ClockPair(3.5e6, 4.0e6, 1e-9, 1e-9, True, False)

SENTENCES = (
    ({}, "alike: no difference on 3 lines in 500 and 500 machine cycles"),
    ({"new": (found(),)}, "the suspect has a fault that the good one has not: halted, and nothing ends it: seen so"),
    ({"new": (found(), found("wait-held"))},
     "the suspect has a fault that the good one has not: halted, and nothing ends it: seen so (and 1 more)"),
    ({"new": (found(),), "lines": (STUCK,)},
     "the suspect has a fault that the good one has not: halted, and nothing ends it: seen so; at rest in the suspect alone: D3"),
    ({"new": (found("x", "D3"),), "lines": (STUCK,)}, "the suspect has a fault that the good one has not: x (D3): seen so"),
    ({"new": (found(),), "lines": (STUCK._replace(good="idle"),)},
     "the suspect has a fault that the good one has not: halted, and nothing ends it: seen so"),
    ({"new": (found(),), "lines": (STUCK,) * 5}, "the suspect has a fault that the good one has not: halted, and nothing ends it: seen so"),
    ({"new": (found("x"),), "code": CODE}, f"the suspect has a fault that the good one has not: x: seen so; {SPOILT}"),
    ({"new": (found("x", "D3"),), "code": CODE}, "the suspect has a fault that the good one has not: x (D3): seen so"),
    ({"new": (found("x"),), "code": UNSURE}, "the suspect has a fault that the good one has not: x: seen so"),
    ({"new": (found("x", "M1"),), "strobes": (M1,)},
     "the suspect has a fault that the good one has not: /M1 strobes 40 of 100 fetches (100 of 100 in the good one)"),
    ({"kept": (found(),), "good": FAULT}, "the same fault in both: seen so"),
    ({"gone": (found(),), "good": FAULT}, "not seen again: halted, and nothing ends it (before: seen so)"),
    ({"gone": (LATE,), "good": FAULT}, "the second capture ends too early to tell whether this is gone: halted, and nothing ends it; "
     "the first capture failed only 20 ms after its start, and the second lasts 10 ms"),
    ({"gone": (found(),), "good": FAULT, "new": (found("spikes", "D1", severity="warning"),)},
     "not seen again: halted, and nothing ends it (before: seen so); new, as a warning: spikes on the strobes (D1)"),
    ({"gone": (found(),), "good": FAULT, "suspect": side("cannot_decide")},
     "the fault of the first capture is not seen in the second, but that one cannot decide: halted, and nothing ends it"),
    ({"gone": (found(),), "kept": (found("x"),), "good": FAULT},
     "other faults than before: gone: halted, and nothing ends it; still there: x"),
    ({"gone": (found(),), "new": (found("x"),), "good": FAULT},
     "other faults than before: new: seen so; gone: halted, and nothing ends it"),
    ({"new": (found(severity="warning"),)}, "no fault found in either, but a warning in the suspect alone: seen so"),
    ({"gone": (found(severity="warning"),)}, "no fault found in either, but a warning in the good one alone: seen so"),
    ({"held": (HeldChange("WAIT", 0.0, 0.001, 0.009),)},
     "no fault found in either, but /WAIT is held to the end in the suspect, for 1 ms, in the good one never"),
    ({"lines": (STUCK,)}, "D3 is active in the good one and stuck low in the suspect"),
    ({"lines": (STUCK._replace(counts=False),)}, "alike: no difference on 3 lines in 500 and 500 machine cycles"),
    ({"code": CODE}, f"no fault found in either, but {SPOILT}"),
    ({"code": UNSURE}, "alike: no difference on 3 lines in 500 and 500 machine cycles"),
    ({"clock": OFF}, "no fault found in either, but CLK runs at 4 MHz in the suspect, at 3.5 MHz in the good one"),
    ({"clock": OFF._replace(off=False)}, "alike: no difference on 3 lines in 500 and 500 machine cycles"),
    ({"clock": OFF, "suspect": side("cannot_decide")},
     "no fault that is sure in either, but CLK runs at 4 MHz in the suspect, at 3.5 MHz in the good one"),
)  # fmt: skip


@pytest.mark.parametrize(("changes", "sentence"), SENTENCES)
def test_what_a_comparison_comes_to(changes, sentence):
    assert sentence_of(said(**changes)) == sentence


@pytest.mark.parametrize(
    ("firsts", "early"), [((), False), ((None,), False), ((0.009,), False), ((0.01,), True), ((0.001, 0.02), True), ((0.001, None), False)]
)
def test_a_second_capture_is_too_short_where_the_first_took_longer_to_fail(firsts, early):
    assert bool(_ends_before([found(first=first) for first in firsts], said())) == early


def test_what_both_read_differently_is_told_once():
    assert _misread([], said(code=CODE)) == f"; {SPOILT}"
    assert not _misread([], said()) and not _misread([], said(code=UNSURE)) and not _misread([found("x", "D3")], said(code=CODE))


@pytest.mark.parametrize(
    ("one", "other", "off"),
    [
        ({}, {}, False),
        ({}, {"hz": 3.6e6}, True),
        ({}, {"hz": 3.6e6, "source": "strobes"}, False),  # an estimate may be further off
        ({}, {"hz": None}, None),
        ({"hz": None}, {}, None),
        ({}, {"hz": 4.5e6, "source": "given"}, None),  # by the user: nothing was measured
        ({"hz": 4.5e6, "source": "given"}, {}, None),
    ],
)
def test_clocks_are_compared_where_both_were_measured(one, other, off):
    pair = _clock(side(**one), side(**other))
    assert (pair if pair is None else pair.off) == off


@pytest.mark.parametrize(
    ("one", "other", "lost"), [("CLK", "strobes", True), ("CLK", "CLK", False), ("strobes", "strobes", False), ("strobes", "CLK", False)]
)
def test_a_clock_is_lost_that_keeps_time_in_the_first_alone(one, other, lost):
    assert _clock_lost(side(source=one), side(source=other)) == lost


@pytest.mark.parametrize(("edges", "end", "due"), [(20, 0.01, 10), (20, 0.005, 5), (0, 0.01, 0)])
def test_interrupts_are_due_at_the_rate_of_the_good_capture(edges, end, due):
    assert _requests_due(edges, side(), side(end=end)) == pytest.approx(due)


def state(line, word, edges=0):
    return SimpleNamespace(line=line, state=word, edges=edges)


@pytest.mark.parametrize(
    ("line", "before", "now", "edges", "told", "counts"),
    [
        ("D3", "active", "stuck_low", 400, (), True),
        ("D3", "active", "stuck_low", 2, (), False),  # it hardly moved there either
        ("D3", "active", "idle", 400, (), False),
        ("D3", "active", "stuck_low", 2, ("D3",), True),
        ("MREQ", "active", "idle", 2, (), True),
        ("INT", "active", "idle", 20, (), True),
        ("INT", "active", "idle", 9, (), False),
        ("HALT", "active", "stuck_high", 400, (), False),
        ("A9", "active", "stuck_low", 400, (), False),  # who knows which code ran
        ("D3", "active", "active", 400, (), None),
        ("D3", "active", "not_captured", 400, (), None),
    ],
)
def test_which_change_of_a_line_counts(line, before, now, edges, told, counts):
    good, suspect = side(**{line: edges}), side(**{line: 0})
    good.lines, suspect.lines = [state(line, before, edges)], [state(line, now)]
    assert [change.counts for change in _line_changes(good, suspect, set(told), (None, None))] == ([] if counts is None else [counts])
    good.lines, suspect.lines = suspect.lines, good.lines  # the other way round it counts as much
    good.evidence, suspect.evidence = suspect.evidence, good.evidence
    assert [change.counts for change in _line_changes(good, suspect, set(told), (None, None))] == ([] if counts is None else [counts])


def test_nothing_must_move_in_a_short_capture_or_beside_the_buses():
    assert _must_move("D1", 50, side(), side(), (None, None))
    assert not _must_move("D1", 50, side(), side(cycles=3), (None, None)) and not _must_move("HALT", 50, side(), side(), (None, None))
