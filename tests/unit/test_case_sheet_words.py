"""What the job sheet says of each entry: the verdict of a capture alone, and what became of a proof whose evidence was withdrawn."""

from __future__ import annotations

import json
import math

import pytest
from test_case_state import DEAD, back_at, captured

from strobewise.case.experience import read_experience
from strobewise.case.records import Answer, Item, Taken
from strobewise.case.state import judge_case
from strobewise.case.store import add_answer, add_capture, close_case, new_case, open_case, withdraw
from strobewise_cli.main import main
from strobewise_cli.page_server.desk import Beginning, View
from strobewise_cli.render.bench_html import render_bench
from strobewise_cli.render.case_html import render_page
from strobewise_cli.render.case_json import document
from strobewise_cli.render.case_markdown import render_markdown
from strobewise_cli.render.case_text import item_words


@pytest.fixture
def proven(tmp_path):
    """A case that was closed with a proof: 1 shows the fault, 2 the repair, 3 a note, 4 and 5 the proof, twice."""
    case = add_capture(new_case(tmp_path / "shop" / "case", symptom="dead"), captured(tmp_path / "dead.vcd", faults=DEAD))
    case = add_answer(add_answer(case, Answer("replaced", "cpu")), Answer("note"), "new socket as well")
    for number in (1, 2):
        case = add_capture(case, captured(tmp_path / f"good{number}.vcd", seed=number, duration_s=0.02))
    state = judge_case(case)
    assert state.proof.state == "proven"
    return close_case(case, "cpu", "U1", proven=True, rules=("fetch-strobe-missing",))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (Item(1, "", file="captures/1-a.vcd"), "capture 1-a.vcd"),
        (Item(1, "", "cold", file="captures/1-a.vcd", minutes_on=2.5), "capture 1-a.vcd, on for 2.5 minutes (cold)"),
        (Item(1, "", answer=Answer("pulses", "M1", 0)), "/M1 does not pulse"),
        (Item(1, "", "at the socket", answer=Answer("pulses", "M1", 0)), "/M1 does not pulse (at the socket)"),
        (Item(1, "", answer=Answer("pulses", "M1", 1)), "/M1 pulses"),
        (Item(1, "", answer=Answer("between", "A11-A12", 0.4)), "A11 to A12: 0.4 ohms"),
        (Item(1, "", answer=Answer("ohms", "D3", math.inf)), "D3: no way through (the meter shows an open line)"),
        (Item(1, "", answer=Answer("volts", "M1", 3.6, "connector")), "/M1: 3.6 V at the connector"),
        (Item(1, "", answer=Answer("supply", value=4.2)), "supply: 4.2 V"),
        (Item(1, "", answer=Answer("reseated", "cpu", fault="gone")), "reseated the CPU: the fault is gone"),
        (Item(1, "", file="captures/1-a.vcd", taken=Taken("", "no")), "capture 1-a.vcd"),
        (Item(1, "", file="1-a.vcd", taken=Taken("8M", "rising")), "capture 1-a.vcd, raw samples, one sample a clock, at its rising edge"),
        (Item(1, "", "new socket", answer=Answer("note")), "new socket"),
        (Item(1, "", "new socket", answer=Answer("note"), withdrawn="wrong machine"), "withdrawn: new socket"),
    ],
)
def test_what_an_entry_of_the_sheet_says(entry, words):
    assert item_words(entry) == words


def outputs(state):
    page = render_bench(View(state, (), 1, ()), Beginning(None, 8), "token")
    return render_markdown(state), render_page(state), page


def test_each_capture_stands_on_the_sheet_with_its_own_verdict(proven):
    state = judge_case(proven)
    verdicts = [change.verdict for change in state.changes]
    assert verdicts[0].startswith("/M1 (pin 27) is dead") and verdicts[1:3] == ["", ""]
    assert verdicts[3] == verdicts[4] != "" and "dead" not in verdicts[3]
    for text in outputs(state):
        assert text.count(verdicts[3]) >= 2 and "is dead" in text
    assert [item["verdict"] is None for item in document(state)["items"]] == [False, True, True, False, False]


def test_the_terminal_tells_the_verdict_of_each_capture(proven, capsys):
    main(["case", "show", str(proven.folder)])
    assert "-> /M1 (pin 27) is dead" in " ".join(capsys.readouterr().out.split())


def test_what_is_withdrawn_from_a_closed_case_takes_its_proof_along(proven, tmp_path):
    assert sum(read_experience([tmp_path / "shop"]).counts["fetch-strobe-missing"].values()) == 1
    gone = withdraw(withdraw(proven, 4, "another machine"), 5, "another machine")
    state = judge_case(gone)
    assert open_case(gone.folder) == gone and gone.closed.withdrawn_since == (4, 5) and not gone.closed.stands
    words = "closed as proven, and proven no longer: entries 4, 5 were withdrawn since, on which that rested"
    assert 'class="withdraw"' in outputs(judge_case(proven))[2]  # the page of a closed case takes it back as well
    for text in outputs(state):
        assert words in text and "(proven)" not in text
    assert document(state)["closed"]["proven"] is False
    assert "withdrawn after the case was closed" in state.changes[3].words and "rested on what was withdrawn" in state.step.why
    assert read_experience([tmp_path / "shop"]).counts == {}
    assert "NO LONGER PROVEN" in outputs(state)[2]


def test_a_proof_that_stands_without_what_was_withdrawn_says_so(proven):
    state = judge_case(withdraw(proven, 5, "another machine"))
    assert "(proven; entry 5 was withdrawn since, and what is left proves it still)" in render_markdown(state)
    assert document(state)["closed"]["proven"] is True and "rested on" not in state.step.why


def test_a_note_proves_nothing(proven):
    case = withdraw(proven, 3, "it was the old one")
    assert case.closed.stands and "(proven)" in render_markdown(judge_case(case))


def test_what_was_withdrawn_before_the_end_takes_nothing_along(proven, tmp_path):
    case = withdraw(back_at(proven.__class__(**{**proven.__dict__, "closed": None})), 5, "wrong clip")
    closed = close_case(case, "cpu", "U1", proven=True)
    assert closed.closed.stands and "(proven)" in render_markdown(judge_case(closed))


def test_the_command_says_so_and_the_survey_counts_it_so(proven, tmp_path, capsys):
    for number in (4, 5):
        assert main(["case", "withdraw", str(proven.folder), str(number), "--because", "wrong machine"]) == 0
    assert "proven no longer" in " ".join(capsys.readouterr().out.split())
    main(["survey", str(tmp_path / "shop"), "--json", str(tmp_path / "survey.json")])
    assert json.loads((tmp_path / "survey.json").read_text())["cases"][0]["proven"] == 0
