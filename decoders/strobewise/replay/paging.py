"""An expansion device that does not page as it should, told beside the program that it should have paged for.

What the device was asked and what it answered is the evidence's paging record; here it is said only where all else goes as the program
says, so that nothing but the device is left.
"""

from __future__ import annotations

from typing import Optional

from ..bus.lines import ADDRESS, BIT
from ..machine.faults import Fault, fault
from ..records.evidence import BusEvidence
from ..records.replay import Candidate, ReplayRecord
from .healthy import Run
from .known import Program
from .observed import FETCH, Observed

SILENT = "device-silent"
LEAST = 2  #: times that a device must have failed
ANSWERS_WITHIN = 5  #: cycles from the one that asks on, of three T-states at least: more than a device is given


def judge_by_program(record: ReplayRecord, seen: Observed, program: Program, run: Run) -> None:
    """Name a device that never answers, where no address lead shows when it was asked, but the program does.

    The control lines of a cycle are those at the moment when its data move: an answer to a fetch is there in one of the next cycles.
    """
    if seen.captured.issuperset(ADDRESS) or "M1" not in seen.captured:
        return
    for paging in program.paging:
        if paging.responds_on not in seen.captured or paging.responds_on not in BIT:
            continue
        active = [control >> BIT[paging.responds_on] & 1 == paging.active for control in seen.control]
        asked = [p.row for p in run.outcome.log if p.kind == FETCH and p.address in paging.fetch_at and not active[p.row]]
        asked = [row for row in asked if row + ANSWERS_WITHIN <= len(active)]
        if len(asked) < LEAST or any(any(active[row : row + ANSWERS_WITHIN]) for row in asked):
            continue
        found = fault(SILENT)
        who = found.suspects
        record.hypotheses += 1
        record.candidates.append(Candidate(1, found.kind, "port", found.lines, None, (), who[0], who, record.cycles))
        record.explains_all, record.device_s = True, seen.start_s[asked[0]]
        return


def blame_the_way(record: ReplayRecord, evidence: BusEvidence) -> None:
    """Add that the device may never see the fetches: a lead at the CPU says nothing of the way to the port."""
    first = record.candidates[0] if record.device_s is not None and record.candidates else None
    if first is None or first.fault != SILENT or evidence.probe_at.get("M1", "cpu") == "connector":
        return
    lost = fault("dead-high", line="M1", at="connector")
    record.candidates.append(Candidate(1, lost.kind, "connector", lost.lines, None, (), lost.suspects[0], lost.suspects, record.cycles))


def judge_paging(record: ReplayRecord, evidence: BusEvidence) -> None:
    """Name a device that never answers or never lets go beside a program that runs as it should."""
    for paging in evidence.pagings:
        if not evidence.has(paging.line):
            continue
        asked = [trigger for trigger in paging.fresh if trigger.strobed]
        found: Optional[Fault] = None
        if len(asked) >= LEAST and all(trigger.answer_s is None for trigger in asked):
            found, first_s = fault(SILENT), asked[0].time_s
        elif paging.not_released >= LEAST and not paging.released:
            found, first_s = fault("device-never-leaves"), record.begin_s
        if found is None:
            continue
        record.hypotheses += 2
        who = found.suspects
        record.candidates.append(Candidate(1, found.kind, "port", found.lines, None, (), who[0], who, record.cycles))
        record.explains_all, record.device_s = True, first_s
        return
