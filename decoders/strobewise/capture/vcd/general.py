"""The general reader: any VCD body, word by word. Slow, complete, and the one that says what is wrong and where.

Source of the format: IEEE Std 1364-2005, clause 18; string changes (``s...``) are an extension of other writers.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ..limits import MAX_TIME
from ..records import Times, Words
from .header import END, quoted
from .positions import BodyError
from .state import BodyState, Layout, Signal

CUT_HERE = "correct or delete that line, or capture again"
KEYWORDS = frozenset({b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end"})

_WORD = re.compile(rb"[^\x00-\x20]+")
_BINARY = re.compile(rb"[01xXzZ]+")
_TO_LEVEL = bytes.maketrans(b"xXzZ", b"0000")
_TO_KNOWN = bytes.maketrans(b"01xXzZ", b"110000")


class Rows(NamedTuple):
    """States read from a block of text, one row for each time; the bits lie as in the layout's word."""

    times: Times
    words: Words
    unknown: Optional[Words]  #: None when every bit is known

    def followed_by(self, more: Rows) -> Rows:
        """Return these rows and those that come next."""
        unknown = [np.zeros(len(rows.words), np.uint64) if rows.unknown is None else rows.unknown for rows in (self, more)]
        return Rows(np.concatenate([self.times, more.times]), np.concatenate([self.words, more.words]), np.concatenate(unknown))


def rows_of(times: list[int], words: list[int], unknown: list[int]) -> Rows:
    """Return rows from lists of integers."""
    return Rows(np.array(times, np.int64), np.array(words, np.uint64), np.array(unknown, np.uint64))


class _Value:
    """The value of one signal while a block is read: level and known bits as integers."""

    __slots__ = ("known", "level", "seen", "signal")

    def __init__(self, signal: Signal, state: BodyState) -> None:
        self.signal = signal
        part = slice(signal.first_bit, signal.first_bit + signal.width)
        self.level = _to_integer(state.bit_level[part])
        self.known = _to_integer(state.bit_known[part])
        self.seen = _to_integer(state.bit_seen[part])

    def store(self, state: BodyState) -> None:
        part = slice(self.signal.first_bit, self.signal.first_bit + self.signal.width)
        for target, number in (
            (state.bit_level, self.level),
            (state.bit_known, self.known),
            (state.bit_seen, self.seen),
        ):
            raw = np.frombuffer(number.to_bytes((self.signal.width + 7) // 8, "little"), np.uint8)
            target[part] = np.unpackbits(raw, bitorder="little")[: self.signal.width]


def _to_integer(bits: npt.NDArray[np.bool_]) -> int:
    return int.from_bytes(np.packbits(bits, bitorder="little").tobytes(), "little")


def read_general(text: bytes, layout: Layout, state: BodyState) -> tuple[Rows, int]:
    """Read a block of whole words and carry the state on.

    Returns the rows of all times but the last, which later text may still change, and how many bytes were read:
    fewer than len(text) when the text ends between a vector's value and its id.
    Raises BodyError; the state is then of no use, except after an error in the first word of `text`.
    """
    begin = 0
    if state.skipping:
        end = END.search(text)
        if end is None:
            return rows_of([], [], []), len(text)
        begin, state.skipping = end.end(), False
    try:
        rows, consumed = _GeneralReader(layout, state).read(text[begin:])
    except BodyError as error:
        raise BodyError(error.what, begin + (error.offset or 0), error.remedy) from None
    return rows, begin + consumed


class _GeneralReader:
    def __init__(self, layout: Layout, state: BodyState) -> None:
        self.layout = layout
        self.state = state
        self.values: dict[bytes, _Value] = {}
        self.edges: defaultdict[int, int] = defaultdict(int)
        self.high: defaultdict[int, int] = defaultdict(int)
        self.known: defaultdict[int, int] = defaultdict(int)
        self.times: list[int] = []
        self.words: list[int] = []
        self.unknown: list[int] = []

    def read(self, text: bytes) -> tuple[Rows, int]:
        words = _WORD.findall(text)
        index = 0
        try:
            while index < len(words):
                used = self._word(words, index)
                if used == 0:  # the id is still to come
                    break
                index += used
        except BodyError as error:
            matches = _WORD.finditer(text)
            offset = next(match.start() for number, match in enumerate(matches) if number == index)
            raise BodyError(error.what, offset, error.remedy) from None
        self._store()
        consumed = len(text) if index == len(words) else len(text.rstrip(bytes(range(0x21)))) - len(words[-1])
        return rows_of(self.times, self.words, self.unknown), consumed

    def _word(self, words: list[bytes], index: int) -> int:
        """Read the word at an index; return how many words it takes, 0 when its id is not there yet."""
        word = words[index]
        state = self.state
        if state.skipping:
            state.skipping = word != b"$end"
            return 1
        first = word[:1]
        if first == b"#":
            self._time(word)
        elif first in b"01xXzZ" and len(word) > 1:
            self._change(word[1:], word[:1])
        elif first in b"bBrRsS":
            if index + 1 == len(words):
                return 0
            self._value(first, word[1:], words[index + 1])
            return 2
        elif word in KEYWORDS:
            pass
        elif word == b"$comment":
            state.skipping = True
        else:
            raise BodyError(f"a time or a value change is expected, not {quoted(word)}", None, CUT_HERE)
        return 1

    def _time(self, word: bytes) -> None:
        digits = word[1:]
        if not digits.isdigit():
            raise BodyError(f"a time is digits only, not {quoted(word)}", None, CUT_HERE)
        significant = digits.lstrip(b"0")
        time = int(significant or b"0") if len(significant) < 20 else MAX_TIME + 1
        if time > MAX_TIME:
            raise BodyError(f"the time {quoted(word)} is beyond {MAX_TIME} ticks", None, CUT_HERE)
        state = self.state
        if state.time is None:
            self._start(time)
        elif time > state.time:
            self.times.append(state.time)
            self.words.append(state.levels)
            self.unknown.append(state.unknown)
        elif time < state.time:
            raise BodyError(f"time goes backwards, from #{state.time} to #{time}", None, CUT_HERE)
        state.time = time

    def _start(self, time: int) -> None:
        """Values given before the first time count from it."""
        self.state.start_time = time
        self._store()
        self.values.clear()
        self.state.known -= np.where(self.state.bit_known, time, 0)
        self.state.high -= np.where(self.state.bit_known & self.state.bit_level, time, 0)

    def _signal(self, code: bytes) -> Signal:
        signal = self.layout.by_code.get(code)
        if signal is None:
            raise BodyError(f"the id {quoted(code)} is not declared in the header", None, CUT_HERE)
        return signal

    def _value(self, first: bytes, value: bytes, code: bytes) -> None:
        signal = self._signal(code)
        if first in b"sS":
            if not signal.ignored:
                raise BodyError(f"a text value for the channel {signal.name!r}", None, CUT_HERE)
        elif first in b"rR":
            self._volts(signal, value)
        else:
            self._change(code, value)

    def _volts(self, signal: Signal, value: bytes) -> None:
        try:
            volts = float(value)
        except ValueError:
            volts = math.nan
        if not math.isfinite(volts) or b"_" in value:
            raise BodyError(f"a real value is expected, not {quoted(value)}", None, CUT_HERE)
        if signal.ignored:
            return
        if not signal.volts:
            raise BodyError(f"a real value for the channel {signal.name!r}, which is not real", None, CUT_HERE)
        level = int(self.state.volts[signal.code].add(np.array([volts]))[0])
        if level >= 0:
            self._apply(signal, level, 1)

    def _change(self, code: bytes, digits: bytes) -> None:
        signal = self._signal(code)
        if not _BINARY.fullmatch(digits):
            raise BodyError(f"the digits of a value are 0, 1, x or z, not {quoted(digits)}", None, CUT_HERE)
        if signal.ignored:
            return
        if signal.volts:
            raise BodyError(f"a logic value for the channel {signal.name!r}, which is real", None, CUT_HERE)
        if len(digits) > signal.width:
            excess, digits = digits[: -signal.width], digits[-signal.width :]
            if excess.strip(b"0" if digits[:1] in b"01" else digits[:1] + b"xXzZ"):
                raise BodyError(
                    f"a value of {len(excess) + len(digits)} digits for {signal.name!r}, which has {signal.width}",
                    None,
                    CUT_HERE,
                )
        level = int(digits.translate(_TO_LEVEL), 2)
        known = int(digits.translate(_TO_KNOWN), 2)
        missing = signal.width - len(digits)
        if missing and digits[:1] in b"01":  # left-extended: by 0 after 0 or 1, else by x or z
            known |= ((1 << missing) - 1) << len(digits)
        self._apply(signal, level, known)

    def _apply(self, signal: Signal, level: int, known: int) -> None:
        """Give a signal new bits; bits that are not known keep their last level."""
        value = self.values.get(signal.code)
        if value is None:
            value = self.values[signal.code] = _Value(signal, self.state)
        level = (level & known) | (value.level & ~known)
        toggled = (level ^ value.level) & signal.counted
        switched = (known ^ value.known) & signal.counted
        if not toggled | switched:
            value.level, value.known = level, known
            return
        state, time = self.state, self.state.time
        changed = toggled | switched
        while changed:
            lowest = changed & -changed
            changed ^= lowest
            position = lowest.bit_length() - 1
            bit = signal.first_bit + position
            mask = signal.masks.get(position, 0)
            if toggled & lowest:
                state.levels ^= mask
                if value.seen & lowest:
                    self.edges[bit] += 1
            if switched & lowest:
                state.unknown ^= mask
            if time is not None:
                was_high = bool(value.level & value.known & lowest)
                is_high = bool(level & known & lowest)
                self.high[bit] += (was_high - is_high) * time
                self.known[bit] += (bool(value.known & lowest) - bool(known & lowest)) * time
        value.level, value.known, value.seen = level, known, value.seen | known

    def _store(self) -> None:
        for value in self.values.values():
            value.store(self.state)
        for total, counts in (
            (self.state.edges, self.edges),
            (self.state.high, self.high),
            (self.state.known, self.known),
        ):
            for bit, count in counts.items():
                total[bit] += np.int64((count + (1 << 63)) % (1 << 64) - (1 << 63))
            counts.clear()


def last_word(text: bytes) -> Optional[int]:
    """Return the offset of the last word of a text, None when there is none."""
    end = len(text.rstrip(bytes(range(0x21))))
    start = end
    while start > 0 and text[start - 1] > 0x20:
        start -= 1
    return start if start < end else None
