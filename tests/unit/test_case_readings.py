"""What a meter shows and how it is written down, and what a reading says beside a capture."""

from __future__ import annotations

import math

import pytest
from test_case_state import back_at, captured, share

from strobewise.case.checks import Seen, outcome, side_by_side
from strobewise.case.readings import HIGHEST_V, LOWEST_OHMS, LOWEST_V, value_said
from strobewise.case.records import Answer
from strobewise.case.state import judge_case
from strobewise.case.store import add_answer, add_capture, new_case, open_case
from strobewise.errors import UsageError
from strobewise.machine.faults import fault
from strobewise_cli.main import main
from strobewise_cli.render.case_markdown import render_markdown


@pytest.mark.parametrize(
    ("kind", "said", "value"),
    [
        ("volts", "0.4", 0.4), ("volts", "0,4 V", 0.4), ("volts", "400mV", 0.4), ("volts", "-.02", -0.02), ("supply", "5.02V", 5.02),
        ("ohms", "1.2", 1.2), ("ohms", "1.2k", 1200.0), ("ohms", "47 kOhm", 47e3), ("ohms", "3.3M", 3.3e6), ("ohms", "5 m", 5e-3),
        ("ohms", "0.6 Ω", 0.6), ("between", "0.4ohms", 0.4), ("ohms", "1e3", 1e3),
        ("ohms", "OL", math.inf), ("ohms", "O.L", math.inf), ("ohms", "0L", math.inf), ("between", "inf", math.inf),
        ("ohms", "open", math.inf),
        ("ohms", "∞", math.inf), ("ohms", "OL ohms", math.inf), ("pulses", "No", 0.0), ("readout", "right", 1.0),
    ],
)  # fmt: skip
def test_a_reading_is_taken_as_a_person_writes_it(kind, said, value):
    assert value_said(kind, said) == pytest.approx(value)


@pytest.mark.parametrize(
    ("kind", "said"),
    [("volts", "OL"), ("volts", "inf"), ("volts", "47ohms"), ("ohms", "5V"), ("ohms", ""), ("supply", "nan"), ("ohms", "1.2.3"),
     ("pulses", "1")],
)
def test_what_is_no_reading_is_refused(kind, said):
    with pytest.raises(UsageError, match="is not"):
        value_said(kind, said)


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (Answer("volts", "M1", -3.0), "leads are exchanged"), (Answer("supply", "", -5.02), "leads are exchanged"),
        (Answer("volts", "M1", LOWEST_V - 0.01), "leads are exchanged"), (Answer("volts", "M1", 400.0), "400mV"),
        (Answer("volts", "M1", HIGHEST_V + 0.1), "400mV"), (Answer("ohms", "M1", LOWEST_OHMS - 0.1), "capacitors empty"),
        (Answer("between", "A0-A1", -40.0), "capacitors empty"),
    ],
)  # fmt: skip
def test_a_reading_that_no_machine_gives_is_refused_and_counts_for_nothing(answer, message, tmp_path):
    case = new_case(tmp_path / "case", symptom="dead")
    with pytest.raises(UsageError, match=message):
        add_answer(case, answer)
    assert open_case(case.folder).items == ()
    assert outcome(answer) is None  # nor does one on a sheet from before


@pytest.mark.parametrize(
    ("answer", "found"),
    [
        (Answer("volts", "M1", LOWEST_V), "no"), (Answer("volts", "M1", HIGHEST_V), None), (Answer("ohms", "M1", LOWEST_OHMS), "good"),
        (Answer("ohms", "M1", math.inf), "open"), (Answer("between", "A0-A1", math.inf), "apart"), (Answer("supply", "", 0.0), "bad"),
    ],
)  # fmt: skip
def test_what_just_can_be_counts(answer, found):
    assert outcome(answer) == found


def test_an_open_line_goes_by_the_command_to_the_sheet_and_back(tmp_path, capsys):
    folder = str(tmp_path / "case")
    assert main(["case", "new", folder, "--symptom", "garbage"]) == 0
    assert main(["case", "answer", folder, "ohms", "D3", "OL"]) == 0
    assert main(["case", "answer", folder, "volts", "M1", "400mV"]) == 0
    assert main(["case", "answer", folder, "volts", "M1", "-3"]) == 2
    answers = [item.answer for item in open_case(folder).items]
    assert answers == [Answer("ohms", "D3", math.inf), Answer("volts", "M1", 0.4)]
    assert "D3: no way through" in render_markdown(judge_case(open_case(folder)))


AT = {"connector": {"M1": "connector"}, "cpu": {}}


@pytest.mark.parametrize(
    ("place", "kind", "answer", "more"),
    [
        ("connector", "dead-low", Answer("volts", "M1", 3.6), "connection"),
        ("connector", "dead-low", Answer("pulses", "M1", 1.0), "connection"),
        ("connector", "dead-high", Answer("pulses", "M1", 1.0), "connection"),
        ("cpu", "none", Answer("volts", "M1", 0.4, "connector"), "connection"),
        ("cpu", "none", Answer("pulses", "M1", 0.0, "connector"), "connection"),
        ("connector", "dead-low", Answer("volts", "M1", 0.4), "cpu"),
        ("cpu", "dead-low", Answer("volts", "M1", 3.6), "probe_or_capture"),
    ],
)  # fmt: skip
def test_a_reading_beside_a_capture_at_the_other_place_tells_the_way_between(place, kind, answer, more, tmp_path):
    """It makes no difference which of the two places was captured, and which measured."""
    faults = [] if kind == "none" else [fault(kind, line="M1", at=place)]
    path = captured(tmp_path / "a.vcd", faults=faults, probe_at=AT[place])
    case = add_capture(new_case(tmp_path / "case", symptom="dead"), path, probe_at=AT[place])
    before, after = judge_case(case), judge_case(add_answer(case, answer))
    assert share(after, more) > share(before, more) + 0.1, (before.hypotheses, after.hypotheses)
    assert "nothing of the suspects" not in after.changes[-1].words
    if more == "connection":
        assert after.hypotheses[0].suspect == "connection" and after.verdict.state == "fault"


@pytest.mark.parametrize(
    ("seen", "answer"),
    [
        (Seen(still_there=frozenset({"M1"})), Answer("volts", "M1", 3.6)),  # high at both places may be one and the same
        (Seen(alive=frozenset({"A15"})), Answer("volts", "A15", 0.4, "connector")),  # a line that is low for most of the time reads so
        (Seen(low_there=frozenset({"RD"})), Answer("volts", "M1", 3.6)), (Seen(), Answer("volts", "M1", 3.6)),
        (Seen(low_there=frozenset({"M1"})), Answer("volts", "M1", 1.0)),
    ],
)  # fmt: skip
def test_what_may_be_one_and_the_same_is_no_open_way(seen, answer):
    assert side_by_side([answer], seen) == [answer]


def test_an_earlier_verdict_is_not_moved_by_a_reading_elsewhere(tmp_path):
    case = add_capture(new_case(tmp_path / "case", symptom="dead"), captured(tmp_path / "a.vcd", faults=[fault("dead-low", line="M1")]))
    before = judge_case(case)
    assert judge_case(add_answer(case, Answer("volts", "RD", 3.6))).hypotheses == before.hypotheses
    assert judge_case(add_answer(back_at(case), Answer("volts", "M1", 1.4))).hypotheses == before.hypotheses
