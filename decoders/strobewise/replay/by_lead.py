"""A strobe that fails, as its own lead shows: the board sees it cycle by cycle as it was captured, and the machine goes where that leads.

Other than the faults of the catalogue, this one need not be there from the begin on, nor all the time: a driver that dies, floats or comes
and goes leads the machine astray just where its lead says.
"""

from __future__ import annotations

from typing import List, NamedTuple, Optional

from ..bus.lines import BIT
from ..bus.model import KINDS
from ..machine.faults import fault
from ..records.replay import Candidate
from .board import FF, HELD
from .healthy import Run, run_course, run_healthy
from .known import Program
from .observed import ANY, Observed
from .timed import LeadBoard, due_level

DRIVEN = ("MREQ", "IORQ", "RD", "WR")  #: the strobes that the memory and the ports follow
LEAST_WRONG = 8  #: cycles in which the lead must contradict a healthy CPU
GAIN = 24  #: cycles that the strobe must explain beyond the healthy machine


class Driven(NamedTuple):
    """A machine whose board sees one strobe as its lead shows it."""

    run: Run
    healthy_matched: int
    first_wrong: int  #: cycle in which the lead contradicts a healthy CPU first
    level: str  #: what it shows then: high, low or float


def follow_lead(seen: Observed, program: Program, name: str, full_share: float) -> Optional[Driven]:
    """Return the machine that follows a strobe's lead, None where that does not explain the capture.

    seen: the cycles as they are with that lead left out.
    """
    healthy = run_healthy(seen, program)
    if healthy is None or seen.found_by is None:
        return None
    begin = healthy.setting.begin
    runs = [
        run_course(seen, LeadBoard(program.regions, name, seen.control, undriven), healthy.setting)
        for undriven in ((FF, HELD, None) if any(seen.data_mask) else (FF, HELD))
    ]
    best = max(runs, key=lambda run: run.outcome.matched)
    if best.outcome.matched < max(full_share * (len(seen) - begin), healthy.outcome.matched + GAIN):
        return None
    wrong = _wrong(seen, best, name)
    if len(wrong) < LEAST_WRONG:
        return None
    levels = {seen.control[row] >> BIT[name] & 1 for row in wrong}
    return Driven(best, healthy.outcome.matched, wrong[0], "float" if len(levels) > 1 else "high" if levels == {1} else "low")


def _wrong(seen: Observed, run: Run, name: str) -> List[int]:
    """Return the cycles in which a lead is not at the level that a healthy CPU gives it."""
    shown = [p for p in run.outcome.log if p.row < len(seen) and seen.kinds[p.row] != ANY]
    return [p.row for p in shown if seen.control[p.row] >> BIT[name] & 1 != due_level(KINDS[p.kind], name)]


def candidates_of(name: str, level: str, matched: int) -> List[Candidate]:
    """Return the strobe as a candidate, at the CPU and at its lead."""
    kind = {"high": "dead-high", "low": "dead-low", "float": "floating"}[level]
    made = [(place, fault(kind, line=name, at=place)) for place in ("cpu", "probe")]
    return [Candidate(1, kind, place, one.lines, None, (), one.suspects[0], one.suspects, matched) for place, one in made]

