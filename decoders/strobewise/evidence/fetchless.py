"""The longest run of requests in which no opcode is fetched."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..records.evidence import REFRESH_CLASS

_FETCH = KIND_INDEX["opcode_fetch"]


class FetchlessRuns:
    """Follows the requests between two fetches, refreshes aside, batch after batch."""

    def __init__(self) -> None:
        self.longest = 0
        self.begins: int | None = None  #: tick of its first request
        self._run = 0
        self._last: int | None = None  #: tick of the last request

    def feed(
        self, fall: npt.NDArray[np.int64], classes: npt.NDArray[np.uint8], untold: npt.NDArray[np.bool_], blind: Iterable[tuple[int, int]]
    ) -> None:
        """Take the requests of a batch, one at least: where they begin, ticks, and their classes.

        untold: those that may be fetches, for all that is known of their strobes. blind: stretches in which fetches may have gone by
        unseen; a run never reaches across one.
        """
        at = np.flatnonzero(classes != REFRESH_CLASS)
        fall = fall[at]
        ends = (classes[at] == _FETCH) | untold[at]
        for low, high in blind:
            behind = int(np.searchsorted(fall, high))
            ends[int(np.searchsorted(fall, low)) : behind] = True
            if behind < len(at) and (behind or self._last is None or self._last < high):
                ends[behind] = True
        self._last = int(fall[-1]) if len(at) else self._last
        self._follow(fall, np.flatnonzero(ends))

    def _follow(self, fall: npt.NDArray[np.int64], ends: npt.NDArray[np.intp]) -> None:
        if not len(ends):
            self._run += len(fall)
            if self._run > self.longest:
                self.longest, self.begins = self._run, int(fall[0])
            return
        lengths = np.diff(np.r_[-1 - self._run, ends]) - 1
        k = int(lengths.argmax())
        if lengths[k] > self.longest:
            self.longest = int(lengths[k])
            self.begins = int(fall[max(0, int(ends[k]) - int(lengths[k]))])
        self._run = len(fall) - 1 - int(ends[-1])
