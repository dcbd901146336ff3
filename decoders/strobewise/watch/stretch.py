"""A stretch of a stream: its rows, and what its bits did in it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from ..capture.channels.mapping import ChannelMap
from ..capture.records import BitAssignment, BitStatistics, Block, Header
from ..records.volts import AnalogLevels

Statistics = Mapping[tuple[str, int], BitStatistics]


@dataclass
class Stretch:
    """A stretch of a stream that answers like a capture."""

    path: str
    header: Header
    pieces: list[Block] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    statistics: Statistics = field(default_factory=dict)
    taken: int = 0

    @property
    def start_time(self) -> int:
        """First tick."""
        return int(self.pieces[0].times[0])

    @property
    def end_time(self) -> int:
        """Last tick."""
        return int(self.pieces[-1].times[-1])

    def blocks(self, assignments: Iterable[BitAssignment]) -> Iterator[Block]:
        """Yield the blocks; assignments are those that the stream was opened with."""
        return iter(self.pieces)

    def channel_statistics(self) -> Statistics:
        """Return what every bit did in the stretch."""
        return self.statistics

    def analog_levels(self) -> dict[str, AnalogLevels]:
        """Return nothing: a stream of volts is not followed."""
        return {}


def since(before: Statistics, now: Statistics) -> Statistics:
    """Return what every bit did between two readings of the counters."""
    zero = BitStatistics(0, 0, 0)
    return {
        key: BitStatistics(*(b - a for a, b in zip(before.get(key, zero), counts, strict=True))) for key, counts in now.items()
    }  # fmt: skip


def counted(rows: Block, channels: ChannelMap) -> Statistics:
    """Return what the bits of a stretch did, counted from its words."""
    lengths = np.diff(rows.times)
    statistics = {}
    for assignment in channels.assignments:
        high = rows.words >> np.uint64(assignment.target_bit) & np.uint64(1) == 1
        known_at = None if rows.unknown is None else rows.unknown[:-1] >> np.uint64(assignment.target_bit) & np.uint64(1) == 0
        edges = int(np.count_nonzero(high[1:] != high[:-1]))
        seen = high[:-1] if known_at is None else high[:-1] & known_at
        on, known = int(lengths[seen].sum()), int(lengths.sum() if known_at is None else lengths[known_at].sum())
        on = known - on if assignment.inverted else on
        statistics[assignment.code, assignment.bit_in_vector] = BitStatistics(edges, on, known)
    return statistics


def cut_out(blocks: list[Block], begin: int, end: int) -> Block:
    """Return the rows from a tick to another one as one block; it begins with the state at its first tick."""
    times = np.concatenate([block.times for block in blocks])
    words = np.concatenate([block.words for block in blocks])
    unknown = None
    if any(block.unknown is not None for block in blocks):
        unknown = np.concatenate([np.zeros(len(b.words), np.uint64) if b.unknown is None else b.unknown for b in blocks])
    low = max(0, int(np.searchsorted(times, begin, "right")) - 1)
    high = max(low + 1, int(np.searchsorted(times, end, "right")))
    return Block(times[low:high], words[low:high], None if unknown is None else unknown[low:high])
