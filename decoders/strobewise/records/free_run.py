"""What a free run shows: a CPU whose data lines are held at 00h (NOP) walks up through all addresses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, NamedTuple, Optional, Tuple


class CountedLine(NamedTuple):
    """One address line, as the fetches show it."""

    line: str
    state: str  #: counts, high, low, as (it changes as another should), joined (it is always alike with another), wrong, too short
    other: Optional[str]  #: that other line
    changes: int  #: between one fetch and the next
    every: int  #: fetches after which it should change


@dataclass
class FreeRunRecord:
    """A free run, as the user says that it is one."""

    fetches: int
    lines: List[CountedLine] = field(default_factory=list)  #: the captured address lines
    data_high: Tuple[Tuple[str, int], ...] = ()  #: data lines that were not low, and in how many fetches
    others: int = 0  #: machine cycles that are no fetches: a free run has none
    round_s: Optional[float] = None  #: how long the CPU takes to come round once

    @property
    def not_counting(self) -> List[CountedLine]:
        """Lines that do not change as they should."""
        return [each for each in self.lines if each.state not in ("counts", "too short")]
