"""Which reader opens which file: one table, by ending or first bytes."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable
from typing import NamedTuple

from .interface import Capture
from .source import STANDARD_INPUT

PACKED = ".gz"  #: an ending behind the format's own


def _vcd(path: str) -> Capture:
    from .vcd.reader import VcdCapture

    return VcdCapture(path)


def _scope(path: str) -> Capture:
    from .scope.reader import ScopeCapture

    return ScopeCapture(path)


class Format(NamedTuple):
    """One kind of file. A reader loads when a file asks for it."""

    name: str
    endings: tuple[str, ...]  #: in lower case; the first row that fits the name opens the file
    first_bytes: tuple[bytes, ...]  #: of the unpacked text, for a name that says nothing; none where they tell nothing
    opener: Callable[[str], Capture]


FORMATS = (
    Format("VCD", (".vcd",), (b"$date", b"$version", b"$timescale", b"$comment", b"$scope"), _vcd),  # IEEE 1364-2005, 18.2
    Format("scope CSV", (".csv",), (), _scope),
)
OTHERWISE = FORMATS[0]  #: what standard input holds, and what a file that nothing tells of is read as: its reader says what is amiss


def format_of(path: str) -> Format:
    """Return the format that a file's name tells, else its first bytes."""
    name = path.lower().removesuffix(PACKED)
    for known in FORMATS:
        if name.endswith(known.endings):
            return known
    start = _first_bytes(path)
    return next((known for known in FORMATS if known.first_bytes and start.startswith(known.first_bytes)), OTHERWISE)


def _first_bytes(path: str) -> bytes:
    """Return how a file begins, unpacked; nothing of what can be read once only, or not at all."""
    if path == STANDARD_INPUT or not os.path.isfile(path):
        return b""
    longest = max(len(mark) for known in FORMATS for mark in known.first_bytes)
    try:
        with open(path, "rb") as file:
            start = file.read(longest)
        if start[:2] == b"\x1f\x8b":  # RFC 1952
            with gzip.open(path) as unpacked:
                start = unpacked.read(longest)
    except (OSError, EOFError):
        return b""  # the reader will say so
    return start


def open_capture(path: str) -> Capture:
    """Open a capture of any format of FORMATS, packed or not, or "-" for a VCD on standard input. Use it as a context manager.

    Raises CaptureError.
    """
    return format_of(path).opener(path)
