"""What breaks off the row of machine cycles: bus grants, resets, the beginning of the capture. The twin of cycles/breaks.py."""

from __future__ import annotations

from collections import deque
from typing import Deque, List, Tuple

from ..bus.semantics import RESET_SETTLES_T, UNSEEN_BEFORE_T
from ..bus.units import NEVER


class Breaks:
    """Holds the grants and resets that requests still to come may touch; ticks."""

    def __init__(self, t: float) -> None:
        """t: ticks in a T-state."""
        self.began = -NEVER  #: first tick of the capture
        self.spans: Deque[List[int]] = deque()  #: where one began, where it ended (NEVER: it lasts), for how long it counts
        self._settles = round(RESET_SETTLES_T * t)
        self._unseen = round(UNSEEN_BEFORE_T * t)

    def granted(self, fall: int) -> None:
        """/BUSACK went low."""
        self.spans.append([fall, NEVER, NEVER])

    def taken_back(self, rise: int) -> None:
        """/BUSACK went high."""
        self._over(rise, grant=True)

    def reset(self, fall: int) -> None:
        """/RESET went low."""
        self.spans.append([fall, NEVER, fall + self._settles])

    def reset_over(self, rise: int) -> None:
        """/RESET went high."""
        self._over(rise, grant=False)

    def _over(self, end: int, grant: bool) -> None:
        for span in self.spans:
            if span[1] == NEVER and (span[2] == NEVER) == grant:
                span[1] = end

    def cut(self, start: int, fall: int, rise: int) -> Tuple[bool, bool, bool]:
        """Say whether a request is cut off, whether it began in a reset (T1 at `start`), and whether it fell in one.

        Requests come in order of their assert edges.
        """
        spans = self.spans
        while spans and min(spans[0][1], spans[0][2]) < fall:
            spans.popleft()
        cut, begun_in_reset, in_reset = start < self.began + self._unseen, False, False
        for low, high, counts in spans:
            until = min(high, counts)
            if low < rise and until > fall:
                cut = True
                if counts != NEVER:
                    begun_in_reset = begun_in_reset or low <= start < until
                    in_reset = in_reset or low <= fall
        return cut, begun_in_reset, in_reset
