"""A machine that falls silent although its program goes on: who can have stopped it, by the levels that it left behind."""

from __future__ import annotations

from typing import Iterator, Tuple

from ..machine.faults import Fault, fault
from ..records.evidence import BusEvidence
from .observed import Observed

SILENT_T = 300.0  #: T-states without a request: no instruction is that long, and no ordinary bus master holds on so long (common practice)


def silent_since(seen: Observed, evidence: BusEvidence) -> float | None:
    """Return when the machine fell silent for the rest of the capture, None where it did not, or where nobody can tell."""
    if seen.truncated or not evidence.clock.hz or not len(seen):
        return None
    return seen.last_s if (evidence.end_s - seen.last_s) * evidence.clock.hz > SILENT_T else None


def who_stopped_it(seen: Observed, evidence: BusEvidence) -> Iterator[Tuple[Fault, str]]:
    """Yield the faults that stop a machine and that the captured levels allow, each with its place."""
    in_cycle = any(evidence.line(name).asserted_last for name in ("MREQ", "IORQ") if evidence.has(name))
    stopped_clock = _clock_stopped(evidence)
    held = [line for line in ("RESET", "BUSREQ", "WAIT") if evidence.has(line) and evidence.line(line).asserted_last]
    if stopped_clock is not True:
        for line, in_a_cycle in (("RESET", False), ("BUSREQ", False), ("WAIT", True)):
            if (held and line not in held) or (evidence.has(line) and line not in held):
                continue
            if in_cycle != in_a_cycle and not evidence.has(line):
                continue
            if line == "BUSREQ" and evidence.has("BUSACK") and not evidence.line("BUSACK").asserted_last:
                continue
            yield fault(f"{line.lower()}-held"), "line"
    if stopped_clock is not False and not held:
        yield fault("clock-dead"), "line"


def _clock_stopped(evidence: BusEvidence) -> bool | None:
    """Say whether CLK stands still when the machine does, None where it was not captured."""
    if not evidence.has("CLK"):
        return None
    last = evidence.clock.last_edge_s
    return last is None or (evidence.end_s - last) * (evidence.clock.hz or 0.0) > SILENT_T / 2
