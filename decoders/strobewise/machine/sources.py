"""Who pulls the CPU's inputs: frame interrupt, push button, bus master, reset circuit. Times are counted in T-states."""

from __future__ import annotations

from typing import Optional, Sequence, Tuple

from ..bus.units import NEVER


class Source:
    """Something that pulls one active-low line and lets it go again."""

    line = ""
    due = NEVER  #: T-state of its next edge

    def fire(self) -> bool:
        """Make the edge that is due; return whether the line is pulled from now on."""
        raise NotImplementedError


class PulseTrain(Source):
    """Pulls its line for a while, once or at regular intervals."""

    def __init__(self, line: str, first: int, hold: int, period: Optional[int] = None) -> None:
        self.line = line
        self.due = first
        self.hold = hold
        self.period = period
        self._next = first
        self._pulling = False

    def fire(self) -> bool:
        self._pulling = not self._pulling
        if self._pulling:
            self.due = self._next + self.hold
        elif self.period is None:
            self.due = NEVER
        else:
            self._next += self.period
            self.due = self._next
        return self._pulling


class Button(Source):
    """Pulls its line at given moments, as a finger or a device does."""

    def __init__(self, line: str, presses: Sequence[Tuple[int, int]]) -> None:
        """presses: (T-state, how long) of each."""
        self.line = line
        self._edges = sorted(edge for start, hold in presses for edge in ((start, True), (start + hold, False)))
        self._done = 0
        self.due = self._edges[0][0] if self._edges else NEVER

    def fire(self) -> bool:
        pulled = self._edges[self._done][1]
        self._done += 1
        self.due = self._edges[self._done][0] if self._done < len(self._edges) else NEVER
        return pulled


class BusMaster(Source):
    """Asks for the bus at regular intervals and keeps it for a number of T-states once it is granted."""

    line = "BUSREQ"

    def __init__(self, first: int, period: Optional[int], hold: int) -> None:
        self.due = first
        self.period = period
        self.hold = hold
        self._next = first
        self._pulling = False

    def fire(self) -> bool:
        self._pulling = not self._pulling
        if self._pulling:
            self.due = NEVER  # until it sees the grant
        elif self.period is None:
            self.due = NEVER
        else:
            while self._next <= self.due:
                self._next += self.period
            self.due = self._next
        return self._pulling

    def granted(self, now: int) -> None:
        """See /BUSACK low."""
        if self._pulling and self.due == NEVER:
            self.due = now + self.hold
