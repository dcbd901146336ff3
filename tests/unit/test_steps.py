"""The next steps: each once, the surest first, and no lead asked for that is on already."""

from __future__ import annotations

import pytest

from strobewise.bus.lines import LINE, pin_text
from strobewise.bus.model import Finding
from strobewise.rules import CATALOGUE
from strobewise.verdict.steps import STEPS_SHOWN, steps, without_captured

FOUR = "capture again with CLK (pin 6), /RESET (pin 26), /WAIT (pin 24) and /BUSREQ (pin 25) as well"


def found(step):
    return Finding("a", "fault", (), "cpu", 0.9, None, None, 1, "seen", step)


@pytest.mark.parametrize(("captured", "text"), [
    (set(), FOUR),
    ({"M1"}, FOUR),
    ({"CLK", "WAIT"}, "capture again with /RESET (pin 26) and /BUSREQ (pin 25) as well"),
    ({"CLK", "WAIT", "RESET"}, "capture again with /BUSREQ (pin 25) as well"),
    ({"CLK", "WAIT", "RESET", "BUSREQ"}, None),
])  # fmt: skip
def test_no_lead_is_asked_for_that_is_on_already(captured, text):
    assert without_captured(FOUR, frozenset(captured)) == text


def test_what_follows_the_leads_stays():
    step = "capture again with /BUSACK (pin 23) as well; if no other master has the bus, look at the clock"
    assert without_captured(step, frozenset(("BUSACK",))) == "if no other master has the bus, look at the clock"
    seen = "clip CLK (pin 6) as well, so that it can be seen"
    assert without_captured(seen, frozenset()) == seen and without_captured(seen, frozenset(("CLK",))) is None


def test_one_line_is_not_taken_for_another():
    step = "clip A1 (pin 31) and A10 (pin 40) as well"
    assert without_captured(step, frozenset(("A1",))) == "clip A10 (pin 40) as well"


def test_each_once_and_not_too_many():
    assert steps([found("a"), found("b"), found("a")], frozenset()) == ("a", "b")
    assert len(steps([found(str(n)) for n in range(9)], frozenset())) == STEPS_SHOWN


@pytest.mark.parametrize("rule", CATALOGUE, ids=lambda rule: rule.id)
def test_no_rule_asks_for_what_is_there(rule):
    left = without_captured(rule.next_step, frozenset(LINE))
    if left is not None and " as well" in left:
        assert not any(f"{pin_text(name)} as well" in left for name in LINE)
