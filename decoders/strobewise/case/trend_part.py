"""The course of missing strobes and wrong reads within one capture, gathered in the one pass."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, DATA, STROBES
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..evidence.part import Part
from ..profile.options import Options
from ..records.evidence import CLASSES, EXPECTED
from .reads_part import ReadsPart

Int = npt.NDArray[np.int64]

GRAIN = 512  #: requests counted together: fine enough for a dozen slices of a short capture
SLICES = 12  #: of a capture, as many as a picture as wide as a column of text shows apart
_SHIFTS = {name: np.uint16(BIT[name]) for name in STROBES}
_EXPECTS = {name: np.array([row is not None and name in row for row in EXPECTED]) for name in STROBES}
assert all(len(row) == CLASSES for row in _EXPECTS.values())


class TrendPart(Part):
    """Counts, a little stretch at a time, how often each strobe was called for and not seen, and how many reads gave another byte."""

    def __init__(self) -> None:
        self._lines: tuple[str, ...] = ()
        self._counts: list[Int] = []  #: of each batch (stretches, lines, 2): called for, missing
        self._reads: ReadsPart | None = None
        self._read_counts: list[Int] = []  #: of each batch (stretches, 2): compared, wrong

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> TrendPart:
        """Take note of the capture that is being opened."""
        self._lines = tuple(name for name in STROBES if name in captured)
        if captured.issuperset((*ADDRESS, *DATA)):
            self._reads = ReadsPart(options, tick_s, "ROMDIS" in captured)
        return self

    def feed(self, batch: Batch) -> None:
        """Count one batch."""
        requests, classes = batch.requests, batch.request_class
        if not len(requests) or not self._lines:
            return
        starts = np.arange(0, len(requests), GRAIN)
        if self._reads is not None:
            self._read_counts.append(self._reads.feed(batch, GRAIN, len(starts)))
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
        parts = _in_slices(self._counts)
        return {name: [(int(part[k, 0]), int(part[k, 1])) for part in parts] for k, name in enumerate(self._lines)}

    def reads(self) -> list[tuple[int, int]]:
        """Return (compared, wrong) reads in as many stretches; empty where no read could be held against anything."""
        parts = _in_slices(self._read_counts) if self._read_counts else []
        counts = [(int(part[0]), int(part[1])) for part in parts]
        return counts if any(compared for compared, _ in counts) else []

    def holds_s(self) -> float | None:
        """Return the time after which memory lost a byte first, seconds; None where it lost none, or where time is not the reason."""
        return self._reads.holds_s() if self._reads is not None else None


def _in_slices(counts: list[Int]) -> list[Int]:
    """Return the counts of all batches, added up in up to SLICES stretches of the capture."""
    whole = np.concatenate(counts)
    return [part.sum(axis=0) for part in np.array_split(whole, min(SLICES, len(whole)))]
