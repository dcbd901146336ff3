"""Where a strobe is missing that its request calls for: the first and last time, and the stretches in which it is missing throughout."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..records.evidence import Burst, StrobeCount
from ..records.strobes import BURST

KEPT = 4096  #: bursts kept


class Missing:
    """Follows one strobe over the requests that call for it, batch after batch."""

    def __init__(self) -> None:
        self.count = 0  #: requests in a row that miss it, up to now
        self._start = self._end = 0  # of these, ticks
        self._span: tuple[int, int] | None = None
        self._bursts: list[tuple[int, int, int]] = []

    def feed(self, fall: npt.NDArray[np.int64], missing: npt.NDArray[np.bool_]) -> None:
        """Take requests that call for the strobe: when they begin (ticks), and whether they miss it."""
        at = np.flatnonzero(missing)
        if not len(at):
            if len(fall):
                self.close()
            return
        self._span = (self._span[0] if self._span else int(fall[at[0]]), int(fall[at[-1]]))
        breaks = np.flatnonzero(np.diff(at) > 1)
        firsts, lasts = np.r_[at[0], at[breaks + 1]], np.r_[at[breaks], at[-1]]
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            if first:
                self.close()
            if not self.count:
                self._start = int(fall[first])
            self.count += last - first + 1
            self._end = int(fall[last])
        if lasts[-1] < len(fall) - 1:
            self.close()

    def close(self) -> None:
        """Take a request that shows it."""
        if self.count >= BURST and len(self._bursts) < KEPT:
            self._bursts.append((self.count, self._start, self._end))
        self.count = 0

    def fill(self, count: StrobeCount, tick_s: float) -> None:
        """Tell what was seen up to now."""
        if self._span is not None:
            count.first_missing_s, count.last_missing_s = (tick * tick_s for tick in self._span)
        lasting = [(self.count, self._start, self._end)] if self.count >= BURST else []
        count.bursts = [Burst(number, start * tick_s, end * tick_s) for number, start, end in (*self._bursts, *lasting)]
