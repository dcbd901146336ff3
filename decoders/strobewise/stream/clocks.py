"""Clock edges as far as a sampler sees them: those hidden while it looked elsewhere are counted by the length of the gap."""

from __future__ import annotations

from typing import Callable, Optional


class Clocks:
    """Tells the rising clock edges of one stretch."""

    def __init__(self, tell: Callable[[int, int], None], t: float, last: Optional[int]) -> None:
        """tell: called with each edge and the clocks since the one before. t: length of a T-state. last: the last edge that was told."""
        self.last = last
        self.hidden = False  #: edges may have passed since
        self._tell = tell
        self._t = t

    def edge(self, now: int) -> None:
        """Take a rising edge."""
        steps = 1
        if self.hidden and self.last is not None:
            steps = max(1, round((now - self.last) / self._t))
        self.hidden, self.last = False, now
        self._tell(now, steps)
