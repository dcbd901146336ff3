"""The course of missing strobes within one capture, gathered in the one pass."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT, STROBES
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..evidence.part import Part
from ..profile.options import Options
from ..records.evidence import CLASSES, EXPECTED

Int = npt.NDArray[np.int64]

GRAIN = 512  #: requests counted together: fine enough for a dozen slices of a short capture
SLICES = 12  #: of a capture, as many as a picture as wide as a column of text shows apart
_SHIFTS = {name: np.uint16(BIT[name]) for name in STROBES}
_EXPECTS = {name: np.array([row is not None and name in row for row in EXPECTED]) for name in STROBES}
assert all(len(row) == CLASSES for row in _EXPECTS.values())


class TrendPart(Part):
    """Counts, a little stretch at a time, how often each strobe was called for and not seen."""

    def __init__(self) -> None:
        self._lines: tuple[str, ...] = ()
        self._counts: list[Int] = []  #: of each batch (stretches, lines, 2): called for, missing

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> TrendPart:
        """Take note of the capture that is being opened."""
        self._lines = tuple(name for name in STROBES if name in captured)
        return self

    def feed(self, batch: Batch) -> None:
        """Count one batch."""
        requests, classes = batch.requests, batch.request_class
        if not len(requests) or not self._lines:
            return
        starts = np.arange(0, len(requests), GRAIN)
        control, unknown = requests.control, requests.unknown.view("<u2")[0::4]
        columns = []
        for name in self._lines:
            called = _EXPECTS[name][classes] & (unknown >> _SHIFTS[name] & 1 == 0)
            missing = called & (control >> _SHIFTS[name] & 1 == 1)  # the strobes are active low
            columns.append(np.stack([np.add.reduceat(flags.astype(np.int64), starts) for flags in (called, missing)], axis=1))
        self._counts.append(np.stack(columns, axis=1))

    def slices(self) -> dict[str, list[tuple[int, int]]]:
        """Return for each captured strobe (called for, missing) in up to SLICES stretches with about as many requests each."""
        if not self._counts:
            return {}
        counts = np.concatenate(self._counts)
        parts = [part.sum(axis=0) for part in np.array_split(counts, min(SLICES, len(counts)))]
        return {name: [(int(part[k, 0]), int(part[k, 1])) for part in parts] for k, name in enumerate(self._lines)}
