"""From blocks of words to batches of machine cycles: the warm-up that settles the time base, then block after block.

Memory stays flat: what is held is the warm-up, one block, and the requests of one batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..bus.calibration import Calibration, TimeBase
from ..capture.records import Block
from ..capture.unknown import at_rest
from .engine import Batch, CycleBuilder
from .requests import BlockEvents, RequestFinder, Requests
from .warm_up import WarmUp


class Onlooker:
    """Is shown what one pass over a capture gives, in order. A subclass says what it wants to see; the rest passes by."""

    def block(self, block: Block) -> None:
        """Take a block of the raw capture, before what is rebuilt of it."""

    def settled(self, calibration: Calibration) -> None:
        """Take the time base, once, before the first batch."""

    def events(self, events: BlockEvents) -> None:
        """Take what the request finder saw in a block; before the time base is settled, clock edges alone."""

    def feed(self, batch: Batch) -> None:
        """Take a settled batch of requests and machine cycles."""


class Pipeline:
    """Drive finder and builder over the blocks of one capture."""

    def __init__(
        self,
        captured: frozenset[str],
        base: TimeBase,
        onlookers: Sequence[Onlooker] = (),
    ) -> None:
        self.captured = captured
        self.calibration: Calibration | None = None
        self.busack_valid = True
        self.grid_found = False
        self._onlookers = onlookers
        self._warm_up: WarmUp | None = WarmUp(captured, base)

    def feed(self, block: Block) -> Iterator[Batch]:
        """Take a block; yield the batches that it completes."""
        for onlooker in self._onlookers:
            onlooker.block(block)
        block = at_rest(block)
        if self._warm_up is None:
            yield from self._advance(block)
        elif len(block.times):
            rises, complete = self._warm_up.add(block)
            if len(rises):
                self._show(BlockEvents(Requests.empty(), rises, [], [], -1, 0, [], -1))
            if complete:
                yield from self._start()

    def finish(self) -> Iterator[Batch]:
        """Yield what is left at the end of the capture."""
        if self._warm_up is not None:
            if not self._warm_up.held:
                return
            yield from self._start()
        empty = np.empty(0, np.int64)
        self._builder.feed(self._show(self._finder.feed(empty, np.empty(0, np.uint64), None, final=True)))
        while self._builder.is_full:
            yield from self._batch()
        yield from self._batch(final=True)

    def _start(self) -> Iterator[Batch]:
        assert self._warm_up is not None
        self.calibration, self.busack_valid = self._warm_up.settle()
        self.grid_found = self._warm_up.grid_found
        for onlooker in self._onlookers:
            onlooker.settled(self.calibration)
        self._finder = RequestFinder(self.captured, self.calibration)
        held, self._warm_up = self._warm_up.held, None
        self._builder = CycleBuilder(self.captured, self.calibration, self.busack_valid, int(held[0].times[0]))
        for block in held:
            yield from self._advance(block)

    def _advance(self, block: Block) -> Iterator[Batch]:
        if not len(block.times):
            return
        self._builder.feed(self._show(self._finder.feed(block.times, block.words, block.unknown)))
        while self._builder.is_full:
            yield from self._batch()

    def _batch(self, final: bool = False) -> Iterator[Batch]:
        batch = self._builder.build(final)
        if batch is not None:
            for onlooker in self._onlookers:
                onlooker.feed(batch)
            yield batch

    def _show(self, events: BlockEvents) -> BlockEvents:
        for onlooker in self._onlookers:
            onlooker.events(events)
        return events
