"""What the rules make of counted contradictions: which line read otherwise explains them, just enough of them and just too few."""

from __future__ import annotations

import pytest
from hand_made import evidence_of, of_memory, rules_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.records.prediction import Difference, LineCount, PredictionRecord
from strobewise.rules.prediction import _any_of_several, _first, _lines_of, _misread, _moves, _stuck_write, _swapped, coverage, followed


def record(explained=None, sought=20, **changes):
    values = {
        "cycles": 1000, "cycles_in_all": 1000, "instructions": 400, "windows": 1, "differences": {"next": sought}, "kept": [],
        "tick_s": 1e-9, "written": [LineCount() for _ in range(8)],
        "address_wrong": [LineCount() for _ in range(16)], "alone_wrong": [0] * 16, "unlike": {}, "exchanged": {},
        "explained": explained or {}, "sought": sought, "exhausted": False,
        "levels": [LineCount(100, 0, 100, 0) for _ in range(8)],
    }  # fmt: skip
    return PredictionRecord(**{**values, **changes})


def test_one_line_that_explains_enough_and_alone():
    assert _misread(record()) is None
    assert _misread(record({"D3": (20, 0, 6, 0)}, sought=40)) == 3  # six alone, half of all
    assert _misread(record({"D3": (20, 0, 5, 0)}, sought=40)) is None
    assert _misread(record({"D3": (0, 19, 0, 6)}, sought=40)) is None  # less than half
    assert _misread(record({"D3": (20, 0, 8, 0), "D5": (9, 0, 2, 0)}, sought=40)) == 3  # four times as often as the next
    assert _misread(record({"D3": (20, 0, 8, 0), "D5": (9, 0, 3, 0)}, sought=40)) is None


def test_the_line_is_the_one_that_most_often_is_the_only_one():
    assert _misread(record({"D3": (40, 0, 1, 0), "D5": (15, 15, 4, 4)}, sought=40)) == 5  # not the one that might explain the most
    assert _misread(record({"D3": (10, 30, 1, 0), "D5": (15, 15, 4, 4)}, sought=40)) == 5


def test_one_line_that_explains_every_contradiction_needs_fewer_alone():
    assert _misread(record({"D3": (12, 0, 1, 0)}, sought=12)) == 3
    assert _misread(record({"D3": (11, 0, 1, 0)}, sought=11)) is None  # too few
    assert _misread(record({"D3": (9, 0, 1, 0)}, sought=9, alone_wrong=[3 * (k in (3,)) for k in range(16)])) == 3  # with its addresses
    assert _misread(record({"D3": (9, 0, 1, 0)}, sought=9, alone_wrong=[3 * (k in (11,)) for k in range(16)])) == 3
    assert _misread(record({"D3": (12, 0, 1, 0)}, sought=13)) is None
    assert _misread(record({"D3": (12, 0, 0, 0)}, sought=12)) is None
    assert _misread(record({"D3": (12, 0, 2, 0), "D5": (2, 0, 1, 0)}, sought=12)) is None


def test_two_lines_changed_over():
    pair = {"D3<>D4": (16, 0, 0, 0), "D3": (8, 0, 8, 0)}
    assert _swapped(record(pair)) == (3, 4) and _misread(record(pair)) is None
    assert _swapped(record({"D3<>D4": (16, 0, 0, 0)})) is None  # with nothing to compare it with
    assert _swapped(record({**pair, "D3<>D4": (15, 0, 0, 0)})) is None  # less than 80 %
    assert _swapped(record({"D3<>D4": (12, 0, 0, 0), "D3": (1, 0, 0, 0)}, sought=12)) == (3, 4)
    assert _swapped(record({"D3<>D4": (11, 0, 0, 0), "D3": (1, 0, 0, 0)}, sought=11)) is None  # too few
    assert _swapped(record({"D3<>D4": (10, 10, 0, 0), "D3": (17, 0, 0, 0)})) == (3, 4)
    assert _swapped(record({"D3<>D4": (10, 10, 0, 0), "D3": (18, 0, 0, 0)})) is None  # another is nearly as good


def test_one_of_several_lines():
    both = {"D3": (12, 15, 0, 0), "D5": (30, 0, 0, 0), "D6": (26, 0, 0, 9), "D3<>D4": (30, 0, 0, 0)}
    assert _any_of_several(record(both, sought=30)) == (3, 5)
    assert _any_of_several(record(both, sought=30, differences={"next": 23})) == ()
    assert _any_of_several(record(both, sought=30, differences={"next": 24})) == (3, 5)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        (LineCount(6, 6, 50, 0), (6, 6, "low")), (LineCount(5, 5, 50, 0), None), (LineCount(20, 18, 50, 0), (18, 20, "low")),
        (LineCount(20, 17, 50, 0), None), (LineCount(50, 0, 6, 6), (6, 6, "high")), (LineCount(20, 20, 50, 3), (20, 20, "low")),
        (LineCount(20, 20, 50, 4), None),
    ],
)  # fmt: skip
def test_a_line_at_the_same_wrong_level_in_writes(line, found):
    assert _stuck_write(record(written=[LineCount()] * 3 + [line] + [LineCount()] * 4), 3) == found


def test_a_line_moves_that_is_now_and_then_at_its_rarer_level():
    usual = [LineCount(100, 0, 100, 0)] * 7
    assert _moves(record(levels=[LineCount(20, 0, 500, 0), *usual]), 0) and not _moves(record(levels=[LineCount(19, 0, 500, 0), *usual]), 0)
    seldom = [LineCount(4, 0, 100, 0)] * 7
    assert _moves(record(levels=[LineCount(3, 0, 9, 0), *seldom]), 0) and not _moves(record(levels=[LineCount(2, 0, 9, 0), *seldom]), 0)


def test_the_first_of_a_kind_is_explained():
    kept = [
        Difference(0, 0x100, b"\x00", "next", 0x101, 0x102, 0x102, ("D0",)),
        Difference(9, 0x200, b"\x77", "data", 0x12, 0x13, 0x4000, ()),
    ]  # fmt: skip
    assert _first(record(kept=kept), "data") != _first(record(kept=kept), "next") == _first(record(kept=kept), "D0")
    assert _first(record(kept=kept), "address") == _first(record(), "data") == "it was not kept"


def differing(what, *pairs):
    return [Difference(0, 0x100, b"\x00", what, expected, found, 0x100, ()) for expected, found in pairs]


@pytest.mark.parametrize(
    ("kept", "lines"),
    [
        (differing("next", *[(0x1230, 0x1238)] * 6), ("A3",)), (differing("data", *[(0x80, 0x00)] * 6), ("D7",)),
        (differing("next", *[(0x1230, 0x1238)] * 5), ()),  # too few
        (differing("next", *[(0x1230, 0x123C)] * 6), ()),  # two lines at once
        (differing("next", *[(0x1230, 0x1238)] * 5, (0x1230, 0x1231)), ()),  # another line now and then
        (differing("next", *[(0x1230, 0x1238)] * 5) + differing("data", (0x08, 0x00)), ()),  # A3 and D3
        (differing("kind", *[(1, 2)] * 3) + differing("next", *[(0x1230, 0x1238)] * 6), ("A3",)),  # a kind is no line
    ],
)  # fmt: skip
def test_the_line_that_all_differences_have_in_common(kept, lines):
    assert _lines_of(record(kept=kept)) == lines


def test_a_program_that_ran_away_contradicts_nothing(monkeypatch):
    evidence = evidence_of(prediction=record(sought=30), memory=of_memory())
    evidence.captured |= {*ADDRESS, *DATA}
    assert "program-contradicted" in rules_of(evidence)
    monkeypatch.setattr("strobewise.rules.prediction.runs_away", lambda memory: True)
    assert "program-contradicted" not in rules_of(evidence)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"differences": {}}, "400 instructions followed from end to end: no contradiction"),
        ({"differences": {"next": 1}}, "400 instructions followed from end to end: 1 contradiction"),
        ({"differences": {"next": 2}}, "400 instructions followed from end to end: 2 contradictions"),
        ({"differences": {}, "windows": 3, "cycles_in_all": 4000},
         "400 instructions followed in 3 windows spread evenly, 25 % of the machine cycles: no contradiction; the rest was not followed"),
        ({"differences": {}, "windows": 3, "odd_windows": 1, "cycles_in_all": 4000},
         "400 instructions followed in 2 windows spread evenly and 1 where something is odd, 25 % of the machine cycles: no contradiction; "
         "the rest was not followed"),
        ({"instructions": 0}, ""),
    ],
)  # fmt: skip
def test_what_following_the_program_came_to(changes, text):
    assert followed(evidence_of(prediction=record(**changes))) == text


def test_how_much_was_followed():
    assert coverage(record()) == "400 instructions"
    assert coverage(record(windows=2, cycles_in_all=4000)) == "400 instructions in 2 windows (1000 of 4000 machine cycles)"
