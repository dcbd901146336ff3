"""From raw samples to rows of packed words: only samples at which a channel changes become rows, and each bit is counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ..followed import account
from ..records import Block, Times, Words
from ..vcd.state import BodyState, Layout, Signal
from .rate import SampleTimes

Octets = npt.NDArray[np.uint8]
Samples = npt.NDArray[np.generic]  # unsigned integers as wide as a sample
Volts = npt.NDArray[np.float64]
Levels = npt.NDArray[np.int8]  # 1, 0, or -1 before the first that is decided

_WIDEST = 8  #: bytes that are compared at once
#: So many samples count towards the ticks spent high, then each eighth stretch of them: the share is as sure, and costs little. Which
#: they are hangs on the samples alone, never on the pieces in which they come.
EXACT_SAMPLES = 1 << 22
STRETCH_SAMPLES = 1 << 15
SAMPLED_STRETCHES = 8  #: the share of time at a level is as sure from an eighth of a long capture
_BITS_OF_OCTET = (np.arange(256)[:, None] >> np.arange(8)) & 1  #: shape (256, 8)


class Piece(NamedTuple):
    """Some samples in a row."""

    samples: int
    logic: Optional[Octets]  #: uint8 (samples * bytes of a sample,), the least significant byte first; None without logic channels
    volts: Sequence[Volts] = ()  #: float64 (samples,) each, for the channels of volts in their order


class Follower:
    """Follows all channels from piece to piece."""

    def __init__(self, layout: Layout, state: BodyState, places: Sequence[Optional[int]], unit_bytes: int, times: SampleTimes) -> None:
        """places: for each signal of the layout its bit in a sample, from 0, the least significant first; None for volts.

        unit_bytes: bytes of a sample, 0 without logic channels.
        """
        self._state, self._times, self._unit = state, times, unit_bytes
        self._samples = 0  #: seen so far
        self._kept = _bytes_compared(unit_bytes)
        self._before: Octets = np.zeros(self._kept, np.uint8)  #: the sample before this piece
        logic = [(signal, place) for signal, place in zip(layout.signals, places, strict=True) if place is not None]
        self._bits = np.array([signal.first_bit for signal, _ in logic], np.int64)
        self._places = np.array([place for _, place in logic], np.int64)
        self._volts = [signal for signal, place in zip(layout.signals, places, strict=True) if place is None]
        self._levels = np.full(len(self._volts), -1, np.int8)  #: of the volts, -1 while not decided
        self._volts_masks = [_masks(signal, layout) for signal in self._volts]
        self._tables = [_table(logic, octet, layout) for octet in range(self._kept)]
        shown = sum(any(_masks(signal, layout)) for signal in layout.signals)
        self._all_shown = shown == self._kept * 8 + len(self._volts)  #: else a row may come in which nothing changes that is shown
        self._last = (0, 0)  #: word and unknown bits of the last row

    def rows(self, piece: Piece) -> Block:
        """Return the rows of the next piece, which holds a sample at least: its changes, and the first sample of all."""
        state, first = self._state, self._samples
        begun = state.time is not None
        if not begun:
            state.time = state.start_time = 0
        values = self._values(piece)
        levels = [state.volts[signal.code].add(volts) for signal, volts in zip(self._volts, piece.volts, strict=True)]
        at = self._changes(piece.samples, values, levels, begun)
        times, end = self._times.ticks(first, at), self._times.tick(first + piece.samples)
        octets = np.empty((len(at), 0), np.uint8) if values is None else values[at].view(np.uint8).reshape(len(at), self._kept)
        if len(self._bits):
            self._count(octets, times, end, begun, (first, first + piece.samples))
        if values is not None:
            self._before = np.array(values[-1:]).view(np.uint8).reshape(-1)
        if levels:
            every = self._times.ticks(first, np.arange(piece.samples, dtype=np.int64))
            for number, (signal, each) in enumerate(zip(self._volts, levels, strict=True)):
                account(state, signal.first_bit, each, every)
                if state.volts_watch is not None:
                    state.volts_watch(signal.code.decode("latin-1"), every, piece.volts[number])
                self._levels[number] = each[-1]
        self._samples, state.time = first + piece.samples, end
        words, unknown = self._words(octets, [each[at] for each in levels], len(at))
        return self._shown(Block(times, words, unknown), begun)

    def last_row(self) -> Block:
        """Return the row that ends the capture."""
        word, unknown = self._last
        time = np.array([self._state.time], np.int64)
        return Block(time, np.array([word], np.uint64), np.array([unknown], np.uint64) if unknown else None)

    def _values(self, piece: Piece) -> Optional[Samples]:
        """Return the samples as numbers, shape (count,) or, where a number cannot hold one, (count, numbers)."""
        if piece.logic is None or not self._kept:
            return None
        octets = piece.logic
        if self._kept != self._unit:
            octets = np.zeros((piece.samples, self._kept), np.uint8)
            octets[:, : self._unit] = piece.logic.reshape(piece.samples, self._unit)
            octets = octets.reshape(-1)
        values = octets.view(f"<u{min(self._kept, _WIDEST)}")
        return values if self._kept <= _WIDEST else values.reshape(piece.samples, -1)

    def _changes(self, count: int, values: Optional[Samples], levels: list[Levels], begun: bool) -> npt.NDArray[np.int64]:
        """Return the samples at which a channel has changed, and the first of all."""
        changed = np.zeros(count, bool)
        if values is not None:
            before = self._before.view(values.dtype)
            if values.ndim == 1:
                np.not_equal(values[1:], values[:-1], out=changed[1:])
            else:
                changed[1:] = (values[1:] != values[:-1]).any(axis=1)
            changed[0] = np.not_equal(values[:1].reshape(-1), before).any()
        for number, each in enumerate(levels):
            changed[1:] |= each[1:] != each[:-1]
            changed[0] |= each[0] != self._levels[number]
        changed[0] |= not begun
        return np.flatnonzero(changed)

    def _count(self, octets: Octets, times: Times, end: int, begun: bool, samples: tuple[int, int]) -> None:
        """Count edges and ticks spent high.

        octets: uint8 (n, bytes), the samples from these times on; end: of the piece, which has the samples from the first on up to another.
        """
        state, bits = self._state, self._bits
        begin = state.time or 0
        if begun:  # what was held into this piece
            octets, times = np.concatenate([self._before[None, :], octets]), np.concatenate([[begin], times])
        for octet in sorted(set((self._places >> 3).tolist())):
            flips = octets[1:, octet] ^ octets[:-1, octet]
            for bit, place in zip(bits.tolist(), self._places.tolist(), strict=True):
                if place >> 3 == octet:
                    state.edges[bit] += np.count_nonzero(flips & np.uint8(1 << (place & 7)))
        high, passed_over = np.zeros((self._kept, 8), np.int64), end - begin
        for low, last in _counted(*samples):
            since, until = max(begin, self._times.tick(low)), self._times.tick(last)
            rows = slice(int(np.searchsorted(times, since, "right")) - 1, int(np.searchsorted(times, until)))
            lengths = np.diff(np.append(np.maximum(times[rows], since), until)).astype(np.float64)
            for octet in range(self._kept):
                high[octet] += (np.bincount(octets[rows, octet], lengths, 256) @ _BITS_OF_OCTET).astype(np.int64)
            passed_over -= until - since
        now = octets[-1][self._places >> 3] >> (self._places & 7) & 1
        state.high[bits] += high.reshape(-1)[self._places] + state.bit_level[bits] * begin - now * end
        state.untimed[bits] += passed_over
        state.bit_level[bits], state.bit_known[bits], state.bit_seen[bits] = now, True, True

    def _words(self, octets: Octets, levels: list[Levels], count: int) -> tuple[Words, Optional[Words]]:
        """Return the words that show samples and levels, and the bits of volts that are not decided yet."""
        words: Words = np.zeros(count, np.uint64)
        for number, table in enumerate(self._tables):
            if table is not None:
                shown = table.take(octets[:, number])
                words = shown if number == 0 else words | shown
        unknown: Words = np.zeros(count, np.uint64)
        for (low, high), each in zip(self._volts_masks, levels, strict=True):
            words[each == 1] |= high
            words[each != 1] |= low  # before the first that is decided as if it were low
            unknown[each < 0] |= low | high
        return words, unknown if unknown.any() else None

    def _shown(self, block: Block, begun: bool) -> Block:
        """Leave out the rows that show no change."""
        if not len(block.times):
            return block
        word, hidden = self._last
        unknown = block.unknown
        if not self._all_shown:
            kept = np.ones(len(block.times), bool)
            kept[1:] = block.words[1:] != block.words[:-1]
            kept[0] = not begun or int(block.words[0]) != word
            if unknown is not None or hidden:
                given = np.zeros(len(kept), np.uint64) if unknown is None else unknown
                kept[1:] |= given[1:] != given[:-1]
                kept[0] |= int(given[0]) != hidden
            if not kept.all():
                block = Block(block.times[kept], block.words[kept], None if unknown is None else unknown[kept])
        if len(block.times):
            self._last = int(block.words[-1]), 0 if block.unknown is None else int(block.unknown[-1])
        return block


def _bytes_compared(unit_bytes: int) -> int:
    """Return how many bytes a sample is widened to, so that it is one number, or some whole ones."""
    return next((size for size in (0, 1, 2, 4, _WIDEST) if unit_bytes <= size), -(-unit_bytes // _WIDEST) * _WIDEST)


def _counted(first: int, end: int) -> Iterator[tuple[int, int]]:
    """Yield the stretches of the samples from one on up to another that count towards the ticks spent high."""
    if first < EXACT_SAMPLES:
        yield first, min(end, EXACT_SAMPLES)
    low = max(first, EXACT_SAMPLES)
    for number in range(low // STRETCH_SAMPLES, -(-end // STRETCH_SAMPLES) if end > low else 0):
        if number % SAMPLED_STRETCHES == 0:
            yield max(low, number * STRETCH_SAMPLES), min(end, (number + 1) * STRETCH_SAMPLES)


def _masks(signal: Signal, layout: Layout) -> tuple[np.uint64, np.uint64]:
    """Return the bits of the word that are set by a 0, and by a 1, of a channel of one bit."""
    mask = signal.masks.get(0, 0) & layout.output
    return np.uint64(mask & layout.invert), np.uint64(mask & ~layout.invert)


def _table(logic: Sequence[tuple[Signal, int]], octet: int, layout: Layout) -> Optional[Words]:
    """Return the word for each value of a byte of the sample, uint64 (256,); None where it carries no channel that is shown."""
    table: Words = np.zeros(256, np.uint64)
    for signal, place in logic:
        if place >> 3 == octet:
            masks = np.array(_masks(signal, layout), np.uint64)
            table |= masks[_BITS_OF_OCTET[:, place & 7]]
    return table if table.any() else None
