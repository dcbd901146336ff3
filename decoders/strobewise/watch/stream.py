"""Reading a stream some blocks ahead, in a thread, while what came before is judged."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable
from typing import NamedTuple

from ..capture import Capture
from ..capture.apart import Apart, possible
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from .stretch import Statistics

#: Rows read ahead, 16 bytes each: of most streams more than a window, so that the next one is read while one is judged.
READ_AHEAD = 3 << 19


class Piece(NamedTuple):
    """A block, and where the reader stood behind it."""

    block: Block
    statistics: Statistics
    taken: int  #: bytes of the stream


class StreamReader:
    """Reads the stream in a thread, some blocks ahead; the text of it in a process of its own where that is wanted."""

    def __init__(self, capture: Capture, channels: ChannelMap, apart: bool) -> None:
        blocks = capture.blocks(channels.assignments)
        self._apart = Apart(capture, blocks, informed=True) if apart and possible(capture) else None
        self.pieces = _Queue(READ_AHEAD)
        self.error: BaseException | None = None
        self._stopped = threading.Event()
        coming: Iterable[Block] = blocks if self._apart is None else self._apart
        self._thread = threading.Thread(target=self._read, args=(capture, coming), name="stream", daemon=True)
        self._thread.start()

    def _read(self, capture: Capture, blocks: Iterable[Block]) -> None:
        try:
            for block in blocks:
                self._hand_over(Piece(block, capture.channel_statistics(), capture.taken))
                if self._stopped.is_set():
                    return
        except BaseException as error:
            self.error = error
        self._hand_over(None)

    def _hand_over(self, piece: Piece | None) -> None:
        while not self._stopped.is_set():
            try:
                self.pieces.put(piece, timeout=0.1)
                return
            except queue.Full:
                continue

    def stop(self) -> None:
        """Let the thread end at its next block; it may be waiting for the stream, so nobody waits for it."""
        self._stopped.set()
        if self._apart is not None:
            self._apart.end()  # which wakes the thread
            self._thread.join(timeout=5)
            self._apart.close()

    def peek(self, end: int, waiting: Callable[[], None] | None) -> list[Block]:
        """Return the blocks that come next, up to a tick, without taking them; fewer where the stream ends or pauses."""
        since = time.monotonic()
        while True:
            held = self.pieces.held()
            blocks = [piece.block for piece in held if piece is not None and len(piece.block.times)]
            enough = bool(blocks) and int(blocks[-1].times[-1]) >= end
            if enough or None in held or self.pieces.full() or time.monotonic() - since > 2.0:
                return blocks
            if waiting is not None:
                waiting()
            time.sleep(0.02)


class _Queue(queue.Queue["Piece | None"]):
    """A queue that can be looked into, and is as full as its blocks are long."""

    def _init(self, maxsize: int) -> None:
        super()._init(maxsize)
        self._rows = 0

    def _qsize(self) -> int:
        return self._rows

    def _put(self, item: Piece | None) -> None:
        super()._put(item)
        self._rows += _length(item)

    def _get(self) -> Piece | None:
        item: Piece | None = super()._get()
        self._rows -= _length(item)
        return item

    def held(self) -> list[Piece | None]:
        """Return what is in it, and leave it there."""
        with self.mutex:
            return list(self.queue)


def _length(piece: Piece | None) -> int:
    """Return how much of a queue a piece takes: nothing takes none."""
    return 1 if piece is None else 1 + len(piece.block.times)
