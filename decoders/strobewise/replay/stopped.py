"""A machine that falls silent although its program goes on: who can have stopped it, by the levels that it left behind."""

from __future__ import annotations

from typing import Iterator, List, Tuple

from ..machine.faults import Fault, fault
from ..records.evidence import BusEvidence
from .observed import Observed

SILENT_T = 300.0  #: T-states without a request: no instruction is that long, and no ordinary bus master holds on so long (common practice)


def silent_since(seen: Observed, evidence: BusEvidence) -> float | None:
    """Return when the machine fell silent for the rest of the capture, None where it did not, or where nobody can tell."""
    if seen.truncated or not evidence.clock.hz or not len(seen):
        return None
    return seen.last_s if (evidence.end_s - seen.last_s) * evidence.clock.hz > SILENT_T else None


def who_stopped_it(seen: Observed, evidence: BusEvidence) -> Iterator[Tuple[Fault, str, int]]:
    """Yield the faults that stop a machine and that the captured levels allow, with their place and how well they do: 1, 2.

    A bus request and a reset leave all strobes at rest. A clock that stops does so once in four times (/M1 and /MREQ are both high for 1
    of the 4 T-states of a fetch and for 1 of the 3 of another access, UM0080), so it explains that less well.
    """
    in_cycle = any(evidence.line(name).asserted_last for name in ("MREQ", "IORQ") if evidence.has(name))
    between = not in_cycle and not (evidence.has("M1") and evidence.line("M1").asserted_last)
    stopped_clock = _clock_stopped(evidence)
    held = [line for line in ("RESET", "BUSREQ", "WAIT") if evidence.has(line) and evidence.line(line).asserted_last]
    found: List[str] = []
    if stopped_clock is not True:
        for line, in_a_cycle in (("RESET", False), ("BUSREQ", False), ("WAIT", True)):
            if (held and line not in held) or (evidence.has(line) and line not in held):
                continue
            if (in_cycle if in_a_cycle else between) is False and not evidence.has(line):
                continue
            if line == "BUSREQ" and evidence.has("BUSACK") and not evidence.line("BUSACK").asserted_last:
                continue
            found.append(line)
    for line in found:
        yield fault(f"{line.lower()}-held"), "line", 1
    if stopped_clock is not False and not held:
        yield fault("clock-dead"), "line", 2 if between and found and stopped_clock is None else 1


def _clock_stopped(evidence: BusEvidence) -> bool | None:
    """Say whether CLK stands still when the machine does, None where it was not captured."""
    if not evidence.has("CLK"):
        return None
    last = evidence.clock.last_edge_s
    return last is None or (evidence.end_s - last) * (evidence.clock.hz or 0.0) > SILENT_T / 2
