"""Writing a capture anew as a plain VCD: one-bit channels, a coarse timescale, a closing timestamp.

For readers that take one sample for every tick of the timescale and know no buses. Times move to the coarsest decade of a second that
keeps every edge and lets the reader find the analyser's samples again: one that divides their interval, or is at most a quarter of it.
Source of the format: IEEE Std 1364-2005, clause 18.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import gcd
from typing import IO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..bus.lines import LINES
from ..bus.units import FS_PER_S, VCD_UNITS_FS
from ..errors import CaptureError
from . import Capture
from .channels.mapping import ChannelMap
from .grid import estimate_sample_interval
from .records import Block, Times, Words

_GRID_TIMES = 20_000  #: times from which the sample grid is estimated
_MOST_SAMPLES = 100_000_000  #: of a reader that takes one a tick
_COARSEST_FS = 100_000_000  #: of a bus on which nothing moves: for how long is counted in samples (our choice: 10 MHz)
_GRID_SAMPLES = 1_000_000_000  #: of a grid that has more the steps are the skews of a simulation
_TICKS_A_SAMPLE = 4  #: from so many on, steps that differ by a tick do not hide the sample interval
_DIVIDES = 1e-3  #: a tick divides an interval when the rest is smaller, ticks: the interval is estimated
HAIR = 1e-9  #: by which the arithmetic of floats may miss a power of ten
_ROWS = 8192  #: rows formatted together
_INACTIVE_HIGH = sum(1 << line.bit for line in LINES if line.active_level == 0)
_FIRST_ID = ord("!")


class Output(NamedTuple):
    """One channel of the new capture."""

    name: str
    bit: int  #: of the packed word
    was: str  #: its name in the capture


@dataclass
class Changes:
    """What writing a capture anew changes."""

    origin_fs: int = 0  #: subtracted from every time: 0, or the negative time at which the capture begins
    largest_shift_fs: int = 0  #: the largest move of a time, the origin aside
    common: int = 0  #: the largest number of the capture's own ticks that divides all of its times
    lost_edges: int = 0  #: edges closer together than the capture's own tick can tell: 0 but for odd files
    unknown_values: int = 0  #: rows of x or z, which are written as the level held before, bit by bit
    first: int = 0  #: first time, new ticks
    last: int = 0  #: the closing timestamp


@dataclass(frozen=True)
class Plan:
    """How a capture is written anew."""

    outputs: tuple[Output, ...]
    left_out: tuple[str, ...]  #: channels that the packed word has no room for
    tick_fs: int  #: of the new timescale; of samples the interval, rounded
    sample_interval_fs: float | None  #: None where no grid was found
    changes: Changes
    per_tick: Fraction | None = None  #: samples in a tick of the capture, where it is written as samples

    def rate(self, step_fs: int) -> Fraction:
        """Return the samples a second. step_fs: length of a tick of the capture."""
        return Fraction(FS_PER_S, self.tick_fs) if self.per_tick is None else self.per_tick * FS_PER_S / step_fs

    @property
    def samples(self) -> int:
        """Return how many samples a reader makes of it that takes one a tick."""
        return self.changes.last - self.changes.first


def timescale_text(tick_fs: int) -> str:
    """Return "10 ns" for a decade of a second in femtoseconds."""
    for unit, size in VCD_UNITS_FS.items():
        if tick_fs >= size:
            return f"{tick_fs // size} {unit}"
    raise ValueError(f"no timescale: {tick_fs} fs")


def plan(capture: Capture, channels: ChannelMap) -> Plan:
    """Look through a capture, which must be a file that can be read again, and decide how to write it.

    Raises CaptureError for a damaged capture, and for one without a sample.
    """
    sample, shortest_fs, span_fs = _look(capture, channels)
    if sample is not None and span_fs > sample * _GRID_SAMPLES:
        sample = None
    outputs, left_out = outputs_of(channels)
    tick = min(_decade(shortest_fs), _COARSEST_FS) if sample is None else _decade_of_grid(sample)
    if sample is None and span_fs > tick * _MOST_SAMPLES:  # a simulation's skews: keep every pulse, but not every skew
        tick = _decade(span_fs / 100)
    while True:
        changes = Changes()
        for _ in moved(capture, channels, Fraction(capture.header.timescale_fs, tick), changes):
            pass
        if changes.lost_edges == 0 or tick <= _decade(capture.header.timescale_fs):
            return Plan(outputs, left_out, tick, sample, changes)
        tick //= 10


def write(capture: Capture, channels: ChannelMap, made: Plan, out: IO[bytes], writer: str = "strobewise prepare") -> None:
    """Write a capture as its plan says; memory stays flat. writer: who wrote it, for the file's comment."""
    out.write(_header(made, writer).encode("ascii"))
    bits = np.array([output.bit for output in made.outputs], np.uint64)
    before = None
    for times, words in moved(capture, channels, Fraction(capture.header.timescale_fs, made.tick_fs), Changes()):
        for at in range(0, len(times), _ROWS):
            part = words[at : at + _ROWS]
            out.write(_rows(times[at : at + _ROWS], part, before, bits))
            before = part[-1:]
    out.write(b"#%d\n" % made.changes.last)


def _look(capture: Capture, channels: ChannelMap) -> tuple[float | None, int, int]:
    """Return the sample interval if the times have one, the shortest time between two of them, and the whole span, fs.

    Where the first times show a sample grid, the rest is not looked at.
    """
    times: list[Times] = []
    held, shortest, first = np.empty(0, np.int64), FS_PER_S, 0
    step = capture.header.timescale_fs
    for block in capture.blocks(channels.assignments):
        if sum(map(len, times)) <= _GRID_TIMES:
            times.append(block.times)
            if sum(map(len, times)) > _GRID_TIMES:
                grid = estimate_sample_interval(np.concatenate(times), step)
                if grid is not None:
                    return grid.interval * step, 0, 0
        joined = np.concatenate([held, block.times])
        if len(joined) > 1:
            shortest = min(shortest, int(np.diff(joined).min()) * step)
        first = first if len(held) or not len(joined) else int(joined[0])
        held = joined[-1:]
    grid = estimate_sample_interval(np.concatenate(times), step) if times else None
    span = (int(held[0]) - first) * step if len(held) else 0
    return (None if grid is None else grid.interval * step), max(shortest, step), span


def _decade(interval_fs: float) -> int:
    """Return the largest power of ten femtoseconds that an interval holds."""
    tick = 1
    while tick * 10 <= interval_fs * (1 + HAIR) and tick < 100 * FS_PER_S:
        tick *= 10
    return tick


def _decade_of_grid(interval_fs: float) -> int:
    """Return the largest power of ten femtoseconds that divides a sample interval, or that is no more than a quarter of it.

    With 250 ns on ticks of 100 ns a reader sees steps of two and three ticks, and takes the tick for the interval.
    """
    tick = _decade(interval_fs)
    while tick > 1 and tick * _TICKS_A_SAMPLE > interval_fs and abs(interval_fs / tick - round(interval_fs / tick)) > _DIVIDES:
        tick //= 10
    return tick


def outputs_of(channels: ChannelMap) -> tuple[tuple[Output, ...], tuple[str, ...]]:
    """Name the channels: lines by their canonical names, in the order of the word, the others as far as readers allow."""
    used = {use.line for use in channels.uses if use.line is not None}
    outputs = []
    for use in sorted((use for use in channels.uses if use.target_bit is not None), key=lambda use: use.target_bit or 0):
        name = use.line
        if name is None:
            stem = name = re.sub(r"[^A-Za-z0-9_./#~!+\[\]-]", "_", use.name) or "_"
            number = 2
            while name in used:
                name, number = f"{stem}_{number}", number + 1
            used.add(name)
        outputs.append(Output(name, use.target_bit or 0, use.name))
    return tuple(outputs), tuple(use.name for use in channels.uses if use.target_bit is None)


def moved(capture: Capture, channels: ChannelMap, ticks: Fraction, made: Changes) -> Iterator[tuple[Times, Words]]:
    """Yield the capture on new ticks, one row a tick; note what that changes. ticks: new ones in one of the capture's own."""
    step = capture.header.timescale_fs
    up, down = ticks.numerator, ticks.denominator
    held_time, held_word = np.empty(0, np.int64), np.empty(0, np.uint64)
    given = held_word  # the last row handed on
    changed_at = -1
    origin: int | None = None
    for block in capture.blocks(channels.assignments):
        if not len(block.times):
            continue
        if origin is None:
            origin = min(0, int(block.times[0]))
            made.origin_fs = origin * step
            made.first = int(((block.times[0] - origin) * up + down // 2) // down)
        if made.common != 1:
            made.common = gcd(made.common, int(np.gcd.reduce(block.times)))
        scaled = (block.times - origin) * up
        times = (scaled + down // 2) // down
        made.largest_shift_fs = max(made.largest_shift_fs, int(np.abs(times * down - scaled).max()) * step // up)
        words = _known(block, made, held_word)
        times, words = np.concatenate([held_time, times]), np.concatenate([held_word, words])
        made.lost_edges += _edges(words)
        last_of_tick = np.append(times[1:] != times[:-1], True)
        times, words = times[last_of_tick], words[last_of_tick]
        held_time, held_word = times[-1:], words[-1:]
        changed = np.flatnonzero(words[1:] != words[:-1])
        changed_at = max(changed_at, made.first, int(times[changed[-1] + 1]) if len(changed) else -1)
        if len(times) > 1:
            made.lost_edges -= _edges(np.concatenate([given, words[:-1]]))
            given = words[-2:-1]
            yield times[:-1], words[:-1]
    if origin is None:
        raise CaptureError("the capture has no samples", capture.path, remedy="export the capture again")
    made.lost_edges -= _edges(np.concatenate([given, held_word]))
    yield held_time, held_word
    end = capture.end_time if capture.end_time is not None else 0
    closing = ((end - origin) * up + down // 2) // down
    made.last = max(closing, changed_at + 1)


def _known(block: Block, made: Changes, before: Words) -> Words:
    """Return the words with a level for every bit: what is x or z keeps its last one, and is inactive before the first."""
    if block.unknown is None:
        return block.words
    made.unknown_values += int(np.bitwise_count(block.unknown).sum())
    if len(before):
        return block.words
    never = np.bitwise_and.accumulate(block.unknown)
    return block.words | (never & np.uint64(_INACTIVE_HIGH))


def _edges(words: Words) -> int:
    return int(np.bitwise_count(words[1:] ^ words[:-1]).sum())


def _identifier(index: int) -> str:
    return chr(_FIRST_ID + index)  # at most 64 channels: one printable character each


def _header(made: Plan, writer: str) -> str:
    channels = "".join(f"$var wire 1 {_identifier(i)} {output.name} $end\n" for i, output in enumerate(made.outputs))
    return (
        f"$comment written by {writer} $end\n$timescale {timescale_text(made.tick_fs)} $end\n$scope module logic $end\n"
        f"{channels}$upscope $end\n$enddefinitions $end\n"
    )


def _rows(times: Times, words: Words, before: Words | None, bits: NDArray[np.uint64]) -> bytes:
    """Return rows as text, one time a line with what changed then; the first row of all gives every value.

    Rows without a change are left out.
    """
    levels = ((words[:, None] >> bits) & np.uint64(1)).astype(np.uint8)
    earlier = np.concatenate([words[:1] if before is None else before, words[:-1]])
    changed = (((words ^ earlier)[:, None] >> bits) & np.uint64(1)).astype(np.uint8)
    if before is None:
        changed[0] = 1
    kept = changed.any(axis=1)
    texts = _change_texts(len(bits))[np.arange(len(bits)), (levels[kept] + 1) * changed[kept]]
    rows = np.empty(len(texts), dtype=[("mark", "S1"), ("time", "S20"), ("changes", "S4", (len(bits),)), ("end", "S1")])
    rows["mark"], rows["time"], rows["changes"], rows["end"] = b"#", times[kept].astype("S20"), texts, b"\n"
    return rows.tobytes().translate(None, delete=b"\0")


@cache
def _change_texts(count: int) -> NDArray[np.bytes_]:
    """Return the text of each channel's change, shape (count, 3): nothing, to 0, to 1."""
    return np.array([["", f" 0{_identifier(i)}", f" 1{_identifier(i)}"] for i in range(count)], dtype="S4")
