"""Parts that leave nothing in the evidence and keep what a command asks for beside it, so that no capture is read for it again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.table import CycleTable
from ..profile.options import Options
from .part import Part

Events = tuple[npt.NDArray[np.int64], npt.NDArray[np.uint64]]


class KeptCycles(Part):
    """Keeps all machine cycles."""

    def __init__(self) -> None:
        self._tables: list[CycleTable] = []

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> KeptCycles:
        """Return itself, as a maker of parts does."""
        return self

    def feed(self, batch: Batch) -> None:
        """Keep the cycles."""
        self._tables.append(batch.cycles)

    def table(self) -> CycleTable:
        """Return the cycles, in order of time; none where the capture was never rebuilt."""
        return CycleTable.concatenate(self._tables)


class KeptEvents:
    """The first `limit` events of the raw capture, however they come in blocks."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._blocks: list[Block] = []
        self._count = 0

    def add(self, block: Block) -> None:
        """Keep of a block what there is room for."""
        room = self._limit - self._count
        if room <= 0:
            return
        if len(block.times) > room:  # copied, so that the rest of the block is let go
            unknown = None if block.unknown is None else block.unknown[:room].copy()
            block = Block(block.times[:room].copy(), block.words[:room].copy(), unknown)
        self._blocks.append(block)
        self._count += len(block.times)

    @property
    def blocks(self) -> list[Block]:
        """Return the blocks as they came."""
        return self._blocks

    def joined(self) -> Events:
        """Return times (int64, ticks) and words (uint64)."""
        return _joined(self._blocks)


def longest_known(blocks: Sequence[Block], lines: int) -> Events:
    """Return times (int64, ticks) and words (uint64) of the longest stretch in which these lines, bits of the word, were all known."""
    times, words = _joined(blocks)
    if all(block.unknown is None for block in blocks):
        return times, words
    unknown = np.concatenate([np.zeros(len(block.words), np.uint64) if block.unknown is None else block.unknown for block in blocks])
    hidden = np.concatenate([[True], unknown & np.uint64(lines) != 0, [True]])
    bounds = np.flatnonzero(hidden[1:] != hidden[:-1])
    if not len(bounds):
        return times[:0], words[:0]
    starts, ends = bounds[0::2], bounds[1::2]
    longest = int((ends - starts).argmax())
    own = slice(int(starts[longest]), int(ends[longest]))
    return times[own], words[own]


def _joined(blocks: Sequence[Block]) -> Events:
    if not blocks:
        return np.empty(0, np.int64), np.empty(0, np.uint64)
    return np.concatenate([block.times for block in blocks]), np.concatenate([block.words for block in blocks])
