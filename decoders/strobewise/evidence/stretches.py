"""Some stretches of the raw capture for what is measured on a part of a long one: the same events, however they come in blocks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..capture.records import Block

STRETCH_EVENTS = 1 << 13  #: events that are measured together
FIRST_MEASURED = EACH_MEASURED = 16  #: so many stretches from the start on are measured, and of the others one in so many


class Stretches:
    """Cuts the events into stretches and keeps what of a wanted one has come."""

    def __init__(self) -> None:
        self._open: list[Block] = []
        self._events = 0  #: seen so far

    def add(self, block: Block) -> Iterator[Block]:
        """Take the events of a block; yield each wanted stretch that they complete."""
        first = 0
        while first < len(block.times):
            number, done = divmod(self._events, STRETCH_EVENTS)
            upto = min(len(block.times), first + STRETCH_EVENTS - done)
            if number < FIRST_MEASURED or number % EACH_MEASURED == 0:
                own = slice(first, upto)
                self._open.append(Block(block.times[own], block.words[own], None if block.unknown is None else block.unknown[own]))
            self._events += upto - first
            first = upto
            if self._events % STRETCH_EVENTS == 0:
                yield from self.rest()

    def rest(self) -> Iterator[Block]:
        """Yield the stretch that is not whole, where one has begun."""
        if not self._open:
            return
        parts, self._open = self._open, []
        unknown = None
        if any(part.unknown is not None and part.unknown.any() for part in parts):
            unknown = np.concatenate([np.zeros(len(p.words), np.uint64) if p.unknown is None else p.unknown for p in parts])
        yield Block(np.concatenate([part.times for part in parts]), np.concatenate([part.words for part in parts]), unknown)
