"""What to do next: one action a step with its lines, the cheapest first, each once, and none that asks for a line which has its lead."""

from __future__ import annotations

import re
from typing import Dict, FrozenSet, Iterator, List, Optional, Sequence, Tuple

from ..bus.lines import LINE, bar, pin_text
from ..bus.model import Finding, Step
from .actions import action_of
from .words import chips_named

STEPS_SHOWN = 4  #: next steps that are shown: after a few of them another capture says more

_LINE = "|".join(sorted((re.escape(bar(name)) for name in LINE), key=len, reverse=True))
_NAMED = rf"(?:{_LINE})(?: \(pin \d+\))?"
#: A request for more leads, as the rules word it: "with CLK (pin 6) and /WAIT (pin 24) as well", "clip /RESET (pin 26) as well".
_AS_WELL = re.compile(rf"(?P<verb>with|clip) (?P<lines>{_NAMED}(?:(?:, | and ){_NAMED})*) as well")
_WITH_ONE = re.compile(rf", with (?P<line>{_LINE})(?: \(pin \d+\))?,")
#: Where one step of a rule's advice ends and the next one begins.
_VERBS = (
    "measure|power|put|scope|inspect|take|try|wiggle|look|check|reseat|move|swap|unplug|capture|read|clip|see|clean|test|compare|find|replace"
)
_THEN = re.compile(rf"(?:(?:; |, )(?:only )?then |; )(?=(?:{_VERBS})\b)")
_PIN = re.compile(r"\bpins? (\d{1,2})(?:(?:,| and) (?:pin )?(\d{1,2}))?")
#: What a rule calls its line where it stands for several, the most telling first, and what takes its place.
_STANDS_FOR = (
    (re.compile(r"\b(?:this|the) (?:data |address )?line's lead\b"), "the lead of {}"),
    (re.compile(r"\bthis (?:data |address )?line\b"), "{}"),
    (re.compile(r"\bthe (?:data |address )?line\b"), "{}"),
    (re.compile(r"\bthe two pins\b"), "{}"),
    (re.compile(r"\bthe lead\b(?! (?:of|for|labelled|sits))"), "the lead of {}"),
)
#: What a rule calls the chip of its finding.
_CHIP_MEANT = re.compile(r"\bthe chip of that bit in that bank|\bthe suspect chip\b|\bthe (?P<kind>ROM)\b")
_OFF = re.compile(r"^power off and |, power off(?=, and)|, power off$")  #: what is said of every such step
LINES_NAMED = 2  #: a step about more lines than that says so in its own words


def steps(findings: Sequence[Finding], captured: FrozenSet[str]) -> Tuple[Step, ...]:
    """Return the next steps. findings: the likeliest fault first. captured: lines that have their lead.

    What costs least comes first, leads before chips; of equal cost the likelier fault's.
    """
    told: List[Step] = []
    costs: Dict[str, int] = {}
    for finding in findings:
        advice = without_captured(finding.next_step, captured)
        if not advice:
            continue
        for part in apart(advice):
            action = action_of(part)
            text = _OFF.sub("", part) if action.power == "off" else part
            text = with_chip(text, finding) or with_lines(text, finding.lines)
            step = Step(text, action.power, action.caution, tuple(sorted(pins_in([text]))))
            if text not in costs:
                costs[text] = action.cost
                told.append(step)
    told.sort(key=lambda step: costs[step.text])  # a stable sort: the likelier fault stays before the other one
    return tuple(told[:STEPS_SHOWN])


def apart(advice: str) -> Iterator[str]:
    """Yield the single actions of a rule's advice."""
    yield from (part for part in _THEN.split(advice) if part)


def with_lines(step: str, lines: Sequence[str]) -> str:
    """Return a step that names its lines with their pins, where it spoke of "the line" only."""
    named = any(re.search(rf"(?<![\w/]){re.escape(bar(name))}(?!\w)", step) for name in lines)
    if not 0 < len(lines) <= LINES_NAMED or named or pins_in([step]):
        return step
    names = " and ".join(pin_text(name) for name in lines)
    for words, instead in _STANDS_FOR:
        if words.search(step):
            return words.sub(instead.format(names), step, count=1)
    return f"for {names}, {step}" if pins_in([names]) else step


def with_chip(step: str, finding: Finding) -> str:
    """Return a step that names the memory chip of a finding, and no pin of the CPU for its line; empty where it names no chip."""
    chips = chips_named(finding)
    if not chips:
        return ""
    line = f" ({bar(finding.lines[0])})" if len(finding.lines) == 1 else ""
    return _CHIP_MEANT.sub(lambda match: f"the {match['kind'] or 'chip'} {', '.join(chips)}{line}", step, count=1)


def pins_in(texts: Sequence[str]) -> FrozenSet[int]:
    """Return the pins that sentences name as "pin 27" or "pins 36 and 37"."""
    found = {int(number) for text in texts for match in _PIN.finditer(text) for number in match.groups() if number}
    return frozenset(number for number in found if 1 <= number <= 40)


def without_captured(step: str, captured: FrozenSet[str]) -> Optional[str]:
    """Return a step without the leads that are on already; None where it asks for nothing else."""
    step = _WITH_ONE.sub(lambda match: "" if match["line"].lstrip("/") in captured else match[0], step)
    match = _AS_WELL.search(step)
    if match is None:
        return step
    asked = [name for name in LINE if re.search(rf"(?<![\w/]){re.escape(bar(name))}(?!\w)", match["lines"])]
    wanted = [name for name in asked if name not in captured]
    if wanted == asked:
        return step
    if not wanted:
        _, _, rest = step[match.end() :].partition("; ")
        return rest or None  # what followed a comma was about the leads
    names = [pin_text(name) for name in wanted]
    listed = names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
    return f"{step[: match.start()]}{match['verb']} {listed} as well{step[match.end() :]}"
