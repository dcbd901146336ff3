"""The write that a wrong read contradicts, found while a capture is read again for its page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np

from strobewise.bus.lines import DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.cycles.engine import Batch
from strobewise.cycles.pipeline import Onlooker
from strobewise.cycles.table import NOT_KNOWN, CycleTable

_READS = (KIND_INDEX["memory_read"], KIND_INDEX["opcode_fetch"])
_WRITE = KIND_INDEX["memory_write"]


class Contradiction(NamedTuple):
    """A byte that memory gave back otherwise than it was written. Times in ticks."""

    address: int
    written: int
    read: int
    write_at: int  #: start of the write
    read_at: int  #: start of the read
    read_end: int


class Shown(Protocol):
    """A window of a page, as far as this asks for it."""

    moment: int
    lines: tuple[str, ...]
    contradiction: Contradiction | None


class LastWrites(Onlooker):
    """Remembers the last write to every address, and holds it against the read at the moment of each window that is about data lines."""

    def __init__(self, windows: Sequence[Shown]) -> None:
        self._open = [window for window in windows if window.lines and set(window.lines) <= set(DATA)]
        self._byte = np.full(1 << 16, NOT_KNOWN, np.int16)
        self._at = np.zeros(1 << 16, np.int64)

    def feed(self, batch: Batch) -> None:
        cycles = batch.cycles
        if not self._open or not len(cycles):
            return
        last = int(cycles.end[-1])
        for window in [window for window in self._open if window.moment < last]:
            self._open.remove(window)
            window.contradiction = self._held_against(cycles, int(np.searchsorted(cycles.end, window.moment, "right")))
        self._remember(cycles)

    def _held_against(self, cycles: CycleTable, row: int) -> Contradiction | None:
        """Return what the read in a row contradicts, None where it is no read, or nothing was written there, or the same."""
        address, byte = int(cycles.address[row]), int(cycles.data[row])
        if int(cycles.kind[row]) not in _READS or NOT_KNOWN in (address, byte):
            return None
        written, at = int(self._byte[address]), int(self._at[address])
        before = cycles[:row]
        rows = np.flatnonzero((before.kind == _WRITE) & (before.address == address))
        if len(rows):
            written, at = int(before.data[rows[-1]]), int(before.start[rows[-1]])
        if written in (NOT_KNOWN, byte):
            return None
        return Contradiction(address, written, byte, at, int(cycles.start[row]), int(cycles.end[row]))

    def _remember(self, cycles: CycleTable) -> None:
        rows = np.flatnonzero((cycles.kind == _WRITE) & (cycles.address != NOT_KNOWN))
        where = cycles.address[rows]
        self._byte[where] = cycles.data[rows]  # of several writes to one address the last one stays
        self._at[where] = cycles.start[rows]


def expected_levels(found: Contradiction | None, lines: Sequence[str], start: int) -> list[list[str | int]]:
    """Return for each line that read wrong its name, begin and end of the read in ticks from `start`, and the level that was written."""
    if found is None:
        return []
    wrong = found.written ^ found.read
    return [
        [line, found.read_at - start, found.read_end - start, found.written >> DATA.index(line) & 1]
        for line in lines if line in DATA and wrong >> DATA.index(line) & 1
    ]  # fmt: skip
