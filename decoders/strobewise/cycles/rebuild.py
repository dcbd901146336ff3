"""The one pass over a capture: blocks in, machine cycles out, and whoever wants to see something of it looks on.

Everything that rebuilds cycles goes through here: a command attaches its onlookers and reads once. Read again are only a capture without
labels, once its lines are known, and a page's captures, for the windows that it draws. The pieces of one large capture that several
processes read (archive/split.py) are put together by the same finder and builder, without this loop.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from ..bus.calibration import NOTHING_KNOWN, Calibration, TimeBase
from ..capture import Capture
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block, Header
from .engine import Batch
from .pipeline import Onlooker, Pipeline
from .table import CycleTable


class Rebuild:
    """Rebuilds the machine cycles of one capture, or of a stretch of one."""

    def __init__(
        self,
        captured: frozenset[str],
        base: TimeBase = NOTHING_KNOWN,
        onlookers: Sequence[Onlooker] = (),
    ) -> None:
        """captured: canonical names. base: what is known of the time base."""
        self._pipeline = Pipeline(captured, base, onlookers)

    @classmethod
    def of(cls, header: Header, channels: ChannelMap, clock_hz: float | None = None, onlookers: Sequence[Onlooker] = ()) -> Rebuild:
        """Make one for a capture with this header, read with these channels. clock_hz: that the user or the profile gave."""
        return cls(channels.captured, header.time_base(clock_hz), onlookers)

    @property
    def calibration(self) -> Calibration | None:
        """Return the time base, None before it is settled."""
        return self._pipeline.calibration

    @property
    def grid_found(self) -> bool:
        """Return whether the sample grid was found in the times."""
        return self._pipeline.grid_found

    def batches(self, blocks: Iterable[Block]) -> Iterator[Batch]:
        """Yield the batches of all blocks, to the end; each is shown to the onlookers first. Raises what reading raises."""
        for block in blocks:
            yield from self._pipeline.feed(block)
        yield from self._pipeline.finish()

    def run(self, blocks: Iterable[Block]) -> None:
        """Go through all blocks for the onlookers' sake."""
        for _ in self.batches(blocks):
            pass


def cycle_tables(
    capture: Capture, channels: ChannelMap, clock_hz: float | None = None, blocks: Iterable[Block] | None = None
) -> Iterator[CycleTable]:
    """Yield the machine cycles of an open capture in order of time, in tables of some thousand rows.

    clock_hz: the clock that the user or the profile gave. blocks: those of the capture, where they are read ahead. Raises CaptureError.
    """
    rebuild = Rebuild.of(capture.header, channels, clock_hz)
    return (batch.cycles for batch in rebuild.batches(capture.blocks(channels.assignments) if blocks is None else blocks))
