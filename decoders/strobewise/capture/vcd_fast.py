"""The table-driven readers: a block of text to rows with array operations, no loop over words.

`_read_plain` takes what nearly every block is: times, and 0 or 1 for scalars with one-character ids, each change a real one. What a change
does is then one bit of an exclusive or, and its running value over the words is the state. `_read_mixed` takes x and z, values said again,
vectors and longer ids as well. For a block that is not theirs both give up before anything of the state has changed; the general reader
then takes it, and says what is wrong where something is.
"""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from .records import Times, Words
from .state import BodyState, Layout, Signal
from .vcd_general import Rows

Int = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_OTHER, _TIME, _CHANGE, _CHANGE_DIGIT = 0, 1, 2, 3  #: the last: a change of a signal whose id is a digit
_ZERO, _HASH = 0x30, 0x23
_PAD = b"    "  #: so that a word's third byte can always be looked at
_NO_ROWS = Rows(np.empty(0, np.int64), np.empty(0, np.uint64), np.empty(0, np.uint64))
EXACT_BLOCKS = 16  #: blocks in which the time spent high is counted fully; of later ones only each sixteenth (edges are always all counted)
SAMPLED_BLOCKS = 16
_ROUNDS = 6
_COLUMNS = 4  #: digits of a time that are read one by one at first: steps in a capture are shorter than 10,000 ticks as a rule


class Tables:
    """Look-up tables of one layout, made once."""

    def __init__(self, layout: Layout) -> None:
        self.plain = layout.in_word and not any(signal.volts or signal.ignored for signal in layout.signals)
        self.mixed = self.plain and all(signal.width <= 64 for signal in layout.signals)
        self.columns = _COLUMNS
        self.block = 0
        self.counted = True  #: the ticks of the last block were counted fully
        self.word_class = np.zeros(65536, np.uint8)
        self.mask = np.zeros(65536, np.uint64)
        self.bit = np.full(65536, min(layout.bits, 255), np.uint8)  #: index of the bit that a pair changes; the number of bits for a time
        self.value = np.zeros(65536, np.bool_)
        self.digit_ids = False
        self.ids_like_vectors = False
        self.mask_of_bit = np.zeros(layout.bits, np.uint64)
        if not self.plain:
            return
        for digit in range(10):
            self.word_class[_HASH | (_ZERO + digit) << 8] = _TIME
        for signal in layout.signals:
            for position, mask in signal.masks.items():
                self.mask_of_bit[signal.first_bit + position] = mask
            if signal.width == 1 and len(signal.code) == 1:
                for value in (0, 1):
                    pair = _ZERO + value | signal.code[0] << 8
                    self.word_class[pair] = _CHANGE_DIGIT if signal.code.isdigit() else _CHANGE
                    self.mask[pair] = signal.masks[0]
                    self.bit[pair] = signal.first_bit
                    self.value[pair] = bool(value)
                self.digit_ids = self.digit_ids or signal.code.isdigit()
        self.first_mask_bit = [_side_by_side(signal) for signal in layout.signals]
        codes = [signal.code for signal in layout.signals]
        self.mixed = self.mixed and all(len(code) <= 4 for code in codes)
        self.ids_like_vectors = any(code[:1] in b"bB" for code in codes)
        self.signal_of_byte = np.full(256, -1, np.int64)
        for number, code in enumerate(codes):
            if len(code) == 1:
                self.signal_of_byte[code[0]] = number
        keys = np.array([int.from_bytes(code[:4], "little") for code in codes], np.int64)
        self.order = np.argsort(keys)
        self.keys = keys[self.order]


def _side_by_side(signal: Signal) -> int:
    """Return the bit of the word that shows a signal's position 0, when the others follow it in order, else -1."""
    base = signal.masks.get(0, 0).bit_length() - 1
    return base if base >= 0 and all(signal.masks.get(k) == 1 << (base + k) for k in range(signal.width)) else -1


class _Words(NamedTuple):
    """The words of a block: bytes (padded), where each word starts, its first two bytes as one number."""

    text: Bytes
    ink: npt.NDArray[np.bool_]
    starts: Int
    pair: npt.NDArray[np.uint16]


def _split(text: bytes) -> _Words:
    data = np.frombuffer(text + _PAD, np.uint8)
    ink = data > 0x20
    starts = np.flatnonzero(ink[1:] > ink[:-1])
    starts += 1
    if ink[0]:
        starts = np.concatenate([[0], starts])
    pair = data.take(starts + 1).astype(np.uint16)
    pair <<= 8
    pair |= data.take(starts)
    return _Words(data, ink, starts, pair)


def read_fast(text: bytes, layout: Layout, state: BodyState, tables: Tables) -> Optional[tuple[Rows, int]]:
    """Read a block with the faster of the two readers that takes it; None when neither does. Returns what vcd_general.read_general does."""
    if not tables.plain or state.skipping or state.time is None:
        return None
    words = _split(text)
    if not len(words.starts):
        return _NO_ROWS, len(text)
    rows = None if state.unknown else _read_plain(text, words, layout, state, tables)
    if rows is not None:
        return rows, len(text)
    return _read_mixed(text, words, layout, state, tables) if tables.mixed else None


def _read_plain(text: bytes, words: _Words, layout: Layout, state: BodyState, tables: Tables) -> Optional[Rows]:
    """Read a block of plain changes; None when it is not plain."""
    classes = tables.word_class.take(words.pair)
    is_time = classes == _TIME
    time_at = np.flatnonzero(is_time)
    changes = len(classes) - len(time_at)
    if np.count_nonzero(classes) != len(classes) or np.count_nonzero(words.text.take(words.starts + 2) > 0x20) > len(time_at):
        return None
    named = int(np.count_nonzero(classes == _CHANGE_DIGIT)) if tables.digit_ids else 0
    times = _times(text, words, time_at, tables, changes, named)
    if times is None or (len(times) and not _rising(times, state.time or 0)):
        return None
    masks = tables.mask.take(words.pair)
    value = tables.value.take(words.pair)
    settled = _running(masks, value, state.levels)
    if settled is None:
        return None
    running, said_again = settled
    rows = _rows(times, time_at, running, None, state)
    bits = tables.bit.take(words.pair)
    bits[said_again] = layout.bits
    _count_plain(bits, value, is_time, times, state, tables)
    state.levels = int(running[-1])
    state.bit_level = tables.mask_of_bit & np.uint64(state.levels) != 0
    if len(times):
        state.time = int(times[-1])
    return rows


def _running(masks: Words, value: npt.NDArray[np.bool_], before: int) -> Optional[tuple[Words, Int]]:
    """Return the state after each word, and which words say a value again (their masks become 0). None when those are too many.

    A change that is none shows as a state that contradicts its value. Of each bit the first such word is taken out, which puts the words
    behind it right up to the bit's next one; a dump in the middle of a file costs one or two rounds.
    """
    said_again = np.empty(0, np.int64)
    for _ in range(_ROUNDS):
        running: Words = np.bitwise_xor.accumulate(masks)
        running ^= np.uint64(before)
        level = masks & running != 0
        level ^= value
        if not level.any():
            return running, said_again
        wrong = np.flatnonzero(level)
        _, first = np.unique(masks.take(wrong), return_index=True)
        found = wrong.take(first)
        masks[found] = 0
        value[found] = False
        said_again = np.concatenate([said_again, found])
    return None


def _rising(times: Int, before: int) -> bool:
    return bool(times[0] > before and (times[1:] > times[:-1]).all())


def _times(text: bytes, words: _Words, time_at: Int, tables: Tables, changes: int, named: int) -> Optional[Int]:
    """Read the block's times from their last digits; None when something else than digits stands in one of them.

    Only the last few digits of every time are read. What they run over is counted as carries, and the sum must come out at the last time
    of the block, which is read in full: no step can then have been longer than the digits that were read show. `named` is the number of changes
    whose id is a digit.
    """
    if not len(time_at):
        return np.empty(0, np.int64)
    starts = words.starts.take(time_at)
    first, last = _number(text, int(starts[0])), _number(text, int(starts[-1]))
    if first is None or last is None or last[0] < first[0]:
        return None
    ends = _ends(text, starts, first[1], last[1])
    if ends is None:
        return None
    lengths = ends - starts - 1
    digits = int(lengths.sum())
    ink = int(np.count_nonzero(words.ink))
    figures = int(np.count_nonzero(words.text - np.uint8(_ZERO) < 10))
    if ink != 2 * changes + len(starts) + digits or figures != digits + changes + named:
        return None  # a word that is longer or shorter than it seems, or a time with other characters than digits
    longest = int(last[1])
    while True:
        columns = min(tables.columns, longest)
        low = _low_digits(words.text, ends, lengths, columns)
        times = low.astype(np.int64)
        if columns < longest:
            carries = np.cumsum(low[1:] < low[:-1])
            times[1:] += carries * 10**columns
        times += first[0] - int(times[0])
        if int(times[-1]) == last[0]:
            return times
        if columns >= longest:
            return None
        tables.columns = columns + 2


def _low_digits(data: Bytes, ends: Int, lengths: Int, columns: int) -> Int:
    shortest = int(lengths[0])  # times grow
    low: Int = data.take(ends - 1).astype(np.int64)
    low -= _ZERO
    weight = 1
    for column in range(2, columns + 1):
        weight *= 10
        digit = data.take(ends - column).astype(np.int64)
        digit -= _ZERO
        if column > shortest:  # a shorter time has its '#', or what stands before it, here
            digit[column > lengths] = 0
        digit *= weight
        low += digit
    return low


def _number(text: bytes, start: int) -> Optional[tuple[int, int]]:
    """Return the time that stands behind a '#', and how many digits it has."""
    end = start + 1
    while end < len(text) and text[end] > 0x20:
        end += 1
    digits = text[start + 1 : end]
    if not digits.isdigit() or len(digits) > 18 or (digits[:1] == b"0" and len(digits) > 1):
        return None
    return int(digits), len(digits)


def _ends(text: bytes, starts: Int, shortest: int, longest: int) -> Optional[Int]:
    """Return where each time ends. Times grow, so that their lengths do: the places where they do are found by halving."""
    ends = starts + (1 + shortest)
    begin = 0
    for length in range(shortest, longest):
        low, high = begin, len(starts) - 1
        while low < high:
            middle = (low + high) // 2
            number = _number(text, int(starts[middle]))
            if number is None:
                return None
            if number[1] > length:
                high = middle
            else:
                low = middle + 1
        begin = low
        ends[begin:] += 1
    return ends


def _rows(times: Int, time_at: Int, running: Words, unknown: Optional[Words], state: BodyState) -> Rows:
    """Return the rows of all times but the last: the state just before each next time."""
    n = len(times)
    if not n:
        return _NO_ROWS
    row_times: Times = np.empty(n, np.int64)
    row_times[0] = state.time or 0
    row_times[1:] = times[:-1]
    at = time_at - 1
    levels = _take_rows(running, at, state.levels)
    return Rows(row_times, levels, np.zeros(n, np.uint64) if unknown is None else _take_rows(unknown, at, state.unknown))


def _take_rows(running: Words, at: Int, before: int) -> Words:
    """Return the running state at each index; index -1 is the state before the block."""
    rows: Words = running.take(np.maximum(at, 0))
    if at[0] < 0:
        rows[0] = before
    return rows


def _count_plain(
    bits: Bytes, value: npt.NDArray[np.bool_], is_time: npt.NDArray[np.bool_], times: Int, state: BodyState, tables: Tables
) -> None:
    """Count edges, and the ticks spent high where this block is one of those that are counted fully.

    bits: for each word the index of the bit that it changes, the number of bits where it changes none.
    """
    n = len(state.edges)
    counts = np.bincount(bits, minlength=n + 1)[:n]
    state.edges += counts
    before = state.time or 0
    after = int(times[-1]) if len(times) else before
    if not _counts_fully(tables):
        _pass_over(state, before, after)
        final = state.bit_level ^ (counts & 1 == 1)  # every change is a real one
        state.high -= np.where(final & state.bit_known, after, 0)
        return
    row = np.cumsum(is_time)
    ticks = np.concatenate([[0], times - before]).take(row)
    signed = np.where(value, -ticks, ticks).astype(np.float64)  # exact: a block's own span is far below 2**53
    state.high += np.bincount(bits, weights=signed, minlength=n + 1)[:n].astype(np.int64)
    state.high += (counts - 2 * np.bincount(bits[value], minlength=n + 1)[:n]) * before


def _counts_fully(tables: Tables) -> bool:
    """Say whether this block's ticks are counted, and go on to the next block."""
    tables.block += 1
    tables.counted = tables.block <= EXACT_BLOCKS or tables.block % SAMPLED_BLOCKS == 0
    return tables.counted


def _pass_over(state: BodyState, before: int, after: int) -> None:
    """Leave the stretch from `before` to `after` out of the ticks: close what is high, count on from the end (the caller opens high)."""
    state.high += np.where(state.bit_level & state.bit_known, before, 0)
    state.known += np.where(state.bit_known, before - after, 0)


def _read_mixed(text: bytes, words: _Words, layout: Layout, state: BodyState, tables: Tables) -> Optional[tuple[Rows, int]]:
    """Read a block with x, z, repeated values, vectors or ids of up to four characters; None when it holds anything else."""
    ends = np.flatnonzero(words.ink[:-1] > words.ink[1:]) + 1
    first = (words.pair & np.uint16(0xFF)).astype(np.uint8)
    is_vector = (first | 0x20) == ord("b")
    if tables.ids_like_vectors:
        # In a row of words that begin with b, values and their ids take turns.
        index = np.arange(len(first))
        start = np.maximum.accumulate(np.where(is_vector, -1, index))
        is_vector &= (index - start) % 2 == 1
    is_id = np.zeros(len(first), np.bool_)
    is_id[1:] = is_vector[:-1]
    is_time = (first == _HASH) & ~is_id
    consumed = len(text)
    if is_vector[-1]:  # its id is still to come
        consumed = int(words.starts[-1])
        is_vector, is_id, is_time, first = is_vector[:-1], is_id[:-1], is_time[:-1], first[:-1]
        words = words._replace(starts=words.starts[:-1])
        ends = ends[:-1]
        if not len(first):
            return _NO_ROWS, consumed
    low = first | np.uint8(0x20)
    is_scalar = ((first == _ZERO) | (first == _ZERO + 1) | (low == ord("x")) | (low == ord("z"))) & ~is_id
    if np.count_nonzero(is_vector | is_id | is_time | is_scalar) != len(first):
        return None
    time_at = np.flatnonzero(is_time)
    times = _times_mixed(text, words, time_at, ends)
    if times is None or (len(times) and not _rising(times, state.time or 0)):
        return None
    events = _events(words, ends, is_scalar, is_vector, first, layout, tables)
    if events is None:
        return None
    token, signal, level, known = events
    levels, unknown = np.zeros(len(first), np.uint64), np.zeros(len(first), np.uint64)
    closing = _Closing(state, int(times[-1]) if len(times) else state.time or 0)
    clock = _Clock(state.time or 0, times, is_time)
    _apply_events(token, signal, level, known, clock, levels, unknown, layout, state, tables)
    closing.done(state, tables)
    np.bitwise_xor.accumulate(levels, out=levels)
    np.bitwise_xor.accumulate(unknown, out=unknown)
    levels ^= np.uint64(state.levels)
    unknown ^= np.uint64(state.unknown)
    rows = _rows(times, time_at, levels, unknown, state)
    state.levels, state.unknown = int(levels[-1]), int(unknown[-1])
    if len(times):
        state.time = int(times[-1])
    return rows, consumed


class _Clock:
    """The time of each word of a block, worked out when somebody asks."""

    def __init__(self, before: int, times: Int, is_time: npt.NDArray[np.bool_]) -> None:
        self._before, self._times, self._is_time = before, times, is_time
        self._row: Optional[Int] = None

    def of(self, token: Int) -> Int:
        """Return the times of some words."""
        if self._row is None:
            self._row = np.cumsum(self._is_time)
            self._times = np.concatenate([[self._before], self._times])
        return self._times.take(self._row.take(token))


class _Closing:
    """Leaves a block's span out of the ticks of bits whose levels were not followed through it."""

    def __init__(self, state: BodyState, after: int) -> None:
        self.before, self.after = state.time or 0, after
        self.level, self.known = state.bit_level.copy(), state.bit_known.copy()
        self.high_ticks, self.known_ticks = state.high.copy(), state.known.copy()

    def done(self, state: BodyState, tables: Tables) -> None:
        """Put the ticks back to what they were before the block, and start anew behind it, where the block is not counted fully."""
        if tables.counted:
            return
        state.high[:] = self.high_ticks + np.where(self.level & self.known, self.before, 0)
        state.known[:] = self.known_ticks + np.where(self.known, self.before, 0)
        state.high -= np.where(state.bit_level & state.bit_known, self.after, 0)
        state.known -= np.where(state.bit_known, self.after, 0)


def _times_mixed(text: bytes, words: _Words, time_at: Int, ends: Int) -> Optional[Int]:
    """Read every digit of the times."""
    starts, stops = words.starts.take(time_at) + 1, ends.take(time_at)
    lengths = stops - starts
    if not len(starts):
        return np.empty(0, np.int64)
    shortest, longest = int(lengths.min()), int(lengths.max())
    if shortest < 1 or longest > 18:
        return None
    times = np.zeros(len(starts), np.int64)
    for column in range(longest):
        digit = words.text.take(np.maximum(stops - (1 + column), 0))
        digit -= np.uint8(_ZERO)
        if column >= shortest:
            digit[column >= lengths] = 0
        if int(digit.max()) > 9:
            return None
        times += digit * np.int64(10**column)
    return times


_Events = tuple[Int, Int, Words, Words]  # word index, signal index, level bits, known bits


def _events(
    words: _Words,
    ends: Int,
    is_scalar: npt.NDArray[np.bool_],
    is_vector: npt.NDArray[np.bool_],
    first: Bytes,
    layout: Layout,
    tables: Tables,
) -> Optional[_Events]:
    """Return the value changes of a block in order; None when one of them is not understood."""
    scalar_at, vector_at = np.flatnonzero(is_scalar), np.flatnonzero(is_vector)
    widths = np.array([signal.width for signal in layout.signals], np.int64)
    signal = _signals(words.text, words.starts.take(scalar_at) + 1, ends.take(scalar_at), tables)
    if signal is None or (len(signal) and int(widths[signal].max()) > 1):
        return None
    value = first.take(scalar_at)
    known = (value == _ZERO) | (value == _ZERO + 1)
    level = (value == _ZERO + 1).astype(np.uint64)
    if not len(vector_at):
        return scalar_at, signal, level, known.astype(np.uint64)
    owner = _signals(words.text, words.starts.take(vector_at + 1), ends.take(vector_at + 1), tables)
    if owner is None:
        return None
    digits = _digits(words.text, words.starts.take(vector_at) + 1, ends.take(vector_at), widths[owner])
    if digits is None:
        return None
    token = np.concatenate([scalar_at, vector_at])
    signal = np.concatenate([signal, owner])
    level = np.concatenate([level, digits[0]])
    all_known = np.concatenate([known.astype(np.uint64), digits[1]])
    if int(widths[owner].min()) > 1:  # a signal's changes are then all of one sort, in order
        return token, signal, level, all_known
    order = np.argsort(token, kind="stable")
    return token[order], signal[order], level[order], all_known[order]


def _signals(data: Bytes, starts: Int, ends: Int, tables: Tables) -> Optional[Int]:
    """Return the signal of each identifier code, None when one is not declared or too long."""
    if not len(starts):
        return np.empty(0, np.int64)
    lengths = ends - starts
    longest = int(lengths.max())
    if int(lengths.min()) < 1 or longest > 4:
        return None
    if longest == 1:
        found = tables.signal_of_byte.take(data.take(starts))
        return None if int(found.min()) < 0 else found
    key = data.take(starts).astype(np.int64)
    for column in range(1, longest):
        byte = data.take(np.minimum(starts + column, len(data) - 1)).astype(np.int64) << 8 * column
        key |= np.where(lengths > column, byte, 0)
    at = np.minimum(np.searchsorted(tables.keys, key), len(tables.keys) - 1)
    if not np.array_equal(tables.keys[at], key):
        return None
    return tables.order[at]


def _digits(data: Bytes, starts: Int, ends: Int, widths: Int) -> Optional[tuple[Words, Words]]:
    """Return level and known bits of vector values, left-extended as IEEE 1364-2005, clause 18 says; None for a bad digit or too many."""
    lengths = ends - starts
    if int(lengths.min()) < 1 or (lengths > widths).any():
        return None
    plain = _binary(data, ends, lengths)
    if plain is not None:
        return plain, _ones(widths)
    level, known = np.zeros(len(starts), np.uint64), np.zeros(len(starts), np.uint64)
    for column in range(int(lengths.max())):
        byte = data.take(np.maximum(ends - 1 - column, 0))
        inside = column < lengths
        one, zero = byte == _ZERO + 1, byte == _ZERO
        low = byte | np.uint8(0x20)
        if not (one | zero | (low == ord("x")) | (low == ord("z")))[inside].all():
            return None
        level |= (one & inside).astype(np.uint64) << np.uint64(column)
        known |= ((one | zero) & inside).astype(np.uint64) << np.uint64(column)
    leftmost = data.take(starts)
    extended = (leftmost == _ZERO) | (leftmost == _ZERO + 1)
    above = _ones(widths) & ~_ones(lengths)
    known |= np.where(extended, above, np.uint64(0))
    return level, known


_INSIDE = (np.arange(16) >= 16 - np.arange(17)[:, None]).astype(np.uint8)  #: row n: the last n of 16 columns


def _binary(data: Bytes, ends: Int, lengths: Int) -> Optional[Words]:
    """Return vector values that have the digits 0 and 1 only and are up to 16 digits long; None where that is not so."""
    size = 16
    if int(lengths.max()) > size or int(ends.min()) < size:
        return None
    windows = np.lib.stride_tricks.as_strided(data, (len(data) - size, size), (1, 1), writeable=False)
    digits = windows[ends - size]
    digits -= np.uint8(_ZERO)
    if int(lengths.min()) < size:  # what stands before a shorter value counts as zeros
        digits *= _INSIDE.take(lengths, axis=0)
    if int(digits.max()) > 1:
        return None
    packed = np.packbits(digits).reshape(-1, 2)
    return packed[:, 0].astype(np.uint64) << np.uint64(8) | packed[:, 1]


def _ones(count: Int) -> Words:
    """Return words with their lowest `count` bits set, count 0..64."""
    shift = np.minimum(count, 63).astype(np.uint64)
    ones = (np.uint64(1) << shift) - np.uint64(1)
    return np.where(count >= 64, np.uint64(0xFFFFFFFFFFFFFFFF), ones)


def _apply_events(
    token: Int,
    signal: Int,
    level: Words,
    known: Words,
    clock: _Clock,
    levels: Words,
    unknown: Words,
    layout: Layout,
    state: BodyState,
    tables: Tables,
) -> None:
    """Turn value changes into toggles of the packed word, signal by signal, and keep the account of every bit."""
    fully = _counts_fully(tables)
    order = np.argsort(signal.astype(np.uint8) if len(layout.signals) < 256 else signal, kind="stable")
    borders = np.flatnonzero(np.diff(signal.take(order))) + 1
    for part in np.split(order, borders):
        if not len(part):
            continue
        number = int(signal[part[0]])
        owner = layout.signals[number]
        where = token.take(part)
        bits = slice(owner.first_bit, owner.first_bit + owner.width)
        own_level, own_known = level.take(part), known.take(part)
        if not fully and state.bit_known[bits].all() and (own_known == _ONES[owner.width]).all():
            levels[where] ^= _whole_vector(own_level, owner, tables.first_mask_bit[number], state)
            continue
        for position in range(owner.width):
            shift = np.uint64(position)
            bit_known = own_known >> shift & np.uint64(1) != 0
            bit_level = own_level >> shift & np.uint64(1) != 0
            toggled, switched = _account(state, owner.first_bit + position, bit_level, bit_known, clock.of(where))
            mask = np.uint64(owner.masks.get(position, 0))
            levels[where[toggled]] ^= mask
            unknown[where[switched]] ^= mask


_BITS_OF_BYTE = np.arange(256)[:, None] >> np.arange(8) & 1
_ONES = [np.uint64((1 << width) - 1) for width in range(65)]


def _whole_vector(level: Words, owner: Signal, base: int, state: BodyState) -> Words:
    """Return the toggles of the packed word for values that are all known, and count the edges; the caller sees to the ticks.

    base: bit of the word that shows position 0 when the signal's bits lie side by side there, -1 when they do not.
    """
    first = owner.first_bit
    was = sum(1 << k for k in range(owner.width) if state.bit_level[first + k])
    toggles: Words = np.empty_like(level)
    toggles[0] = level[0] ^ np.uint64(was)
    np.bitwise_xor(level[1:], level[:-1], out=toggles[1:])
    bits = slice(first, first + owner.width)
    raw = toggles.view(np.uint8).reshape(-1, 8)
    for byte in range((owner.width + 7) // 8):
        edges = np.bincount(raw[:, byte], minlength=256) @ _BITS_OF_BYTE
        part = slice(first + 8 * byte, min(first + 8 * byte + 8, bits.stop))
        state.edges[part] += edges[: part.stop - part.start]
    state.bit_level[bits] = [int(level[-1]) >> k & 1 for k in range(owner.width)]
    if base >= 0:
        return toggles << np.uint64(base)
    spread = np.zeros_like(toggles)
    for position, mask in owner.masks.items():
        spread |= (toggles >> np.uint64(position) & np.uint64(1)) * np.uint64(mask)
    return spread


def _account(
    state: BodyState, bit: int, level: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_], when: Int
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return where one bit's level and its being known change, and update its account.

    A bit that is not known keeps its last level.
    """
    was_level, was_known, seen = bool(state.bit_level[bit]), bool(state.bit_known[bit]), bool(state.bit_seen[bit])
    if not known.all():
        index = np.where(known, np.arange(len(known)), -1)
        np.maximum.accumulate(index, out=index)
        level = np.where(index >= 0, level[np.maximum(index, 0)], was_level)
    before = np.concatenate([[was_level], level[:-1]])
    known_before = np.concatenate([[was_known], known[:-1]])
    toggled, switched = level != before, known != known_before
    edges = int(np.count_nonzero(toggled))
    if not seen and known.any():
        edges -= bool(toggled[int(known.argmax())])  # the first value is no edge
    state.edges[bit] += edges
    high, high_before = level & known, before & known_before
    state.high[bit] += when[high_before & ~high].sum() - when[high & ~high_before].sum()
    state.known[bit] += when[known_before & ~known].sum() - when[known & ~known_before].sum()
    state.bit_level[bit], state.bit_known[bit] = level[-1], known[-1]
    state.bit_seen[bit] = seen or bool(known.any())
    return toggled, switched
