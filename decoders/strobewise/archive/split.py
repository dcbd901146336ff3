"""One very long capture, read by several processes: split at safe points, stitched to exactly what one process gives.

What is split is the work that costs: reading the text, and finding the requests in it, which hangs on nothing but the levels at
the split and the next few T-states. The machine cycles, whose rules look back further, are built here from the requests of all
pieces in order.

A safe point is a moment at which no strobe is asserted, for most of a T-state around it, and neither the bus is granted nor reset:
no request lies across it. Each piece is read a little further than its end, and cut where the next one has its safe point. Where
no safe point is found, or the file is none of the plain ones, one process does it all.
"""

from __future__ import annotations

import mmap
import os
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..bus.calibration import Calibration
from ..bus.lines import BIT
from ..capture.channels.mapping import ChannelMap
from ..capture.records import BitAssignment, Block
from ..capture.source import GZIP_MAGIC
from ..capture.vcd.reader import VcdCapture
from ..cycles.engine import CycleBuilder
from ..cycles.pipeline import BATCH_REQUESTS, Pipeline, cycle_tables
from ..cycles.requests import WATCHED, BlockEvents, Int, RequestFinder, Requests, idle_word
from ..cycles.table import CycleTable
from ..errors import CaptureError
from .processes import make_pool

PIECE_BYTES = 64 << 20  #: text to a piece
OVERLAP_BYTES = 2 << 20  #: read beyond the end of a piece
SAFE_GAP_T = 0.9  #: no strobe asserted for so long: longer than a gap that a spike may leave, shorter than the shortest between two cycles
SETTLED_T = 16.0  #: a piece finds its safe point no sooner than so many T-states after its start
_BLANKS = b" \t\r\n"


class NotSplittable(Exception):
    """This capture is read by one process."""


class _Piece(NamedTuple):
    """What one process is to read: bytes [start, end) of a file, with the values that lines have at the start."""

    path: str
    body: int  #: where the samples begin
    start: int
    end: int
    values: bytes  #: changes that give every line its value, empty for the first piece
    last: bool
    assignments: tuple[BitAssignment, ...]
    captured: frozenset[str]
    calibration: Calibration


@dataclass
class _Found:
    """What a piece holds: events from its safe point on, and how far they are settled."""

    safe: int  #: ticks
    settled: int
    first_time: int
    events: list[BlockEvents]


def split_cycles(
    path: str, channels: ChannelMap, clock_hz: float | None = None, processes: int = 2, piece_bytes: int = PIECE_BYTES
) -> Iterator[CycleTable]:
    """Yield the machine cycles of a capture in order of time, as ``cycle_tables`` does, read by several processes.

    Raises CaptureError, OSError.
    """
    try:
        plan = _plan(path, channels, clock_hz, piece_bytes)
    except NotSplittable:
        yield from _whole(path, channels, clock_hz)
        return
    pieces, builder = plan
    out = 0
    try:
        for table in _stitched(pieces, builder, processes):
            out += len(table)
            yield table
    except (NotSplittable, CaptureError, BrokenProcessPool):
        yield from _behind(_whole(path, channels, clock_hz), out)  # says what is wrong, and where


def _whole(path: str, channels: ChannelMap, clock_hz: float | None) -> Iterator[CycleTable]:
    with VcdCapture(path) as capture:
        yield from cycle_tables(capture, channels, clock_hz)


def _behind(tables: Iterator[CycleTable], out: int) -> Iterator[CycleTable]:
    """Leave out the rows that were handed out before."""
    for table in tables:
        if out < len(table):
            yield table[out:]
        out = max(0, out - len(table))


def _plan(path: str, channels: ChannelMap, clock_hz: float | None, piece_bytes: int) -> tuple[list[_Piece], CycleBuilder]:
    """Settle the time base on the start of the capture, and cut the file."""
    if path == "-" or not os.path.isfile(path) or not os.path.isdir("/dev/fd") or os.path.getsize(path) < 2 * piece_bytes:
        raise NotSplittable
    captured = frozenset(name for name in channels.channels if name in BIT)
    with VcdCapture(path) as capture:
        header = capture.header
        tick_s = header.timescale_fs * 1e-15
        pipeline = Pipeline(captured, 1.0 / (clock_hz * tick_s) if clock_hz else None, header.timescale_fs)
        for block in capture.blocks(channels.assignments):
            for _ in pipeline.feed(block):
                pass
            if pipeline.calibration is not None:
                break
    calibration = pipeline.calibration
    if calibration is None or not calibration.t_ticks or any(channel.is_volts or not channel.is_logic for channel in header.channels):
        raise NotSplittable
    builder = CycleBuilder(captured, calibration, pipeline.busack_valid)
    codes = {channel.code.encode("latin-1"): channel.width for channel in header.channels}
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
        if text[:2] == GZIP_MAGIC or text.find(b"$comment", header.body_offset) >= 0:
            raise NotSplittable
        starts = _starts(text, header.body_offset, piece_bytes)
        values = _values(text, starts, codes)
    ends = [*starts[1:], os.path.getsize(path)]
    last = len(starts) - 1
    pieces = [
        _Piece(path, header.body_offset, start, end, values[i], i == last, channels.assignments, captured, calibration)
        for i, (start, end) in enumerate(zip(starts, ends, strict=True))
    ]
    return pieces, builder


def _starts(text: mmap.mmap, body: int, piece_bytes: int) -> list[int]:
    """Return where pieces begin: at lines with a time."""
    starts = [body]
    while starts[-1] + piece_bytes < len(text):
        at = text.find(b"\n#", starts[-1] + piece_bytes)
        if at < 0 or at + 1 + piece_bytes // 2 > len(text):
            break
        starts.append(at + 1)
    if len(starts) < 2:
        raise NotSplittable
    return starts


def _values(text: mmap.mmap, starts: list[int], codes: dict[bytes, int]) -> list[bytes]:
    """Return the changes that give every line its value at each start."""
    held: dict[bytes, bytes] = {}
    values = [b""]
    blanks = [bytes([blank]) for blank in _BLANKS if text.find(bytes([blank]), starts[0]) >= 0]  # most files have two kinds
    for low, high in zip(starts[:-1], starts[1:], strict=True):
        for code in codes:
            found = _last_value(text, code, blanks, low, high)
            if found is not None:
                held[code] = found
        values.append(b" ".join(value + (b" " if codes[code] > 1 else b"") + code for code, value in held.items()))
    return values


def _last_value(text: mmap.mmap, code: bytes, blanks: list[bytes], low: int, high: int) -> bytes | None:
    """Return the value of the last change of a line in a stretch, None where it has none. blanks: what may stand behind it."""
    best = -1
    value = None
    for blank in blanks:
        needle = code + blank
        at = high
        while (at := text.rfind(needle, max(low, best + 1), at)) >= 0:
            found = _value_before(text, at, low)
            if found is not None:
                best, value = at, found
                break
            at += len(needle) - 1
    return value


def _value_before(text: mmap.mmap, at: int, low: int) -> bytes | None:
    """Return the value that stands before an identifier code at this place, None where none does."""
    if at - 1 < low:
        return None
    before = text[at - 1]
    if before in b"01xXzZ" and (at - 2 < low or text[at - 2] in _BLANKS):
        return bytes([before])
    if before not in _BLANKS:
        return None
    end = at
    while end > low and text[end - 1] in _BLANKS:
        end -= 1
    start = end
    while start > low and text[start - 1] not in _BLANKS:
        start -= 1
    word = text[start:end]
    return word if word[:1] in b"bB" and len(word) > 1 else None


# --- in the processes -------------------------------------------------------------------------------------------------


def _read_piece(piece: _Piece) -> _Found | None:
    """Read a piece and find its requests; None where it has no safe point. Raises CaptureError."""
    finder = RequestFinder(piece.captured, piece.calibration)
    events: list[BlockEvents] = []
    safe: int | None = -(1 << 62) if not piece.values and piece.start == piece.body else None
    first_time, settled = None, 0
    reading, writing = os.pipe()
    feeder = threading.Thread(target=_feed, args=(piece, writing), daemon=True)
    feeder.start()
    try:
        with VcdCapture(f"/dev/fd/{reading}") as capture:
            for block in capture.blocks(piece.assignments):
                first_time = int(block.times[0]) if first_time is None else first_time
                if safe is None:
                    safe = _safe_point(block, piece, first_time)
                found = finder.feed(block.times, block.words, block.unknown)
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
    return _Found(safe, settled, first_time, [_from(found, safe) for found in events])


def _feed(piece: _Piece, writing: int) -> None:
    """Write header, values and text of a piece into a pipe."""
    try:
        with open(writing, "wb", buffering=0) as out, open(piece.path, "rb") as file:
            out.write(file.read(piece.body))
            file.seek(piece.start)
            left = (piece.end - piece.start) + (0 if piece.last else OVERLAP_BYTES)
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
    except (BrokenPipeError, ValueError):
        pass  # the reader has given up, and says why


def _safe_point(block: Block, piece: _Piece, first_time: int) -> int | None:
    """Return a moment of a block at which nothing is under way."""
    t = piece.calibration.t_ticks or 1.0
    if block.unknown is not None:
        return None
    control = block.words.view("<u2")[0::4] | np.uint16(idle_word(piece.captured))
    moved = np.flatnonzero((control[1:] ^ control[:-1]) & WATCHED) + 1
    times = block.times[moved]
    calm = (control[moved[:-1]] & WATCHED == WATCHED) & (np.diff(times) > SAFE_GAP_T * t) & (times[:-1] > first_time + SETTLED_T * t)
    at = np.flatnonzero(calm)
    return int((times[at[0]] + times[at[0] + 1]) // 2) if len(at) else None


def _from(found: BlockEvents, safe: int) -> BlockEvents:
    """Return the events from a moment on."""
    keep = found.requests.fall >= safe
    requests = found.requests if keep.all() else found.requests.select(keep)
    rises = found.clock_rises[np.searchsorted(found.clock_rises, safe) :]
    return BlockEvents(
        requests, rises, [g for g in found.grants if g[0] >= safe], [r for r in found.resets if r[0] >= safe], found.glitches
    )


# --- put together -----------------------------------------------------------------------------------------------------


def _stitched(pieces: list[_Piece], builder: CycleBuilder, processes: int) -> Iterator[CycleTable]:
    for found, end in _in_order(pieces, processes):
        for events in found.events:
            waiting = builder.feed(events if end is None else _until(events, end))
            if waiting >= BATCH_REQUESTS and (batch := builder.build()) is not None:
                yield batch.cycles
    batch = builder.build(final=True)
    if batch is not None:
        yield batch.cycles


def _in_order(pieces: list[_Piece], processes: int) -> Iterator[tuple[_Found, int | None]]:
    """Yield what each piece holds, and the moment at which the next one takes over."""
    pool = make_pool(processes)
    try:
        waiting: list[Future[_Found | None]] = []
        left = iter(pieces)
        before: _Found | None = None
        for _ in pieces:
            while len(waiting) <= processes and (piece := next(left, None)) is not None:
                waiting.append(pool.submit(_read_piece, piece))
            found = waiting.pop(0).result()
            if found is None:
                raise NotSplittable
            if before is not None:
                _check(before, found)
                yield before, found.safe
            before = found
        assert before is not None
        yield before, None
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _check(before: _Found, found: _Found) -> None:
    """Raise NotSplittable unless the piece before is settled beyond the safe point of this one."""
    span = found.safe - found.first_time
    if before.settled < found.safe + max(span, 1) or found.first_time < before.first_time:
        raise NotSplittable


def _until(events: BlockEvents, end: int) -> BlockEvents:
    """Return the events before a moment."""
    keep = events.requests.fall < end
    requests: Requests = events.requests if keep.all() else events.requests.select(keep)
    rises: Int = events.clock_rises[: np.searchsorted(events.clock_rises, end)]
    return BlockEvents(requests, rises, [g for g in events.grants if g[0] < end], [r for r in events.resets if r[0] < end], events.glitches)
