"""An expansion device that does not page as it should, told beside the program that it should have paged for.

What the device was asked and what it answered is the evidence's paging record; here it is said only where all else goes as the program
says, so that nothing but the device is left.
"""

from __future__ import annotations

from typing import Optional

from ..machine.faults import Fault, fault
from ..records.evidence import BusEvidence
from ..records.replay import Candidate, ReplayRecord

LEAST = 2  #: times that a device must have failed


def judge_paging(record: ReplayRecord, evidence: BusEvidence) -> None:
    """Name a device that never answers or never lets go beside a program that runs as it should."""
    for paging in evidence.pagings:
        if not evidence.has(paging.line):
            continue
        asked = [trigger for trigger in paging.fresh if trigger.strobed]
        found: Optional[Fault] = None
        if len(asked) >= LEAST and all(trigger.answer_s is None for trigger in asked):
            found, first_s = fault("device-silent"), asked[0].time_s
        elif paging.not_released >= LEAST and not paging.released:
            found, first_s = fault("device-never-leaves"), record.begin_s
        if found is None:
            continue
        record.hypotheses += 2
        who = found.suspects
        record.candidates.append(Candidate(1, found.kind, "port", found.lines, None, (), who[0], who, record.cycles))
        record.explains_all, record.device_s = True, first_s
        return
