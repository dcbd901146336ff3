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
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool

from ..capture import Capture
from ..capture.channels.mapping import ChannelMap
from ..capture.source import GZIP_MAGIC
from ..capture.vcd.reader import VcdCapture
from ..cycles.engine import CycleBuilder
from ..cycles.rebuild import cycle_tables
from ..cycles.table import CycleTable
from ..cycles.warm_up import WarmUp
from ..errors import CaptureError
from .pieces import OVERLAP_BYTES, Found, Piece, between, read_piece
from .processes import make_pool

PIECE_BYTES = 64 << 20  #: text to a piece
_BLANKS = b" \t\r\n"


class NotSplittable(Exception):
    """This capture is read by one process."""


def split_cycles(
    capture: Capture,
    channels: ChannelMap,
    clock_hz: float | None = None,
    processes: int = 2,
    piece_bytes: int = PIECE_BYTES,
    overlap_bytes: int = OVERLAP_BYTES,
) -> Iterator[CycleTable]:
    """Yield the machine cycles of an open capture in order of time, as ``cycle_tables`` does, read by several processes.

    Raises CaptureError, OSError.
    """
    try:
        pieces, builder = _plan(capture, channels, clock_hz, piece_bytes, overlap_bytes)
    except NotSplittable:
        yield from cycle_tables(capture, channels, clock_hz)
        return
    out = 0
    try:
        for table in _stitched(pieces, builder, processes):
            out += len(table)
            yield table
    except (NotSplittable, CaptureError, BrokenProcessPool):
        yield from _behind(cycle_tables(capture, channels, clock_hz), out)  # says what is wrong, and where


def _behind(tables: Iterator[CycleTable], out: int) -> Iterator[CycleTable]:
    """Leave out the rows that were handed out before."""
    for table in tables:
        if out < len(table):
            yield table[out:]
        out = max(0, out - len(table))


def _plan(
    capture: Capture, channels: ChannelMap, clock_hz: float | None, piece_bytes: int, overlap_bytes: int
) -> tuple[list[Piece], CycleBuilder]:
    """Settle the time base on the start of the capture, and cut the file."""
    path = capture.path
    if not isinstance(capture, VcdCapture) or not os.path.isfile(path) or not os.path.isdir("/dev/fd"):
        raise NotSplittable
    header, size = capture.header, os.path.getsize(path)
    if size < 2 * piece_bytes or any(channel.is_volts or not channel.is_logic for channel in header.channels):
        raise NotSplittable
    captured = channels.captured
    warm_up = WarmUp(captured, header.time_base(clock_hz))
    if not any(warm_up.add(block)[1] for block in capture.blocks(channels.assignments)):
        raise NotSplittable
    calibration, busack_valid = warm_up.settle()
    if not calibration.t_ticks:
        raise NotSplittable
    codes = tuple(dict.fromkeys(channel.code.encode("latin-1") for channel in header.channels))
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
        if text[:2] == GZIP_MAGIC or text.find(b"$comment", header.body_offset) >= 0:
            raise NotSplittable
        starts = _starts(text, header.body_offset, piece_bytes)
        held = _values(text, starts, codes)
    pieces = [
        Piece(
            path, header.body_offset, start, end, overlap_bytes, end == size, _changes(values),
            _doubtful(values, channels), channels.assignments, captured, calibration,
        )
        for start, end, values in zip(starts, [*starts[1:], size], held, strict=True)
    ]  # fmt: skip
    return pieces, CycleBuilder(captured, calibration, busack_valid, int(warm_up.held[0].times[0]))


def _changes(values: dict[bytes, bytes]) -> bytes:
    """Return the changes that give lines their values, written as they were: a vector, of one bit too, stands apart from its code."""
    return b" ".join(value + (b" " if value[:1] in b"bB" else b"") + code for code, value in values.items())


def _doubtful(values: dict[bytes, bytes], channels: ChannelMap) -> int:
    """Return the bits of the word that are x or z by these values: the last level that they had is not known here."""
    unknown = {code.decode("latin-1") for code, value in values.items() if set(value) & set(b"xXzZ")}
    return sum(1 << assignment.target_bit for assignment in channels.assignments if assignment.code in unknown)


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


def _values(text: mmap.mmap, starts: list[int], codes: tuple[bytes, ...]) -> list[dict[bytes, bytes]]:
    """Return for each start the value that each line has there, by identifier code; none for a line that has had none yet."""
    held: dict[bytes, bytes] = {}
    values = [dict(held)]
    blanks = [bytes([blank]) for blank in _BLANKS if text.find(bytes([blank]), starts[0]) >= 0]  # most files have two kinds
    for low, high in zip(starts[:-1], starts[1:], strict=True):
        for code in codes:
            found = _last_value(text, code, blanks, low, high)
            if found is not None:
                held[code] = found
        values.append(dict(held))
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


# --- put together -----------------------------------------------------------------------------------------------------


def _stitched(pieces: list[Piece], builder: CycleBuilder, processes: int) -> Iterator[CycleTable]:
    for found, end in _in_order(pieces, processes):
        for events in found.events:
            builder.feed(between(events, found.safe, end))
            while builder.is_full and (batch := builder.build()) is not None:
                yield batch.cycles
    batch = builder.build(final=True)
    if batch is not None:
        yield batch.cycles


def _in_order(pieces: list[Piece], processes: int) -> Iterator[tuple[Found, int | None]]:
    """Yield what each piece holds (several are read ahead), and the moment at which the next one takes over."""
    pool = make_pool(processes)
    try:
        waiting: list[Future[Found | None]] = []
        left = iter(pieces)
        before: Found | None = None
        for _ in pieces:
            while len(waiting) <= processes and (piece := next(left, None)) is not None:
                waiting.append(pool.submit(read_piece, piece))
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


def _check(before: Found, found: Found) -> None:
    """Raise NotSplittable unless the piece before is settled beyond the safe point of this one."""
    span = found.safe - found.first_time
    if before.settled < found.safe + max(span, 1) or found.first_time < before.first_time:
        raise NotSplittable
