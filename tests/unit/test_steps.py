"""The next steps: each once, the surest first, and no lead asked for that is on already."""

from __future__ import annotations

import pytest

from strobewise.bus.lines import LINE, pin_text
from strobewise.bus.model import Finding
from strobewise.rules import CATALOGUE
from strobewise.rules.base import CAUTION_CLIP, CAUTION_LIVE, CAUTION_SOLDER
from strobewise.verdict.actions import CHIPS, action_of
from strobewise.verdict.steps import STEPS_SHOWN, apart, pins_in, steps, with_lines, without_captured

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
    assert [step.text for step in steps([found("a"), found("b"), found("a")], frozenset())] == ["a", "b"]
    assert len(steps([found(str(n)) for n in range(9)], frozenset())) == STEPS_SHOWN


@pytest.mark.parametrize("rule", CATALOGUE, ids=lambda rule: rule.id)
def test_no_rule_asks_for_what_is_there(rule):
    left = without_captured(rule.next_step, frozenset(LINE))
    if left is not None and " as well" in left:
        assert not any(f"{pin_text(name)} as well" in left for name in LINE)


def told(rule, *lines, severity="fault"):
    return Finding(rule.id, severity, lines, "cpu", 0.9, None, None, 1, "seen", rule.next_step, rule.caution)


def test_the_lead_comes_before_the_chips_whoever_is_likelier():
    chip = found("swap the chip with its neighbour")._replace(caution="c")
    lead = found("check the lead on a pin known to be live; then put a scope on /M1 (pin 27)")._replace(lines=("M1",), caution="c")
    said = steps([chip, lead], frozenset())
    assert [(step.power, step.text) for step in said] == [
        ("off, then on", "check the lead of /M1 (pin 27) on a pin known to be live"), ("on", "put a scope on /M1 (pin 27)"),
        ("off", "swap the chip with its neighbour"),
    ]  # fmt: skip
    assert [step.caution for step in said] == [CAUTION_CLIP, CAUTION_LIVE, CAUTION_SOLDER]
    assert [step.pins for step in said] == [(27,), (27,), ()]


@pytest.mark.parametrize(("step", "lines", "text"), [
    ("reseat the lead of this data line and capture again", ("D3",), "reseat the lead of D3 (pin 8) and capture again"),
    ("measure the line against ground", ("A6",), "measure A6 (pin 36) against ground"),
    ("check the lead for /IORQ", ("IORQ",), "check the lead for /IORQ"),
    ("measure the resistance between the two pins", ("D3", "D4"), "measure the resistance between D3 (pin 8) and D4 (pin 7)"),
    ("wiggle the chip", ("D3",), "for D3 (pin 8), wiggle the chip"),
    ("try a device known to be good", ("ROMDIS",), "try a device known to be good"),
    ("check the enables", ("D0", "D1", "D2"), "check the enables"),
])  # fmt: skip
def test_a_step_names_its_lines_with_their_pins(step, lines, text):
    assert with_lines(step, lines) == text


def test_one_line_that_is_on_already_is_left_out():
    step = "capture for longer, with /INT (pin 16), to see whether anything ends it"
    assert without_captured(step, frozenset(("INT",))) == "capture for longer to see whether anything ends it"
    assert without_captured(step, frozenset()) == step


@pytest.mark.parametrize("rule", [rule for rule in CATALOGUE if rule.severity != "note"], ids=lambda rule: rule.id)
def test_every_step_of_every_rule_is_one_action_of_a_known_kind(rule):
    """Whoever touches the machine is told of the power and warned first; what is to be taken out comes last."""
    lines = [name for name in rule.judges if name in LINE][:1]
    said = steps([told(rule, *lines)], frozenset())
    assert said
    for step in said:
        assert bool(step.caution) == bool(step.power), step
        assert not step.text.startswith("power off")  # the power is said of each, beside its text
        assert step.pins == tuple(sorted(pins_in([step.text])))
    costs = sorted(action_of(part).cost for part in apart(rule.next_step))
    assert len(said) == min(len(costs), STEPS_SHOWN) and costs[-1] <= CHIPS
