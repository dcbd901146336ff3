"""A capture with one sample a clock, seen as the engine wants to see a capture."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from typing import Optional

import numpy as np

from ...bus.clocked import EDGES, NEVER_BOTH, TICKS_PER_T
from ...records.volts import AnalogLevels
from ..channels.mapping import ChannelMap
from ..closing import Closing
from ..followed import Followed
from ..interface import Capture
from ..records import BitAssignment, BitStatistics, Block, Clocked, Header, Words
from ..source import STANDARD_INPUT
from .finding import clock_moves, find_edge, fit_as_told, retimed_tick_fs, step_of, whole
from .retiming import Int, Retimer, Samples, join

LOOKED_AT = 2_000  #: samples that are looked at to say whether a capture is one of these, and how it counts its samples
LOOKED_BLOCKS = 3  #: blocks that are read for it at most


def as_clocked(
    capture: Capture, channels: ChannelMap, told: Optional[str] = None, clock_hz: Optional[float] = None
) -> tuple[Capture, ChannelMap]:
    """Return a capture with one sample a clock as the engine wants to see it, and its lines without CLK; any other one as it is.

    told: the edge at which it was sampled, "no" for a capture that must be taken as it is; None: where the strobes show it plainly.
    clock_hz: that of the machine, where the user or the profile gave it. Only a file is looked at without being told.
    Raises CaptureError, OSError.
    """
    if told == "no" or channels.unlabelled or not channels.channels:
        return capture, channels
    is_file = capture.path != STANDARD_INPUT and os.path.isfile(capture.path)
    if told is None and not (is_file and _may_be_clocked(capture, channels)):
        return capture, channels
    lines = _without_clock(channels)
    blocks = capture.blocks(channels.assignments if told is None else lines.assignments)
    first: list[Block] = []
    edge = told
    for block in blocks:
        first.append(block)
        if told is None and clock_moves(block.words[_begun(block.words) :], channels.captured):
            break
        looked = sum(len(each.times) for each in first)
        step = step_of(np.concatenate([each.times for each in first]))
        if told is None:
            edge = find_edge(_samples(first, step), channels.captured)
        if (edge is not None and (told is None or not is_file)) or looked >= LOOKED_AT or len(first) == LOOKED_BLOCKS:
            break
    if edge is None or not first:
        if isinstance(capture, Followed):
            capture.keep(channels.assignments if told is None else lines.assignments, chain(first, blocks))
        return capture, channels
    looked_at, captured = _samples(first, step), lines.captured
    share, other = (fit_as_told(looked_at, captured, each) for each in sorted(EDGES, key=lambda each: each != edge))
    taken = Clocked(edge, clock_hz is not None, share, other, whole(looked_at, captured, edge))
    return ClockedCapture(capture, lines, taken, step, clock_hz, None if told is None else chain(first, blocks)), lines


def _may_be_clocked(capture: Capture, channels: ChannelMap) -> bool:
    return channels.has("MREQ") and not any(channel.is_volts for channel in capture.header.channels)


def _without_clock(channels: ChannelMap) -> ChannelMap:
    """Return the map without CLK: by it the samples were taken, and none of them shows it move."""
    bit = channels.bit("CLK")
    if bit is None:
        return channels
    uses = tuple(use._replace(line=None, target_bit=None) if use.line == "CLK" else use for use in channels.uses)
    return replace(channels, uses=uses, assignments=tuple(each for each in channels.assignments if each.target_bit != bit))


def _begun(words: Words) -> int:
    """Return the first sample that the analyser had taken: before it all lines read 0."""
    return int(np.argmax(words != 0)) if len(words) else 0


def _samples(blocks: Sequence[Block], step: float) -> Samples:
    """Return the first samples of a capture, without those at the start that the analyser had not taken yet."""
    counting = Counting(step)
    words = np.concatenate([block.words for block in blocks])
    unknown = [np.zeros(len(block.words), np.uint64) if block.unknown is None else block.unknown for block in blocks]
    index = np.concatenate([counting.number(block.times) for block in blocks])
    begun = _begun(words)
    return Samples(index[begun:], words[begun:], np.concatenate(unknown)[begun:])


class Counting:
    """Numbers the samples of a file by their times."""

    def __init__(self, step: float) -> None:
        self._step = step
        self._last: Optional[tuple[int, int]] = None  #: time and number of the last sample

    def number(self, times: Int) -> Int:
        """Return the running number of each sample. Counted from one to the next, so that roundings do not add up."""
        if not len(times):
            return np.empty(0, np.int64)
        time, index = self._last if self._last is not None else (int(times[0]), round(int(times[0]) / self._step))
        numbers: Int = index + np.cumsum(np.rint(np.diff(times, prepend=time) / self._step).astype(np.int64))
        self._last = int(times[-1]), int(numbers[-1])
        return numbers


class ClockedCapture(Closing):
    """Shows a capture on an axis on which a T-state has TICKS_PER_T ticks and each change stands at the clock edge that made it.

    A cycle starts there with the first sample that shows it. Use it as a context manager.
    """

    def __init__(
        self, capture: Capture, channels: ChannelMap, taken: Clocked, step: float, clock_hz: Optional[float] = None,
        blocks: Optional[Iterator[Block]] = None,
    ) -> None:  # fmt: skip
        """step: ticks of the file between two samples. blocks: those of `channels`, where reading has begun already."""
        self._capture, self._captured, self._step, self._coming = capture, channels.captured, step, blocks
        tick_fs = retimed_tick_fs(step, capture.header.timescale_fs, clock_hz)
        self.path, self.read_as = capture.path, capture.read_as
        self.header = Header(tick_fs, capture.header.channels, capture.header.body_offset, clocked=taken)
        self._edge = taken.edge
        self._counts = _Counts(())
        self._span: Optional[tuple[int, int]] = None  #: numbers of the first and the last sample

    def close(self) -> None:
        """Close the file."""
        self._capture.close()

    @property
    def warnings(self) -> Sequence[str]:
        """What the reader had to pass over, in sentences."""
        return self._capture.warnings

    @property
    def taken(self) -> int:
        """Bytes of the file read so far."""
        return self._capture.taken

    @property
    def start_time(self) -> Optional[int]:
        """First tick, None while nothing was read."""
        return self._span[0] * TICKS_PER_T if self._span is not None else None

    @property
    def end_time(self) -> Optional[int]:
        """Last tick, None while nothing was read."""
        return (self._span[1] + 1) * TICKS_PER_T if self._span is not None else None

    def channel_statistics(self) -> Mapping[tuple[str, int], BitStatistics]:
        """Return what each assigned bit did."""
        return self._counts.statistics()

    def analog_levels(self) -> Mapping[str, AnalogLevels]:
        """Return nothing: an analyser with a clock input measures no volts."""
        return {}

    def blocks(self, assignment: Iterable[BitAssignment], /) -> Iterator[Block]:
        """Yield the events of the retimed axis. Raises CaptureError, OSError."""
        assigned = list(assignment)
        coming, self._coming = self._coming, None
        self._counts, self._span = _Counts(assigned), None
        return self._retimed(self._capture.blocks(assigned) if coming is None else coming, assigned)

    def _retimed(self, blocks: Iterator[Block], assigned: Sequence[BitAssignment]) -> Iterator[Block]:
        retimer, counting = Retimer(self._captured, self._edge), Counting(self._step)
        for samples in self._begun(blocks, counting, assigned):
            if len(samples.number):
                self._span = (int(samples.number[0]) if self._span is None else self._span[0], int(samples.number[-1]))
                yield from self._counted(retimer.feed(samples))
        yield from self._counted(retimer.finish())
        self._counts.finish(self.end_time or 0)

    def _counted(self, blocks: Iterator[Block]) -> Iterator[Block]:
        for block in blocks:
            self._counts.feed(Samples(block.times, block.words, block.unknown))
            yield block

    def _begun(self, blocks: Iterator[Block], counting: Counting, assigned: Sequence[BitAssignment]) -> Iterator[Samples]:
        """Yield the samples, without those at the start in which every channel is 0: the analyser had not begun.

        A CPU rests one line of each pair at least; where no such pair was captured, all low may be what there was. Nothing is dropped of a
        capture that never shows anything else.
        """
        inverted = np.uint64(sum(1 << each.target_bit for each in assigned if each.inverted))
        held: list[Samples] = []
        waiting = any(self._captured.issuperset(pair) for pair in NEVER_BOTH)
        for block in blocks:
            samples = Samples(counting.number(block.times), block.words, block.unknown)
            if waiting:
                begun = np.flatnonzero(samples.words ^ inverted)
                if not len(begun):
                    held = [samples]
                    continue
                held, waiting, samples = [], False, samples.part(slice(int(begun[0]), None))
            yield samples
        yield from held


class _Counts:
    """Counts what each bit does, in ticks of the retimed axis."""

    def __init__(self, assigned: Sequence[BitAssignment]) -> None:
        self._assigned = assigned
        self._counts = np.zeros((len(assigned), 3), np.int64)  # edges, high, known
        self._last: Optional[Samples] = None

    def feed(self, samples: Samples) -> None:
        """Take more events; their numbers are ticks here."""
        if self._last is not None:
            samples = join(self._last, samples)
        lengths = np.diff(samples.number)
        for row, each in enumerate(self._assigned):
            bit = np.uint64(each.target_bit)
            high = (samples.words >> bit & np.uint64(1) != 0) ^ each.inverted
            known = np.ones(len(high), np.bool_) if samples.unknown is None else samples.unknown >> bit & np.uint64(1) == 0
            self._counts[row] += (
                int(np.count_nonzero((high[1:] != high[:-1]) & known[1:] & known[:-1])),
                int(lengths[(high & known)[:-1]].sum()),
                int(lengths[known[:-1]].sum()),
            )
        self._last = samples.part(slice(-1, None))

    def finish(self, end: int) -> None:
        """Count the last event to the end."""
        if self._last is not None:
            self.feed(Samples(np.array([end]), self._last.words, self._last.unknown))

    def statistics(self) -> dict[tuple[str, int], BitStatistics]:
        """Return what was counted, by code and position."""
        return {
            (each.code, each.bit_in_vector): BitStatistics(*row) for each, row in zip(self._assigned, self._counts.tolist(), strict=True)
        }
