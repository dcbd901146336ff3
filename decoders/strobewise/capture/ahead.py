"""Reading ahead of whoever takes the blocks: in a process of its own where that is allowed and helps, else in a thread."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from .apart import read_apart, worth_while
from .channels.mapping import ChannelMap
from .interface import Capture
from .prefetch import prefetched
from .records import Block


@contextlib.contextmanager
def read_ahead(capture: Capture, channels: ChannelMap, apart: bool) -> Iterator[Iterator[Block]]:
    """Give the blocks of a capture, for its channels' assignments.

    apart: a large file may be read by a process of its own; for programs without other threads, see capture.apart.
    """
    blocks = capture.blocks(channels.assignments)
    if apart and worth_while(capture):
        with read_apart(capture, blocks) as coming:
            yield coming
    else:
        yield prefetched(blocks)
