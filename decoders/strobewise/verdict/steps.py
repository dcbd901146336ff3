"""What to do next: the surest finding's step first, each once, and none that asks for a line which was captured already."""

from __future__ import annotations

import re
from typing import FrozenSet, List, Optional, Sequence, Tuple

from ..bus.lines import LINE, bar, pin_text
from ..bus.model import Finding

STEPS_SHOWN = 4

_LINE = "|".join(sorted((re.escape(bar(name)) for name in LINE), key=len, reverse=True))
_NAMED = rf"(?:{_LINE})(?: \(pin \d+\))?"
#: A request for more leads, as the rules word it: "with CLK (pin 6) and /WAIT (pin 24) as well", "clip /RESET (pin 26) as well".
_AS_WELL = re.compile(rf"(?P<verb>with|clip) (?P<lines>{_NAMED}(?:(?:, | and ){_NAMED})*) as well")


def steps(findings: Sequence[Finding], captured: FrozenSet[str]) -> Tuple[str, ...]:
    """Return the next steps. findings: in the order in which their steps are to be taken. captured: lines that have their lead."""
    told: List[str] = []
    for finding in findings:
        step = without_captured(finding.next_step, captured)
        if step and step not in told:
            told.append(step)
    return tuple(told[:STEPS_SHOWN])


def without_captured(step: str, captured: FrozenSet[str]) -> Optional[str]:
    """Return a step without the leads that are on already; None where it asks for nothing else."""
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
