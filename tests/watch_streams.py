"""Streams for the tests of ``watch``: a piece of a demo capture from a fetch to a fetch, again and again, with rising times."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np

from conftest import TRACES
from strobewise.bus.lines import BIT
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels

NAMES = ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "RESET")
M1 = np.uint64(1 << BIT["M1"])
_VARS = "".join(f"$var wire 1 {chr(33 + i)} {name} $end\n" for i, name in enumerate(NAMES))
HEADER = f"$timescale 1 ns $end\n{_VARS}$enddefinitions $end\n"


@cache
def piece() -> tuple[np.ndarray, np.ndarray, int]:
    """Return times (ns, from 0), words and length of a piece that can follow itself."""
    with open_capture(str(TRACES / "good" / "healthy-eight.vcd.gz")) as capture:
        blocks = list(capture.blocks(map_channels(capture.header.channels).assignments))
        assert capture.header.timescale_fs == 10**6
    times = np.concatenate([block.times for block in blocks])
    words = np.concatenate([block.words for block in blocks])
    falls = np.flatnonzero((words[1:] & M1 == 0) & (words[:-1] & M1 != 0)) + 1
    same = [k for k in falls.tolist() if words[k] == words[falls[1]] and words[k - 1] == words[falls[1] - 1]]
    start, end = same[0], same[-1]
    return times[start:end] - times[start], words[start:end], int(times[end] - times[start])


@cache
def rows(dead: tuple[int, int] | None) -> list[tuple[int, str]]:
    """Return the times of a tile (ns from its start) with the changes at each."""
    times, words, _ = piece()
    words = words.copy()
    if dead is not None:
        words[(times >= dead[0]) & (times < dead[1])] |= M1
    found = []
    before = int(piece()[1][-1])
    for at, word in zip(times.tolist(), words.tolist(), strict=True):
        changed = word ^ before
        before = word
        changes = "".join(f" {word >> BIT[name] & 1}{chr(33 + i)}" for i, name in enumerate(NAMES) if changed >> BIT[name] & 1)
        if changes:
            found.append((at, changes))
    return found


def tile(number: int, dead: tuple[int, int] | None = None) -> bytes:
    """Return the text of one tile. dead: the stretch (ns from the tile's start) in which /M1 stays high."""
    start = (number + 1) * piece()[2]
    return "".join([f"#{start + at}{changes}\n" for at, changes in rows(dead)]).encode()


def stream(tiles: int, faults: dict[int, tuple[int, int]] | None = None) -> Iterator[bytes]:
    """Yield a stream: the header, then tiles; faults: number of a tile -> the stretch in which /M1 stays high."""
    last = int(piece()[1][-1])
    yield HEADER.encode() + b"#0" + "".join(f" {last >> BIT[name] & 1}{chr(33 + i)}" for i, name in enumerate(NAMES)).encode() + b"\n"
    for number in range(tiles):
        yield tile(number, (faults or {}).get(number))
