"""Levels that are not known (x, z, not yet given): no line is asserted, and none moves, while nobody can say what it does."""

from __future__ import annotations

import numpy as np

from ..bus.lines import FIRST_ADDRESS_BIT, LINES
from .records import Block

#: Control lines that are asserted low, and high; CLK has no level at which it rests and keeps its last one.
_LOW, _HIGH = (
    np.uint64(sum(1 << line.bit for line in LINES if line.bit < FIRST_ADDRESS_BIT and line.active_level == level and line.name != "CLK"))
    for level in (0, 1)
)


def at_rest(block: Block) -> Block:
    """Return a block in which control lines that are not known are at their inactive level; the block itself where all is known.

    Address and data lines keep their last level, CLK too: what reads them asks `unknown`.
    """
    unknown = block.unknown
    if unknown is None:
        return block
    return Block(block.times, (block.words | unknown & _LOW) & ~(unknown & _HIGH), unknown)
