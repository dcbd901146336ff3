"""What the page of a case makes of it: where it stands, its steps, and which channel was which line."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace

import pytest

from strobewise.case.readings import value_said
from strobewise.case.records import ANSWER_KINDS, Answer, Step, StepLead
from strobewise.case.state import judge_case
from strobewise.case.store import add_answer, add_capture, close_case, new_case
from strobewise.machine import fault, simulate
from strobewise_cli.page_server.desk import Beginning, View
from strobewise_cli.render.bench_html import KIND_WORDS, LEAD_COLOURS, choice, heading_of, lead_picture, lead_rows, put_right, render_bench
from strobewise_cli.render.case_text import closed_words, lead_place_words, lead_words, power_words

LINES = ("CLK", "MREQ", "M1", "RD", "WR", "RFSH", "IORQ", "HALT")


def captured(path, **settings):
    with path.open("w", encoding="ascii") as file:
        simulate(**{"lines": LINES, "duration_s": 0.006, **settings}).write_vcd(file)
    return path


def test_leads_have_the_colours_of_the_resistor_code():
    """IEC 60062, digits 0 to 9; after the tenth lead they begin anew."""
    assert " ".join(LEAD_COLOURS) == "black brown red orange yellow green blue violet grey white"


def test_everything_that_can_be_put_down_has_words():
    assert tuple(KIND_WORDS) == ANSWER_KINDS


def test_the_top_of_the_page_says_where_the_repair_stands(tmp_path):
    """A fault from before a repair is not told as one that is there; and a proof is told as one."""
    case = new_case(tmp_path / "case", symptom="dead")
    assert heading_of(judge_case(case)).headline == "NOTHING CAPTURED YET"
    case = add_capture(case, captured(tmp_path / "dead.vcd", faults=[fault("dead-low", line="M1")]))
    state = judge_case(case)
    assert heading_of(state)[:2] == ("fault", "FAULT") and not put_right(state)
    case = add_answer(case, Answer("replaced", "cpu"))
    state = judge_case(case)
    assert put_right(state) and state.changes[-1].words == "whether it helped is open until the machine is looked at again"
    top = heading_of(state)
    assert top[:2] == ("cannot_decide", "NOT PROVEN YET") and top.summary.startswith("Before the repair: /M1 (pin 27) is dead")
    case = add_capture(case, captured(tmp_path / "good.vcd", duration_s=0.008, seed=3))
    assert heading_of(judge_case(case)) == ("no_fault_found", "PROVEN", "Gone after the repair: /M1 dead.")
    closed = judge_case(close_case(case, "cpu", "U1", proven=True))
    assert heading_of(closed).headline == "CLOSED" and heading_of(closed).summary.endswith(" UTC: it was the CPU: U1 (proven).")
    assert closed_words(closed)[4] == "-" and "T" not in closed_words(closed)[:16]


def test_a_capture_says_which_channel_was_which_line(tmp_path):
    path = captured(tmp_path / "x.vcd", names="channels", lines=("MREQ", "M1"))
    case = add_capture(new_case(tmp_path / "case"), path, maps=(("MREQ", "CH0"), ("M1", "CH1")), probe_at={"M1": "connector"})
    words = lead_place_words(judge_case(case).diagnosis.captures[0])
    assert words == ["CH0: /MREQ, CH1: /M1 at the connector", "channels named: /MREQ, /M1 by 1-x.vcd.map.toml"]


@pytest.mark.parametrize(
    ("kind", "power", "words"),
    [
        ("capture", "off", "power off to clip, on to capture"), ("check", "on", "power on"), ("repair", "off", "power off"),
        ("close", None, ""),
    ],
)  # fmt: skip
def test_power_is_off_to_clip_and_on_to_capture(kind, power, words):
    assert power_words(Step(kind, "x", "do", "why", power)) == words


def test_volts_of_a_scope_are_drawn_where_the_windows_hold_some(tmp_path):
    import numpy as np

    from strobewise_cli.render.html_data import WINDOW_EVENTS_MAX, Window, _VoltsCutter
    from strobewise_cli.render.html_viewer import _volts, _with_volts

    use = SimpleNamespace(line="M1", target_bit=3)
    channels = SimpleNamespace(uses=[use], assignments=[SimpleNamespace(code="0", target_bit=3)])
    window = Window("a", "A", 100, 200, 150)
    cutter = _VoltsCutter([window], channels)
    for begin in (0, 110):
        times = np.arange(begin, begin + 110, 10)
        cutter("0", times, times / 100.0)
        cutter("1", times, times / 100.0)  # no line
    assert _volts(window, "M1", 100)[:4] == [10, 1.1, 20, 1.2] and _volts(window, "M1", 100)[-2:] == [100, 2.0]
    row = {"name": "M1", "label": "/M1", "bit": 3}
    assert _with_volts(row, [window]) == {**row, "volts": [0.0, 5.0]}
    assert "volts" not in _with_volts({**row, "name": "RD"}, [window])
    cutter("0", np.arange(120, 120 + 3 * WINDOW_EVENTS_MAX) // (3 * WINDOW_EVENTS_MAX) + 120, np.full(3 * WINDOW_EVENTS_MAX, 6.1))
    assert len(_volts(window, "M1", 100)) == 2 * WINDOW_EVENTS_MAX and _with_volts(row, [window])["volts"] == [0.0, 6.1]
    cutter("0", np.array([130, 140]), np.array([7.0, 7.0]))  # it is full, and stays as it is
    assert len(_volts(window, "M1", 100)) == 2 * WINDOW_EVENTS_MAX and _with_volts(row, [window])["volts"] == [0.0, 6.1]


@pytest.mark.parametrize(
    ("kind", "about", "pins"),
    [
        ("supply", "", {11, 29}),  # +5 V and ground (UM0080)
        ("pulses", "M1", {27}), ("between", "A11-A12", {1, 2}),
        ("reseated", "cpu", set()), ("unplugged", "expansion_device", set()),
    ],
)  # fmt: skip
def test_a_step_shows_the_pins_to_go_to_and_no_package_where_there_are_none(kind, about, pins):
    picture = lead_picture(Step("check", "x", "do", "why", answers=(Answer(kind, about),)))
    assert ({pin.number for pin in picture.marked} if picture is not None else set()) == pins


@pytest.mark.parametrize(
    ("lead", "printed", "on_the_page", "drawn"),
    [
        (StepLead("CH0", "M1", 27, "cpu"), "pin 27", "pin 27", {27: "CH0"}),
        (StepLead("CH0", "M1", 27, "connector", "B14"), "connector B14", "connector B14", {}),
        (StepLead("CH0", "M1", 27, "connector"), "at the connector", "connector", {}),
        (StepLead("CH0", "ROMDIS", None, "connector", "A19"), "connector A19", "connector A19", {}),
    ],
)
def test_where_a_lead_goes_is_the_same_in_the_terminal_and_on_the_page(lead, printed, on_the_page, drawn):
    step = Step("capture", "capture", "do", "why", leads=(lead,))
    ((_, _, where),) = lead_words(step)
    (row,) = lead_rows(step)
    picture = lead_picture(step)
    assert (where, row["where"]) == (printed, on_the_page)
    assert ({pin.number: pin.lead.text for pin in picture.marked if pin.lead} if picture is not None else {}) == drawn


@pytest.mark.parametrize(
    ("answer", "label", "unit"),
    [
        (Answer("volts", "M1"), "Keep this reading", "volts"), (Answer("supply"), "Keep this reading", "volts"),
        (Answer("pulses", "M1", 1.0), "It pulses", ""), (Answer("pulses", "M1", 0.0), "It does not pulse", ""),
        (Answer("driven", "rom", 1.0), "Each pin pulses", ""), (Answer("driven", "rom", 0.0), "A pin is dead", ""),
        (Answer("passes", "glue", 1.0), "It does all of that", ""), (Answer("passes", "glue", 0.0), "It does not", ""),
        (Answer("readout", "rom", 1.0), "It reads right", ""), (Answer("readout", "rom", 0.0), "It reads wrong", ""),
        (Answer("reseated", "cpu", fault="gone"), "The fault is gone", ""),
        (Answer("reseated", "cpu", fault="stays"), "The fault stays", ""),
        (Answer("resoldered", "M1"), "Done: resoldered /M1", ""),
    ],
)  # fmt: skip
def test_each_answer_has_the_button_that_says_it(answer, label, unit):
    button = choice(answer)
    assert (button.label, button.unit) == (label, unit)
    assert button.answer["kind"] == answer.kind and button.answer.get("value") == answer.value


def test_the_page_says_whose_repair_it_is(tmp_path):
    for symptom, words in (("dead", "Nothing happens, or the screen stays blank"), ("unknown", "No symptom given")):
        state = judge_case(new_case(tmp_path / symptom, symptom=symptom, leads=6))
        page = render_bench(View(state, (), 1, ()), Beginning(None, 8), "token")
        assert f">{words}" in page and f"opened {state.case.opened[:10]}; 6 leads." in page


@pytest.mark.parametrize(("kind", "about"), [("ohms", "D3"), ("between", "A11-A12")])
def test_an_open_line_has_a_button_of_its_own(kind, about):
    """A telephone shows digits alone for a number, and JSON knows no infinite one."""
    button = choice(Answer(kind, about, math.inf))
    assert button.unit == "" and "OL" in button.label
    told = json.loads(json.dumps(button.answer, allow_nan=False))
    assert value_said(told["kind"], told["value"]) == math.inf
    assert choice(Answer(kind, about)).unit == "ohms"
