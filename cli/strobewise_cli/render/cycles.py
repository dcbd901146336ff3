"""Machine cycles as CSV or JSON lines, formatted for many rows at once.

Every column is a table of ready byte strings, padded with NUL and looked up by number; a block of rows is one array of
such pieces side by side, and the text is that array without its NULs. No Python code runs for a single row.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from strobewise.bus.model import KINDS, NOTES
from strobewise.bus.units import FS_PER_S
from strobewise.cycles.table import NOT_KNOWN, CycleTable

COLUMNS = ("start_s", "end_s", "kind", "t_states", "wait_states", "address", "data", "inferred", "note")
LEAST_DECIMALS = 9  #: times are written to 1 ns at least, and exactly where the timescale is finer

_BLOCK_ROWS = 8192  #: rows formatted together: their array stays in the cache
_COUNTS = 10_000  #: T-states and wait states below this come from a table
_GROUP = 4  #: decimal digits looked up at once
_INT64_MAX = np.iinfo(np.int64).max

Pieces = NDArray[np.void]


class _Style(NamedTuple):
    """What stands before and after the values of a row."""

    before: tuple[str, ...]  #: text before each column of COLUMNS
    after: str
    unknown: str  #: a value that is not known
    address: str  #: format of an address
    data: str  #: format of a data byte
    word: str  #: format of kind and note
    flag: tuple[str, str]  #: False, True


_STYLES = {
    "csv": _Style(("", *[","] * 8), "\n", "", "0x{:04x}", "0x{:02x}", "{}", ("0", "1")),
    "jsonl": _Style(
        tuple(f'{"," if i else "{"}"{name}":' for i, name in enumerate(COLUMNS)),
        "}\n", "null", "{}", "{}", '"{}"', ("false", "true"),
    ),
}  # fmt: skip


def header(style: str) -> bytes:
    """Return what stands before the first row."""
    return (",".join(COLUMNS) + "\n").encode() if style == "csv" else b""


def format_rows(table: CycleTable, timescale_fs: int, style: str) -> bytes:
    """Return the rows of a table as text.

    timescale_fs: length of one tick of ``start`` and ``end`` in femtoseconds. style: "csv" or "jsonl".
    """
    blocks = range(0, len(table), _BLOCK_ROWS)
    return b"".join(_format_block(table[at : at + _BLOCK_ROWS], timescale_fs, style) for at in blocks)


def _format_block(table: CycleTable, timescale_fs: int, style: str) -> bytes:
    before = dict(zip(COLUMNS, _STYLES[style].before, strict=True))
    tail = table.note.astype(np.intp) * 2 + table.inferred
    pieces = [
        *_time(table.start, timescale_fs, before["start_s"]),
        *_time(table.end, timescale_fs, before["end_s"]),
        _kinds(style)[table.kind],
        _counts(table.t_states, style, before["t_states"]),
        _counts(table.wait_states, style, before["wait_states"]),
        _addresses(style)[table.address],
        _bytes(style)[table.data],
        _tails(style)[tail],
    ]
    rows = np.empty(len(table), dtype=[(f"piece{i}", piece.dtype) for i, piece in enumerate(pieces)])
    for i, piece in enumerate(pieces):
        rows[f"piece{i}"] = piece
    return rows.tobytes().translate(None, delete=b"\0")


def _pieces(texts: list[str]) -> Pieces:
    """Return texts as a table of pieces of one width, padded with NUL to a multiple of eight bytes (copied fastest)."""
    width = -(-max(map(len, texts)) // 8) * 8
    return np.array([text.encode() for text in texts], dtype=f"S{width}").view(f"V{width}")


@cache
def _kinds(style: str) -> Pieces:
    form = _STYLES[style]
    return _pieces([form.before[2] + form.word.format(kind) for kind in KINDS])


@cache
def _tails(style: str) -> Pieces:
    form = _STYLES[style]
    return _pieces([
        form.before[7] + flag + form.before[8] + form.word.format(note) + form.after for note in NOTES for flag in form.flag
    ])  # fmt: skip


@cache
def _addresses(style: str) -> Pieces:
    return _numbers(_STYLES[style].before[5], _STYLES[style].address, 0x10000, _STYLES[style].unknown)


@cache
def _bytes(style: str) -> Pieces:
    return _numbers(_STYLES[style].before[6], _STYLES[style].data, 0x100, _STYLES[style].unknown)


@cache
def _small_counts(style: str, before: str) -> Pieces:
    return _numbers(before, "{}", _COUNTS, _STYLES[style].unknown)


def _numbers(before: str, form: str, count: int, unknown: str) -> Pieces:
    """Return the texts of 0 .. count - 1, and last, where NOT_KNOWN (-1) finds it, that of a value that is not known."""
    return _pieces([before + form.format(number) for number in range(count)] + [before + unknown])


def _counts(values: NDArray[np.signedinteger], style: str, before: str) -> Pieces:
    if not len(values) or int(values.max()) < _COUNTS:
        small: Pieces = _small_counts(style, before)[values]
        return small
    known, index = np.unique(values, return_inverse=True)  # a long bus grant
    unknown = _STYLES[style].unknown
    return _pieces([before + (unknown if value == NOT_KNOWN else str(value)) for value in known.tolist()])[index]


# --- times ------------------------------------------------------------------------------------------------------------


def decimals(timescale_fs: int) -> int:
    """Return how many decimals write a multiple of the timescale exactly, at least LEAST_DECIMALS."""
    count = LEAST_DECIMALS
    while count < 15 and timescale_fs % 10 ** (15 - count):
        count += 1
    return count


def _time(ticks: NDArray[np.int64], timescale_fs: int, before: str) -> list[Pieces]:
    """Return the pieces of a time in seconds: sign, seconds and point, then the decimals in groups of digits."""
    places = decimals(timescale_fs)
    per_tick, per_second = timescale_fs // 10 ** (15 - places), 10**places
    largest = max(abs(int(ticks.min())), abs(int(ticks.max()))) if len(ticks) else 0
    if largest * per_tick > _INT64_MAX:
        return [_pieces([before + time_text(int(tick), timescale_fs) for tick in ticks])]
    units = np.abs(ticks) * per_tick
    seconds = units // per_second
    fraction = units - seconds * per_second
    groups: list[Pieces] = []
    left = places
    while left > 0:
        digits = left % _GROUP or _GROUP
        left -= digits
        group = fraction // 10**left
        fraction = fraction - group * 10**left
        groups.append(_digits(digits)[group])
    return [_seconds(seconds, ticks < 0, before), *groups]


@cache
def _digits(count: int) -> Pieces:
    """Return the numbers of ``count`` digits with leading zeros."""
    return np.array([b"%0*d" % (count, number) for number in range(10**count)], dtype=f"S{_GROUP}").view(f"V{_GROUP}")


def _seconds(seconds: NDArray[np.int64], negative: NDArray[np.bool_], before: str) -> Pieces:
    keys = seconds * 2 + negative
    if len(keys) and keys[0] == keys[-1] and keys.min() == keys.max():  # nearly every block
        known, index = keys[:1], np.zeros(len(keys), np.intp)
    else:
        known, index = np.unique(keys, return_inverse=True)
    texts = [f"{before}{'-' if key & 1 else ''}{key >> 1}." for key in known.tolist()]
    return _pieces(texts or [""])[index]


def time_text(ticks: int, timescale_fs: int) -> str:
    """Return one time in seconds, as exactly as the rows have it."""
    places = decimals(timescale_fs)
    seconds, rest = divmod(abs(ticks) * timescale_fs, FS_PER_S)
    return f"{'-' if ticks < 0 else ''}{seconds}.{rest // 10 ** (15 - places):0{places}d}"
