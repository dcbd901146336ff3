"""One piece of a capture that several processes read: its text through a pipe, and the requests in it.

A piece begins with the values that all lines have there, and is read a little further than its end. Its events count from its first safe
point on: a moment at which no strobe is asserted, for most of a T-state around it, and neither the bus is granted nor reset.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..bus.calibration import Calibration
from ..bus.lines import idle_word
from ..bus.units import NEVER
from ..capture.records import BitAssignment, Block
from ..capture.unknown import at_rest
from ..capture.vcd.reader import VcdCapture
from ..cycles.requests import CLK, IORQ, MREQ, RD, WATCHED, WR, BlockEvents, RequestFinder

OVERLAP_BYTES = 2 << 20  #: read beyond the end of a piece
SAFE_GAP_T = 0.9  #: no strobe asserted for so long: longer than a gap that a spike may leave, shorter than the shortest between two cycles
SETTLED_T = 16.0  #: a piece finds its safe point no sooner than so many T-states after its start


class Piece(NamedTuple):
    """What one process is to read: bytes [start, end) of a file, with the values that lines have at the start."""

    path: str
    body: int  #: where the samples begin
    start: int
    end: int
    overlap: int  #: bytes read beyond the end
    last: bool
    values: bytes  #: changes that give every line its value, empty for the first piece
    doubtful: int  #: bits of the word that are x or z at the start: their last level is not known before they have one again
    assignments: tuple[BitAssignment, ...]
    captured: frozenset[str]
    calibration: Calibration

    @property
    def is_first(self) -> bool:
        """Whether it begins where the samples do."""
        return self.start == self.body


@dataclass
class Found:
    """What a piece holds: its events, from where on they count, and how far they are settled."""

    safe: int  #: ticks
    settled: int
    first_time: int
    events: list[BlockEvents]


def read_piece(piece: Piece) -> Found | None:
    """Read a piece and find its requests; None where it has no safe point. Raises CaptureError."""
    finder = RequestFinder(piece.captured, piece.calibration)
    events: list[BlockEvents] = []
    safe: int | None = -NEVER if piece.is_first else None
    doubtful = piece.doubtful
    first_time, settled = None, 0
    reading, writing = os.pipe()
    feeder = threading.Thread(target=_feed, args=(piece, writing), daemon=True)
    feeder.start()
    try:
        with VcdCapture(f"/dev/fd/{reading}") as capture:
            for block in capture.blocks(piece.assignments):
                first_time = int(block.times[0]) if first_time is None else first_time
                if safe is None:
                    safe, doubtful = _safe_point(block, piece, first_time, doubtful)
                found = finder.feed(*at_rest(block))
                events.append(found)
                settled = int(block.times[-1])
    finally:
        os.close(reading)
        feeder.join()
    if safe is None or first_time is None:
        return None
    empty = np.empty(0, np.int64)
    if piece.last:
        events.append(finder.feed(empty, np.empty(0, np.uint64), None, final=True))
    return Found(safe, settled, first_time, events)


def _feed(piece: Piece, writing: int) -> None:
    """Write header, values and text of a piece into a pipe."""
    try:
        with open(writing, "wb", buffering=0) as out, open(piece.path, "rb") as file:
            out.write(file.read(piece.body))
            file.seek(piece.start)
            left = piece.end - piece.start + piece.overlap
            text = file.read(min(left, 1 << 20))
            if piece.values:
                out.write(b"\n#%d %s\n" % (int(text[1:24].split()[0]) - 1, piece.values))
            while text:
                left -= len(text)
                if left <= 0 and not piece.last:
                    text = text[: text.rfind(b"\n") + 1]
                view = memoryview(text)
                while view:
                    view = view[out.write(view) :]
                text = file.read(min(left, 1 << 20)) if left > 0 else b""
    except (OSError, ValueError):
        pass  # the reader has given up, or finds the text cut short: it says so


def _safe_point(block: Block, piece: Piece, first_time: int, doubtful: int) -> tuple[int | None, int]:
    """Return a moment of a block at which nothing is under way and no bit is doubtful, None where there is none, and what stays doubtful.

    doubtful: bits of the word that have had no level since the piece began.
    """
    t = piece.calibration.t_ticks or 1.0
    control = block.words.view("<u2")[0::4] | np.uint16(idle_word(piece.captured))
    sure = np.ones(len(block.times), np.bool_)
    if block.unknown is not None:
        control = at_rest(block).words.view("<u2")[0::4] | np.uint16(idle_word(piece.captured))
        left = np.bitwise_and.accumulate(block.unknown) & np.uint64(doubtful)
        # Nor may cycles hang there on a line that is not known: a stretch in which one is not lies in one piece.
        sure, doubtful = (left == 0) & (block.unknown & np.uint64(MREQ | IORQ | RD | WR | CLK) == 0), int(left[-1])
    else:
        doubtful = 0
    moved = np.flatnonzero((control[1:] ^ control[:-1]) & WATCHED) + 1
    times = block.times[moved]
    calm = (control[moved[:-1]] & WATCHED == WATCHED) & (np.diff(times) > SAFE_GAP_T * t) & (times[:-1] > first_time + SETTLED_T * t)
    at = np.flatnonzero(calm & sure[moved[:-1]])
    return (int((times[at[0]] + times[at[0] + 1]) // 2) if len(at) else None), doubtful


def between(found: BlockEvents, low: int, high: int | None) -> BlockEvents:
    """Return the events from one moment up to another one, None: up to the end. Nothing is under way at either."""
    end = NEVER if high is None else high
    fall = found.requests.fall
    keep = (fall >= low) & (fall < end)
    first, last = np.searchsorted(found.clock_rises, [low, end]).tolist()
    return BlockEvents(
        found.requests if keep.all() else found.requests.select(keep),
        found.clock_rises[first:last],
        [grant for grant in found.grants if low <= grant[0] < end],
        [reset for reset in found.resets if low <= reset[0] < end],
        found.reset_since if low <= found.reset_since < end else -1,
        found.glitches,
        [blind for blind in found.blind if low <= blind[0] < end],
        found.blind_since if low <= found.blind_since < end else -1,
        [hidden for hidden in found.clock_hidden if low <= hidden[0] < end],
        found.first_release if found.first_release is not None and low <= found.first_release < end else None,
    )
