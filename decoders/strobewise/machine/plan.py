"""A run that is being prepared: the parts of a healthy machine, which faults then change before it starts."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Dict, List, Optional, Tuple

from .analyser import Lead, Skew
from .bench import Activity
from .board import Bank, Defects
from .device import Pager
from .sources import Source
from .wiring import LineCondition


@dataclass
class Plan:
    """Everything that a run is made of and a fault may touch. Times are in T-states unless the name says otherwise."""

    period: int  #: clock period, picoseconds
    end: int
    banks: List[Bank]
    pager: Optional[Pager]
    sources: List[Source]
    lines: Tuple[str, ...]  #: captured
    sample_hz: int
    start_ps: int  #: of the capture
    duration_ps: int
    retention: int
    rng: random.Random
    jitter: int = 0  #: picoseconds
    clock_stops_at: Optional[int] = None
    clock_rests_at: int = 0  #: the level that a dead clock line shows
    activities: List[Activity] = field(default_factory=list)
    shorts: List[Tuple[str, str]] = field(default_factory=list)
    faulty_board: bool = False
    defects: Defects = field(default_factory=Defects)
    leads: List[Lead] = field(default_factory=list)
    swapped: List[Tuple[str, str]] = field(default_factory=list)
    skews: Dict[str, Skew] = field(default_factory=dict)
    glitches_per_s: float = 0.0
    bounce: int = 0
    gaps: List[Tuple[int, int]] = field(default_factory=list)  #: samples from, to
    gaps_close: bool = False

    def t_states(self, seconds: float) -> int:
        return round(seconds * 1e12 / self.period)

    def condition(self, line: str, level: str, at: str, intervals: Optional[Tuple[Tuple[int, int], ...]] = None) -> None:
        """Put a condition on a line, on the board or at its lead."""
        if at == "probe":
            if line in self.lines:
                self.leads.append(Lead(line, "off" if level == "float" else level))
            return
        self.activities.append(Activity(LineCondition(line, level, at), intervals))
        self.faulty_board = True

    def some_banks(self, kind: str, start: int, end: int) -> List[Bank]:
        """Return the banks of a kind that touch a range, split so that none reaches beyond it."""
        found = []
        for bank in list(self.banks):
            if bank.kind != kind or bank.end < start or bank.start > end:
                continue
            inside = self._cut(bank, max(start, bank.start), min(end, bank.end))
            found.append(inside)
        self.faulty_board = True
        return found

    def _cut(self, bank: Bank, start: int, end: int) -> Bank:
        """Split a bank at a range's ends; return the part inside."""
        cuts = sorted({bank.start, start, end + 1, bank.end + 1})
        parts = []
        for first, after in zip(cuts, cuts[1:]):
            part = Bank(bank.kind, first, after - 1, bank.contents[first - bank.start : after - bank.start])
            part.present, part.alias = bank.present, bank.alias
            part.open_address, part.open_data = list(bank.open_address), bank.open_data
            part.stuck_high, part.stuck_low = bank.stuck_high, bank.stuck_low
            part.multiplexed = bank.multiplexed
            part.weak, part.weak_probability, part.fought_probability = bank.weak, bank.weak_probability, bank.fought_probability
            part.forgets_at, part.forgotten_share = bank.forgets_at, bank.forgotten_share
            part.late_probability, part.retention_t_states = bank.late_probability, bank.retention_t_states
            parts.append(part)
        at = self.banks.index(bank)
        self.banks[at : at + 1] = parts
        return next(part for part in parts if part.start == start)

    def watch_refresh(self) -> None:
        """Let the RAM's cells run empty where their rows are not refreshed in time."""
        self.faulty_board = True
        for bank in self.banks:
            if bank.kind == "ram":
                bank.retention_t_states = self.retention

