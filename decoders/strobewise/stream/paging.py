"""Expansion devices that page on opcode fetches, followed in the cycle stream: what was asked, what was answered.

Levels of the answering line are known at the sample points of the
requests, so the time of an answer is known to a cycle.
"""

from __future__ import annotations

import re
from typing import Callable, List, NamedTuple, Optional, Tuple

from ..bus.lines import BIT
from ..records.expansion import SLACK_T, PagingRecord, Trigger
from .records import Begun

TRIGGERS_KEPT = 4096  #: as many as evidence/expansion.py keeps: a device asked more often has shown what it does


class PagingOptions(NamedTuple):
    """What the user says of the device."""

    fetch_at: Tuple[int, ...]
    line: str
    active: int  #: level of the line when the device answers
    within_t: int
    released_in: Tuple[Tuple[int, int], ...]


def parse_addresses(text: str) -> Tuple[int, ...]:
    """Return the addresses in a text such as "0x0058 0x01d4" or "58h;1d4h". Raises ValueError with what is wrong."""
    return tuple(_address(word) for word in re.split(r"[\s;+]+", text.strip()) if word)


def parse_ranges(text: str) -> Tuple[Tuple[int, int], ...]:
    """Return the ranges in a text such as "0x2f40-0x2f4f". Raises ValueError with what is wrong."""
    ranges = []
    for word in re.split(r"[\s;+]+", text.strip()):
        if word:
            low, _, high = word.partition("-")
            first, last = _address(low), _address(high or low)
            if last < first:
                raise ValueError(f"the range {word!r} runs backwards")
            ranges.append((first, last))
    return tuple(ranges)


def _address(word: str) -> int:
    try:
        value = int(word[:-1], 16) if word[-1:] in ("h", "H") else int(word, 0)
    except ValueError:
        raise ValueError(f"{word!r} is no address (write 0x0066, 66h or 102)") from None
    if not 0 <= value <= 0xFFFF:
        raise ValueError(f"the address {word!r} is not within 0 to 0xffff")
    return value


class Asked(NamedTuple):
    """What became of one trigger: shown when it is known."""

    begun: Begun
    answered_at: Optional[int]  #: sample at which the line was first seen active, None: no answer in time


class PagingWatch:
    """Follows one device."""

    def __init__(
        self, options: PagingOptions, t_samples: float, rate: float, has_m1: bool, answered: Callable[[Asked], None]
    ) -> None:
        """rate: samples a second. answered: called when the answer to a trigger is there, or overdue; not for one that is held already."""
        self._options = options
        self._grace = int((options.within_t + SLACK_T) * t_samples)
        self._rate = rate
        self._has_m1 = has_m1
        self._answered = answered
        self._bit = 1 << BIT[options.line]
        self._active = False
        self._open: List[Begun] = []
        self._release: Optional[int] = None
        self.record = PagingRecord("device", options.line, options.within_t)

    def is_trigger(self, item: Begun) -> bool:
        """Say whether a cycle is a fetch at a trigger address."""
        return item.kind == "opcode_fetch" and item.address in self._options.fetch_at

    def feed(self, item: Begun) -> None:
        """Take a cycle."""
        options = self._options
        trigger, held = self.is_trigger(item), self._active
        if trigger and not held:
            self._open.append(item)
        if item.kind == "opcode_fetch" and held and item.address is not None:  # the device may let go within this very fetch
            if any(low <= item.address <= high for low, high in options.released_in):
                self._release = item.release
        self._level(item.start + (item.release - item.start) // 2, bool(item.control & self._bit) == bool(options.active))
        if item.refresh is not None:
            self._level(item.release, bool(item.refresh & self._bit) == bool(options.active))
        if trigger and held:
            self._keep(Trigger(item.start / self._rate, item.address or 0, self._strobed(item), 0.0, True))

    def _strobed(self, item: Begun) -> Optional[bool]:
        return not item.inferred if self._has_m1 else None

    def _level(self, time: int, active: bool) -> None:
        """Take the level of the answering line at a time."""
        if active and not self._active:
            for asked in self._open:
                self._answer(asked, time)
            self._open.clear()
        elif self._open and time - self._open[0].start > self._grace:
            self._answer(self._open.pop(0), None)
        if self._release is not None and (not active or time - self._release > 3 * self._grace):
            if active:
                self.record.not_released += 1
            else:
                self.record.released += 1
            self._release = None
        elif self._active and not active and self._options.released_in:
            self.record.let_go_alone += 1
            if self.record.let_go_alone_s is None:
                self.record.let_go_alone_s = time / self._rate
        self._active = active

    def _answer(self, asked: Begun, at: Optional[int]) -> None:
        late = at is not None and at - asked.start > self._grace
        delay = None if at is None or late else max(at - asked.start, 1) / self._rate
        self._keep(Trigger(asked.start / self._rate, asked.address or 0, self._strobed(asked), delay, False))
        self._answered(Asked(asked, None if late else at))

    def _keep(self, trigger: Trigger) -> None:
        if len(self.record.triggers) < TRIGGERS_KEPT:
            self.record.triggers.append(trigger)
