"""What an expansion device that pages on opcode fetches was asked, and what it answered."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, Optional

SLACK_T = 1.5  #: T-states of grace: the trigger is seen when /MREQ falls, half a T-state into the fetch, and edges are known to a sample


@dataclass
class Trigger:
    """One fetch at a trigger address."""

    time_s: float
    address: int
    strobed: Optional[bool]  #: with /M1 asserted; None when /M1 was not captured
    answer_s: Optional[float]  #: delay of the answer, 0 when the line was active before
    held: bool  #: the line was active before


@dataclass
class PagingRecord:
    """What happened to one device, or paging arrangement of the profile."""

    name: str
    line: str  #: on which the device answers
    within_t: int
    triggers: List[Trigger] = field(default_factory=list)
    released: int = 0  #: fetches in the release range that the line answered
    not_released: int = 0  #: such fetches after which it stayed active
    let_go_alone: int = 0  #: times it went inactive with no such fetch before
    let_go_alone_s: Optional[float] = None
    same_content: int = 0  #: addresses that read alike while the device asked for the host's ROM to be off and while it did not
    compared_content: int = 0  #: addresses read in both states
    mixed_zeros: int = 0  #: bits that were low with the device off, of the addresses not alike: each could show high by chance
    mixed_content: int = 0  #: of those not alike, with no bit high that is low with the device off (two drivers, low wins)

    @property
    def fresh(self) -> List[Trigger]:
        """Triggers that called for an answer: the line was not active yet."""
        return [trigger for trigger in self.triggers if not trigger.held]
