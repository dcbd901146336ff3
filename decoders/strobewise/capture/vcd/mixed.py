"""The mixed reader: x and z, values said again, vectors, volts, ids of up to eight characters, $dump sections; whole blocks at a time.

Value changes are sorted by signal, so that each stands beside the one before it; what differs between the two is what toggles.
It leaves to the general reader, untouched, a block with anything else in it: $comment, text values, what is wrong.
"""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np

from ..distinct import distinct
from .general import KEYWORDS, Rows
from .plain import read_times
from .state import BodyState, Layout, TickCount
from .text import HASH, ONE, PAD, ZERO, Flags, Int, Text, Volts, Words, eights

_LOWER = np.uint8(0x20)
_VECTOR, _REAL, _X, _Z, _DOLLAR = ord("b"), ord("r"), ord("x"), ord("z"), ord("$")
_LONGEST_CODE = 8  #: characters of an identifier: as many as one 64-bit key holds
_PREFIX = np.array([(1 << 8 * length) - 1 for length in range(9)], np.uint64)  #: the first bytes of eight
_ONES = np.array([(1 << width) - 1 for width in range(65)], np.uint64)
_1 = np.uint64(1)


class MixedTables:
    """Look-up tables of one layout, made once."""

    def __init__(self, layout: Layout) -> None:
        signals = layout.signals
        self.usable = all(signal.width <= 64 and len(signal.code) <= _LONGEST_CODE for signal in signals)
        self.signals = signals
        self.first_bit = np.array([signal.first_bit for signal in signals], np.int64)
        self.width = np.array([signal.width for signal in signals], np.int64)
        self.whole = np.array([(1 << min(signal.width, 64)) - 1 for signal in signals], np.uint64)
        self.ignored = np.array([signal.ignored for signal in signals], np.bool_)
        self.volts = np.array([signal.volts for signal in signals], np.bool_)
        self.scalar_mask = np.array([signal.masks.get(0, 0) if signal.width == 1 else 0 for signal in signals], np.uint64)
        keys = np.array([int.from_bytes(signal.code[:_LONGEST_CODE], "little") for signal in signals], np.uint64)
        self._order = np.argsort(keys)
        self._keys = keys[self._order]
        self._short: Optional[Int] = None  #: ids of one or two characters: the signal by the id as a number
        if all(len(signal.code) <= 2 for signal in signals):
            self._short = np.full(65536, -1, np.int64)
            self._short[keys.astype(np.int64)] = np.arange(len(signals))

    def find(self, text: Text, starts: Int, ends: Int) -> Optional[Int]:
        """Return the signals of ids that stand between offsets; None when one is not declared."""
        if not len(starts):
            return np.empty(0, np.int64)
        lengths = ends - starts
        longest = int(lengths.max())
        if int(lengths.min()) < 1 or longest > _LONGEST_CODE:
            return None
        if self._short is not None:
            if longest > 2:
                return None
            key = text.data.take(starts).astype(np.int64)
            key |= np.where(lengths == 2, text.data.take(starts + 1).astype(np.int64) << 8, 0)
            found = self._short.take(key)
            return None if int(found.min()) < 0 else found
        keys = eights(text.data, starts) & _PREFIX.take(lengths)
        at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        return self._order.take(at) if np.array_equal(self._keys.take(at), keys) else None


class _Kinds(NamedTuple):
    """What each word of a block is: indices among the words."""

    words: int  #: words read: the last is left when it is a vector's value without its id
    times: Int
    scalars: Int
    vectors: Int
    reals: Int


class _Events(NamedTuple):
    """Value changes, sorted by signal and then as they stand in the text."""

    word: Int
    signal: Int
    level: Words
    known: Words


def read_mixed(text: Text, size: int, tables: MixedTables, state: BodyState, ticks: TickCount) -> Optional[tuple[Rows, int]]:
    """Read a block of `size` bytes and carry the state on; None, and nothing changed, for a block that it cannot read.

    Returns the rows of all times but the last, and how many bytes were read.
    """
    if not tables.usable:
        return None
    assert state.time is not None  # up to the first time the general reader reads
    ink = text.data > _LOWER
    ends = np.flatnonzero(ink[:-1] > ink[1:]) + 1
    kinds = _kinds(text, ends, tables)
    if kinds is None:
        return None
    consumed = size if kinds.words == len(text.starts) else int(text.starts[-1]) - PAD
    times = read_times(text, kinds.times, state.time)
    reals = _reals(text, ends, kinds, tables)
    events = _events(text, ends, kinds, tables)
    if times is None or reals is None or events is None:
        return None
    if len(kinds.reals):
        events = _joined(events, kinds.reals, *reals, tables, state)
    toggled, switched = _account(events, kinds, times.all, tables, state, ticks)
    levels, unknown = np.zeros(kinds.words + 1, np.uint64), np.zeros(kinds.words + 1, np.uint64)
    levels[0], unknown[0] = state.levels, state.unknown
    levels[events.word + 1], unknown[events.word + 1] = _in_word(toggled, events, tables), _in_word(switched, events, tables)
    levels, unknown = np.bitwise_xor.accumulate(levels), np.bitwise_xor.accumulate(unknown)
    state.levels, state.unknown = int(levels[-1]), int(unknown[-1])
    state.time = int(times.all[-1])
    last = times.last_of_time(kinds.times)
    return Rows(times.rows, levels.take(last), unknown.take(last)), consumed


def _kinds(text: Text, ends: Int, tables: MixedTables) -> Optional[_Kinds]:
    """Tell times, scalars, vectors and keywords apart; None when there is something else."""
    first = text.first
    is_value = (first | _LOWER) == _VECTOR
    if tables.volts.any():
        is_value |= (first | _LOWER) == _REAL
    count = len(first)
    if is_value.any():
        # An id may begin with b or r as well: in a row of words that do, values and ids take turns.
        index = np.arange(count)
        before_row = np.maximum.accumulate(np.where(is_value, -1, index))
        is_value &= (index - before_row) % 2 == 1
        if is_value[-1]:
            count -= 1
        first = first.copy()
        first[1:][is_value[:-1]] = 0  # an id
    values = np.flatnonzero(is_value[:count])
    is_vector = (first.take(values) | _LOWER) == _VECTOR
    times = np.flatnonzero(first[:count] == HASH)
    low = first[:count] | _LOWER
    is_scalar = (first[:count] == ZERO) | (first[:count] == ONE) | (low == _X) | (low == _Z)
    scalars = np.flatnonzero(is_scalar)
    rest = count - len(times) - len(scalars) - 2 * len(values)
    if rest:
        others = np.flatnonzero(first[:count] == _DOLLAR)
        if len(others) != rest:
            return None
        for number in others.tolist():
            if text.data[text.starts[number] : ends[number]].tobytes() not in KEYWORDS:
                return None
    return _Kinds(count, times, scalars, values[is_vector], values[~is_vector])


def _events(text: Text, ends: Int, kinds: _Kinds, tables: MixedTables) -> Optional[_Events]:
    """Read the value changes; None when an id is not declared, or a value is not one."""
    signal = tables.find(text, text.starts.take(kinds.scalars) + 1, ends.take(kinds.scalars))
    if signal is None or (len(signal) and int(tables.width.take(signal).max()) > 1):
        return None
    value = text.first.take(kinds.scalars)
    word, level, known = kinds.scalars, (value == ONE).astype(np.uint64), (value <= ONE).astype(np.uint64)
    if len(kinds.vectors):
        owner = tables.find(text, text.starts.take(kinds.vectors + 1), ends.take(kinds.vectors + 1))
        if owner is None:
            return None
        values = _vector_values(text, text.starts.take(kinds.vectors) + 1, ends.take(kinds.vectors), tables.width.take(owner))
        if values is None:
            return None
        word, signal = np.concatenate([word, kinds.vectors]), np.concatenate([signal, owner])
        level, known = np.concatenate([level, values[0]]), np.concatenate([known, values[1]])
        if int(tables.width.take(owner).min()) == 1:  # a scalar may be written either way
            order = np.argsort(word, kind="stable")
            word, signal, level, known = word[order], signal[order], level[order], known[order]
    if tables.volts.take(signal).any():
        return None
    if tables.ignored.any():
        kept = ~tables.ignored.take(signal)
        word, signal, level, known = word[kept], signal[kept], level[kept], known[kept]
    return _by_signal(word, signal, level, known, tables)


def _by_signal(word: Int, signal: Int, level: Words, known: Words, tables: MixedTables) -> _Events:
    few = np.uint8 if len(tables.signals) <= 256 else np.uint16 if len(tables.signals) <= 65536 else np.int64
    order = np.argsort(signal.astype(few), kind="stable")  # on short integers this is a radix sort
    return _Events(word.take(order), signal.take(order), level.take(order), known.take(order))


def _reals(text: Text, ends: Int, kinds: _Kinds, tables: MixedTables) -> Optional[tuple[Int, Volts]]:
    """Return the signals and the volts of real values; None when one is no number, or its signal holds none."""
    if not len(kinds.reals):
        return np.empty(0, np.int64), np.empty(0, np.float64)
    owner = tables.find(text, text.starts.take(kinds.reals + 1), ends.take(kinds.reals + 1))
    if owner is None or not tables.volts.take(owner).all():
        return None
    whole = text.data.tobytes()
    starts, stops = (text.starts.take(kinds.reals) + 1).tolist(), ends.take(kinds.reals).tolist()
    try:
        volts = np.array([float(whole[start:stop]) for start, stop in zip(starts, stops, strict=True)])
    except ValueError:
        return None
    return (owner, volts) if np.isfinite(volts).all() and b"_" not in whole else None


def _joined(events: _Events, word: Int, owner: Int, volts: Volts, tables: MixedTables, state: BodyState) -> _Events:
    """Add the levels that volts stand for to the other events; keep the volts as evidence."""
    levels = np.empty(len(word), np.int8)
    for number in distinct(owner).tolist():
        own = owner == number
        levels[own] = state.volts[tables.signals[number].code].add(volts[own])
    decided = levels >= 0
    return _by_signal(
        np.concatenate([events.word, word[decided]]),
        np.concatenate([events.signal, owner[decided]]),
        np.concatenate([events.level, levels[decided].astype(np.uint64)]),
        np.concatenate([events.known, np.ones(int(np.count_nonzero(decided)), np.uint64)]),
        tables,
    )


def _vector_values(text: Text, starts: Int, ends: Int, widths: Int) -> Optional[tuple[Words, Words]]:
    """Return level and known bits of vectors, left-extended as IEEE 1364-2005, clause 18 says; None for a bad digit or too many."""
    lengths = ends - starts
    if int(lengths.min()) < 1 or (lengths > widths).any():
        return None
    level, known = np.zeros(len(starts), np.uint64), np.zeros(len(starts), np.uint64)
    for column in range(int(lengths.max())):
        inside = column < lengths
        digit = np.where(inside, text.data.take(np.maximum(ends - (1 + column), 0)), np.uint8(ZERO))
        is_one = digit == ONE
        is_known = is_one | (digit == ZERO)
        low = digit | _LOWER
        if not (is_known | (low == _X) | (low == _Z)).all():
            return None
        level |= is_one.astype(np.uint64) << np.uint64(column)
        known |= (is_known & inside).astype(np.uint64) << np.uint64(column)
    leftmost = text.data.take(starts)
    above = _ONES.take(widths) & ~_ONES.take(lengths)
    known |= np.where((leftmost == ZERO) | (leftmost == ONE), above, np.uint64(0))
    return level, known


def _account(events: _Events, kinds: _Kinds, times: Int, tables: MixedTables, state: BodyState, ticks: TickCount) -> tuple[Words, Words]:
    """Return the bits of each signal whose level, and whose being known, each event changes; keep the account of every bit."""
    timed = ticks.counts_block() or _unknown_somewhere(events, tables, state)
    when = _times_of(events, kinds, times) if timed else None
    high_before, known_before = state.bit_level & state.bit_known, state.bit_known.copy()
    toggled, switched = np.zeros(len(events.word), np.uint64), np.zeros(len(events.word), np.uint64)
    if len(events.word):
        opens = np.ones(len(events.signal), np.bool_)
        opens[1:] = events.signal[1:] != events.signal[:-1]
        widest = int(tables.width.take(events.signal[opens]).max())
        for position in range(widest):
            _account_bit(events, opens, position, when, toggled, switched, tables, state)
    if when is not None:
        state.high += (high_before.astype(np.int64) - (state.bit_level & state.bit_known)) * times[0]
        state.known += (known_before.astype(np.int64) - state.bit_known) * times[0]
    else:
        after = times[-1]
        state.high += np.where(high_before, times[0], 0) - np.where(state.bit_level & state.bit_known, after, 0)
        state.untimed += np.where(state.bit_known, after - times[0], 0)
    return toggled, switched


def _unknown_somewhere(events: _Events, tables: MixedTables, state: BodyState) -> bool:
    """Tell whether a level may go unknown in a block, or come back."""
    if not len(events.signal):
        return False
    known = np.logical_and.reduceat(state.bit_known, tables.first_bit)  # of each signal: its bits lie side by side
    return not known.take(events.signal).all() or bool(np.any(~events.known & tables.whole.take(events.signal)))


def _times_of(events: _Events, kinds: _Kinds, times: Int) -> Int:
    """Return the time of each event, counted from the start of the block."""
    is_time = np.zeros(kinds.words, np.bool_)
    is_time[kinds.times] = True
    row = np.cumsum(is_time).take(events.word)
    when: Int = (times - times[0]).take(row)
    return when


def _account_bit(
    events: _Events,
    opens: Flags,
    position: int,
    when: Optional[Int],
    toggled: Words,
    switched: Words,
    tables: MixedTables,
    state: BodyState,
) -> None:
    """Do so for the bits at one position, of all signals that have it."""
    signal, shift = events.signal, np.uint64(position)
    chosen: Optional[Flags] = None
    if position:
        chosen = tables.width.take(signal) > position
        signal, opens = signal[chosen], opens[chosen]
    level = (events.level if chosen is None else events.level[chosen]) >> shift & _1 != 0
    known = (events.known if chosen is None else events.known[chosen]) >> shift & _1 != 0
    heads = np.flatnonzero(opens)
    owners = tables.first_bit.take(signal[heads]) + position
    if not known.all():
        level = _held(level, known, opens, state.bit_level[owners])
    was_level, was_known = _before(level, heads, state.bit_level[owners]), _before(known, heads, state.bit_known[owners])
    toggles, switches = level ^ was_level, known ^ was_known
    counts = np.add.reduceat(toggles.astype(np.int64), heads)
    tails = np.append(heads[1:], len(signal))
    _forget_first(counts, toggles, known, heads, tails, owners, state)
    state.edges[owners] += counts
    if when is not None:
        own_when = when if chosen is None else when[chosen]
        falls = (was_level & was_known).astype(np.int64) - (level & known)
        state.high[owners] += np.add.reduceat(own_when * falls, heads)
        state.known[owners] += np.add.reduceat(own_when * (was_known.astype(np.int64) - known), heads)
    state.bit_level[owners], state.bit_known[owners] = level[tails - 1], known[tails - 1]
    if chosen is None:
        toggled |= toggles
        switched |= switches
    else:
        toggled[chosen] |= toggles.astype(np.uint64) << shift
        switched[chosen] |= switches.astype(np.uint64) << shift


def _forget_first(counts: Int, toggles: Flags, known: Flags, heads: Int, tails: Int, owners: Int, state: BodyState) -> None:
    """Take back what was counted as an edge where a bit gets the first value of all."""
    for number in np.flatnonzero(~state.bit_seen[owners]).tolist():
        own = slice(heads[number], tails[number])
        if known[own].any():
            counts[number] -= toggles[own][known[own].argmax()]
            state.bit_seen[owners[number]] = True


def _before(now: Flags, heads: Int, carried: Flags) -> Flags:
    """Return the value before each event of its signal; for its first one in the block what was carried in."""
    before = np.empty_like(now)
    before[1:] = now[:-1]
    before[heads] = carried
    return before


def _held(level: Flags, known: Flags, opens: Flags, carried: Flags) -> Flags:
    """Return levels with those that are not known replaced by the last known one of their signal."""
    index = np.arange(len(level))
    last = np.maximum.accumulate(np.where(known | opens, index, -1))
    owner = np.cumsum(opens) - 1
    return np.where(known.take(last), level.take(last), carried.take(owner))


def _in_word(bits: Words, events: _Events, tables: MixedTables) -> Words:
    """Move bits of signals to where the packed word shows them."""
    masks = tables.scalar_mask.take(events.signal) * (bits & _1)
    vectors = np.flatnonzero(tables.width.take(events.signal) > 1)
    if len(vectors):
        owners = events.signal.take(vectors)
        for number in distinct(owners).tolist():
            own = vectors[owners == number]
            for position, mask in tables.signals[number].masks.items():
                masks[own] |= (bits[own] >> np.uint64(position) & _1) * np.uint64(mask)
    return masks
