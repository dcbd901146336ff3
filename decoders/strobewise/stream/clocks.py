"""Clock edges as far as a sampler sees them: those hidden while it looked elsewhere are counted by the length of the gap."""

from __future__ import annotations

from typing import Callable, Optional

CLOCK_RESTS_T = 2.0  #: T-states without an edge from which a clock that is looked at does not run (our choice: a sample either way of one)
_BEHIND_A_REQUEST_T = 2.0  #: T-states behind the release of a request within which it is looked at again: a refresh takes 1.15


class Clocks:
    """Tells the rising clock edges of one stretch."""

    def __init__(self, tell: Callable[[int, int], None], t: float, last: Optional[int]) -> None:
        """tell: called with each edge and the clocks since the one before. t: length of a T-state. last: the last edge that was told."""
        self.last = last
        self.hidden: Optional[int] = None  #: edges may have passed since the last one, up to here
        self._tell = tell
        self._t = t
        self._rests = (CLOCK_RESTS_T + _BEHIND_A_REQUEST_T) * t

    def request(self, fall: int) -> None:
        """A request begins, and the clock was looked at up to here; where it rested, clocks are counted from here."""
        if self.last is not None and fall - max(self.last, self.hidden or 0) > self._rests:
            self.last = fall

    def edge(self, now: int) -> None:
        """Take a rising edge."""
        steps = 1  # also where it rested while it was looked at: for how long before that is not known
        if self.hidden is not None and self.last is not None and now - self.hidden < self._rests:
            steps = max(1, round((now - self.last) / self._t))
        self.hidden, self.last = None, now
        self._tell(now, steps)
