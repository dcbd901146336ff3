"""A capture host in a few lines: the decoder's view of a capture, with the conditions that our plug-ins use.

What the real host does was measured: edges are those after the current sample, levels are those of the new sample, a skip is a timeout in a
list, all conditions that hold are in `matched`, and the end comes as an exception out of wait().
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Sequence
from typing import Any

from strobewise.bus.lines import BIT
from strobewise.stream.pins import CHANNELS, UNMAPPED


def pins_of(word: int, captured: frozenset[str]) -> tuple[int, ...]:
    """Return the pins that a packed word shows to a decoder."""
    return tuple([UNMAPPED if bit is None else word >> bit & 1 for bit in _bits(captured)])


@functools.cache
def _bits(captured: frozenset[str]) -> list[int | None]:
    return [BIT[name] if name in captured else None for name in CHANNELS]


class FakeHost:
    """Plays changes of the pins, (sample, pins) in order of time, the first at sample 0."""

    def __init__(self, changes: Sequence[tuple[int, tuple[int, ...]]], end: int, ends_with: type[Exception] = SystemError) -> None:
        self.changes, self.end, self.ends_with = changes, end, ends_with
        self.samplenum, self.matched = -1, (True,)
        self.at = 0  #: the change that holds now
        self.waits = 0

    def wait(self, conditions: Any = None) -> tuple[int, ...]:
        """Go to the next sample that meets a condition."""
        self.waits += 1
        terms = [conditions or {"skip": 1}] if not isinstance(conditions, list) else conditions
        if self.samplenum < 0:
            self.samplenum = 0
            return self.changes[0][1]
        skips = [self.samplenum + term["skip"] if "skip" in term else None for term in terms]
        assert all(skip is None or skip > self.samplenum for skip in skips)
        first = min((skip for skip in skips if skip is not None), default=self.end)
        edges = _any_edge(terms)
        while True:
            after = self.at + 1
            time = self.changes[after][0] if after < len(self.changes) else self.end
            old = self.changes[self.at][1]
            if time > first or after == len(self.changes):
                if first >= self.end:
                    raise self.ends_with("end of the capture")
                self.samplenum, new = first, old
            else:
                self.samplenum, self.at = time, after
                new = self.changes[after][1]
            if edges is not None:  # nearly all waits: what else stands below, without a call for each pin of each change
                if edges(old) != edges(new) or skips[-1] == self.samplenum:
                    moved = map(operator.ne, edges(old), edges(new))
                    self.matched = (*moved, skips[-1] == self.samplenum) if "skip" in terms[-1] else tuple(moved)
                    return new
                continue
            self.matched = tuple(
                skips[place] == self.samplenum if "skip" in term else all(_met(what, old[pin], new[pin]) for pin, what in term.items())
                for place, term in enumerate(terms)
            )
            if any(self.matched):
                return new


def _any_edge(terms: Sequence[dict[Any, Any]]) -> operator.itemgetter[Any] | None:
    """Return what picks the pins out of all where each term is any edge of one, but for a skip at the end; None where they are not."""
    pins = [pin for term in terms for pin, what in term.items() if what == "e"]
    plain = len(pins) > 1 and [*map(len, terms)] == [1] * len(terms) and len(pins) == len(terms) - ("skip" in terms[-1])
    return operator.itemgetter(*pins) if plain else None


def _met(what: str, old: int, new: int) -> bool:
    if what in "lh":
        return new == "lh".index(what)
    return old != new and (what == "e" or (what == "r") == (new == 1)) and new != UNMAPPED
