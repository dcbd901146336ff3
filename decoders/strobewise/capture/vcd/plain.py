"""The plain reader: times, and changes to 0 and 1 of signals with one-character ids, for whole blocks at a time.

Nearly every block of a capture is of that kind. What a change does is an exclusive or with the bits that it toggles, and the
running exclusive or over the words of a block is the state after each word: no loop, no sorting. That holds as long as every
scalar change is a real one, which the running state shows: a block in which a value is said again, is x or z, or belongs to
a bit that has no value yet, is left to another reader, untouched.
"""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np

from .general import Rows
from .state import BodyState, Layout, Signal, TickCount
from .text import HASH, ONE, ZERO, Bytes, Flags, Int, Text, Words, binary, decimal, eights

_BITS_OF_BYTE = np.arange(256)[:, None] >> np.arange(8) & 1
_LONGEST_TIME = 16  #: digits
_ROUNDS = 6  #: places in a block where values are said again
_DUMP_WORDS = 64  #: words of such a place
_VECTOR = ord("b")
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
#: Bytes of eight that belong to a value of which 0 to 8 digits stand in them.
_INSIDE = np.array([((1 << 64) - 1) & ~((1 << 8 * (8 - digits)) - 1) for digits in range(9)], np.uint64)


class PlainTables:
    """Look-up tables of one layout, made once."""

    def __init__(self, layout: Layout) -> None:
        self.usable = layout.in_word
        self.mask = np.zeros(256, np.uint64)  #: by id: the bits of the word that a scalar's change toggles
        self.bit = np.full(256, -1, np.int64)  #: by id: the scalar's index among all bits
        self.vectors: dict[int, Signal] = {}  #: by id
        self.spread: dict[int, list[Words]] = {}  #: by id: for each eight bits of a vector, the bits of the word for each value
        self.mask_of_bit = np.zeros(layout.bits, np.uint64) if self.usable else np.zeros(0, np.uint64)
        for signal in layout.signals if self.usable else ():
            for position, mask in signal.masks.items():
                self.mask_of_bit[signal.first_bit + position] = mask
            if len(signal.code) == 1 and not signal.volts and not signal.ignored:
                self._enter(signal)
        self.scalar_ids = np.flatnonzero(self.bit >= 0)
        self.scalar_bits = self.bit[self.scalar_ids]
        self.digit_ids = bool((self.bit[ZERO : ZERO + 10] >= 0).any())

    def _enter(self, signal: Signal) -> None:
        code = signal.code[0]
        if signal.width == 1:
            self.mask[code] = signal.masks[0]
            self.bit[code] = signal.first_bit
        elif code | 0x20 != _VECTOR:  # else values and ids cannot be told apart at a glance
            self.vectors[code] = signal
            self.spread[code] = [_spread(signal, low) for low in range(0, signal.width, 8)]


def _spread(signal: Signal, low: int) -> Words:
    """Return the bits of the word for each value of a vector's bits `low` to `low + 7`."""
    values = np.arange(256, dtype=np.uint64)
    table = np.zeros(256, np.uint64)
    for position in range(low, min(low + 8, signal.width)):
        table |= (values >> np.uint64(position - low) & np.uint64(1)) * np.uint64(signal.masks[position])
    return table


class _Change(NamedTuple):
    """The changes of one vector in a block."""

    signal: Signal
    at: Int  #: index of each value among the words
    toggles: Words  #: bits of the packed word
    values: list[Words]  #: for each eight bits of the vector, their values
    flips: list[Words]  #: and which of them differ from the value before
    ink: int


def read_plain(text: Text, tables: PlainTables, state: BodyState, ticks: TickCount) -> Optional[Rows]:
    """Read a block and carry the state on; None, and nothing changed, for a block that is not plain.

    The rows are those of all times but the last, which later text may still change.
    """
    if not tables.usable:
        return None
    assert state.time is not None  # up to the first time the general reader reads
    vectors = _vector_words(text, tables)
    if vectors is None:
        return None
    vector_at, ids, first = vectors
    is_one = first == ONE
    time_at = np.flatnonzero(first == HASH)
    scalars = int(np.count_nonzero(is_one)) + int(np.count_nonzero(first == ZERO))
    if scalars + len(time_at) + 2 * len(vector_at) != len(first):
        return None
    second = text.second.astype(np.int64)  # as an index
    if tables.digit_ids:  # digits that are no ids must not look like some
        second[time_at] = second[vector_at] = 0
    toggles = np.empty(len(first) + 1, np.uint64)
    toggles[0] = state.levels
    tables.mask.take(second, out=toggles[1:], mode="clip")
    if int(np.count_nonzero(toggles[1:])) != scalars:  # an id that is not declared, or not a scalar's
        return None
    times = read_times(text, time_at, state.time)
    if times is None:
        return None
    changes = _all_vector_changes(text, vector_at, ids, tables, state)
    if changes is None:
        return None
    for change in changes:
        toggles[1:][change.at] = change.toggles
    vector_ink = sum(change.ink for change in changes)
    if text.ink != 2 * scalars + times.ink + vector_ink:  # a word is longer than it seems
        return None
    if state.unknown and int(np.bitwise_or.reduce(toggles[1:])) & state.unknown:
        return None
    settled = _settle(toggles, is_one, vector_at)
    if settled is None:
        return None
    running, said_again = settled
    last = times.last_of_time(time_at)
    unknown = np.full(len(last), state.unknown, np.uint64) if state.unknown else None
    rows = Rows(times.rows, running.take(last), unknown)
    _count_edges(second, said_again, changes, tables, state)
    before = state.bit_level
    state.levels = int(running[-1])
    state.bit_level = tables.mask_of_bit & np.uint64(state.levels) != 0
    if ticks.counts_block():
        _count_ticks(second, is_one, said_again, time_at, times.all, changes, tables, state, before)
    else:
        ticks.pass_over(state, before, int(times.all[-1]))
    state.time = int(times.all[-1])
    return rows


def _all_vector_changes(text: Text, vector_at: Int, ids: Bytes, tables: PlainTables, state: BodyState) -> Optional[list[_Change]]:
    """Return the changes of each vector in a block, None where one of them is not plain or not known yet."""
    changes = []
    for code in np.flatnonzero(np.bincount(ids)).tolist():
        change = _vector_changes(text, vector_at[ids == code], code, tables, state)
        if change is None or not state.bit_known[change.signal.first_bit : change.signal.first_bit + change.signal.width].all():
            return None
        changes.append(change)
    return changes


def _settle(toggles: Words, is_one: Flags, vector_at: Int) -> Optional[tuple[Words, list[int]]]:
    """Return the state before the first and after each word, and which words say a value again; None when those are too many.

    toggles: the state before the block, then what each word toggles; set to 0 where a value is said again. Such a word shows
    as a state that contradicts its value, first there, then all along: so what stands around the first one is gone through
    word by word, as the dump in the middle of a file that it most often is, and the rest is looked at anew.
    """
    running: Words = np.bitwise_xor.accumulate(toggles)
    said_again: list[int] = []
    start = 0
    for _ in range(_ROUNDS):
        high = (toggles[start + 1 :] & running[start + 1 :]) != 0
        high ^= is_one[start:]
        later = vector_at[np.searchsorted(vector_at, start) :]
        high[later - start] = False
        high[[number - start for number in said_again if number >= start]] = False
        wrong = int(high.argmax()) if len(high) else 0
        if not len(high) or not high[wrong]:
            return running, said_again
        start += wrong
        state = int(running[start])
        vectors = set(vector_at[slice(*np.searchsorted(vector_at, (start, start + _DUMP_WORDS)))].tolist())
        for number, toggle in enumerate(toggles[start + 1 : start + 1 + _DUMP_WORDS].tolist(), start):
            if bool(state & toggle) == bool(is_one[number]) and toggle and number not in vectors:
                toggles[number + 1] = 0
                said_again.append(number)
            else:
                state ^= toggle
        toggles[start] = running[start]  # what stood there was looked at already
        np.bitwise_xor.accumulate(toggles[start:], out=running[start:])
    return None


class BlockTimes(NamedTuple):
    """The times of a block."""

    all: Int  #: the time before the block, then those that stand in it
    ink: int
    kept: Optional[Flags]  #: of all but the last: whether a later one follows; None when that is so for each

    @property
    def rows(self) -> Int:
        """Return the times whose state is settled in the block: all but the last, each once."""
        return self.all[:-1] if self.kept is None else self.all[:-1][self.kept]

    def last_of_time(self, time_at: Int) -> Int:
        """Return, for each of those, the index among the words at which the next time stands."""
        return time_at if self.kept is None else time_at[self.kept]


def read_times(text: Text, time_at: Int, before: int) -> Optional[BlockTimes]:
    """Read the times of a block; None when one is less than that before it, or is not made of digits."""
    times = np.empty(len(time_at) + 1, np.int64)
    times[0] = before
    starts = text.starts.take(time_at) + 1
    count, ink = len(starts), 0
    done = 0
    while done < count:
        width = _width(text.data, int(starts[done]))
        end = count if _width(text.data, int(starts[-1])) == width else _end_of_width(text, starts, done, width)
        part = starts[done:end]
        if not 1 <= width <= _LONGEST_TIME or not _read_times(text, part, width, times[done + 1 : end + 1]):
            return None
        ink += (width + 1) * len(part)
        done = end
    grows = times[1:] > times[:-1]
    if grows.all():
        return BlockTimes(times, ink, None)
    return BlockTimes(times, ink, grows) if bool((times[1:] >= times[:-1]).all()) else None


def _width(data: Bytes, start: int) -> int:
    """Return how many characters stand before the next blank."""
    end = start
    while data[end] > 0x20:
        end += 1
    return end - start


def _end_of_width(text: Text, starts: Int, low: int, width: int) -> int:
    """Return how many times have up to `width` digits, found by halving: they grow, and so do their lengths."""
    high = len(starts)
    while high - low > 1:
        middle = (low + high) // 2
        if _width(text.data, int(starts[middle])) > width:
            high = middle
        else:
            low = middle
    return low + 1


def _read_times(text: Text, starts: Int, width: int, out: Int) -> bool:
    """Read times of one width: the last eight digits of all at once, those before them column by column."""
    ends = starts + width
    if (text.data.take(ends) > 0x20).any():
        return False
    low, plain = decimal(eights(text.data, ends - 8), min(width, 8))
    if not plain:
        return False
    out[:] = low
    weight = 10**8
    for column in range(width - 9, -1, -1):
        digits = text.data.take(starts + column) - np.uint8(ZERO)
        if not (digits == digits[0]).all():
            if (digits > 9).any():
                return False
            out += digits * np.int64(weight)
        elif digits[0] > 9:
            return False
        else:
            out += int(digits[0]) * weight
        weight *= 10
    return True


def _vector_words(text: Text, tables: PlainTables) -> Optional[tuple[Int, Bytes, Bytes]]:
    """Return which words are values of vectors, the ids that follow them, and the first bytes of all words with those of ids blanked."""
    first = text.first
    none = np.empty(0, np.int64)
    if not tables.vectors:
        return none, none.astype(np.uint8), first
    at = np.flatnonzero(first | np.uint8(0x20) == _VECTOR)
    if not len(at):
        return none, none.astype(np.uint8), first
    if at[-1] == len(first) - 1:  # its id is still to come
        return None
    ids = first.take(at + 1)
    first = first.copy()
    first[at + 1] = 0
    return at, ids, first


def _vector_changes(text: Text, at: Int, code: int, tables: PlainTables, state: BodyState) -> Optional[_Change]:
    """Read the values of one vector, left-extended by 0; None when one is too long or not binary."""
    signal = tables.vectors.get(code)
    if signal is None:
        return None
    starts, ends = text.starts.take(at) + 1, text.starts.take(at + 1) - 1
    lengths = ends - starts
    shortest, longest = int(lengths.min()), int(lengths.max())
    if shortest < 1 or longest > signal.width:
        return None
    toggles = np.zeros(len(at), np.uint64)
    values, flips = [], []
    for low in range(0, signal.width, 8):
        if low < longest:
            inside = _ALL if shortest >= low + 8 else _INSIDE.take(np.clip(lengths - low, 0, 8))
            value, plain = binary(eights(text.data, np.maximum(ends - (low + 8), 0)), inside)
            if not plain:
                return None
        else:
            value = np.zeros(len(at), np.uint64)
        was = np.packbits(state.bit_level[signal.first_bit + low : signal.first_bit + min(low + 8, signal.width)], bitorder="little")[0]
        flip = value.copy()
        flip[1:] ^= value[:-1]
        flip[0] ^= np.uint64(was)
        toggles |= tables.spread[code][low // 8].take(flip.view(np.int64))
        values.append(value)
        flips.append(flip)
    return _Change(signal, at, toggles, values, flips, int(lengths.sum()) + 2 * len(at))


def _count_edges(second: Int, said_again: list[int], changes: list[_Change], tables: PlainTables, state: BodyState) -> None:
    counts = np.bincount(second, minlength=256)
    if said_again:
        counts -= np.bincount(second[said_again], minlength=256)
    state.edges[tables.scalar_bits] += counts[tables.scalar_ids]
    for change in changes:
        for number, flip in enumerate(change.flips):
            bits = _part(change.signal, number)
            state.edges[bits] += (np.bincount(flip.view(np.int64), minlength=256) @ _BITS_OF_BYTE)[: bits.stop - bits.start]


def _part(signal: Signal, number: int) -> slice:
    """Return where the bits of a vector's byte lie among all bits."""
    low = signal.first_bit + 8 * number
    return slice(low, min(low + 8, signal.first_bit + signal.width))


def _count_ticks(
    second: Int,
    is_one: Flags,
    said_again: list[int],
    time_at: Int,
    times: Int,
    changes: list[_Change],
    tables: PlainTables,
    state: BodyState,
    before: Flags,
) -> None:
    """Add what the block says of the ticks spent high: times of falls less times of rises, see BodyState.high.

    Sums run over times since the block's start: as floats they are exact, for a block's own span is far below 2**53.
    """
    words_at_time = np.diff(time_at, prepend=0, append=len(second))
    when = np.repeat((times - times[0]).astype(np.float64), words_at_time)
    signed = np.where(is_one, -when, when)
    signed[said_again] = 0.0
    state.high[tables.scalar_bits] += np.bincount(second, weights=signed, minlength=256)[tables.scalar_ids].astype(np.int64)
    for change in changes:
        at = when.take(change.at)
        for number, (value, flip) in enumerate(zip(change.values, change.flips, strict=True)):
            bits = _part(change.signal, number)
            falls = np.bincount((flip & ~value).view(np.int64), weights=at, minlength=256).astype(np.int64)
            rises = np.bincount((flip & value).view(np.int64), weights=at, minlength=256).astype(np.int64)
            state.high[bits] += ((falls - rises) @ _BITS_OF_BYTE)[: bits.stop - bits.start]
    state.high += (before.astype(np.int64) - state.bit_level) * times[0]
