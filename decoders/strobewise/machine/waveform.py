"""Work on timed levels: single edges put into a template's words, jitter, lines that float or are bridged."""

from __future__ import annotations

import random
from typing import List, Sequence, Tuple

from ..bus.units import NEVER
from .pins import FALL, PinTiming, Template

Timed = Tuple[int, int]  #: (picoseconds, packed word)
COUPLED = 0.8  #: of the edges beside it a floating line follows: most, so that its neighbours can be told (our choice)
Edge = Tuple[int, int, int]  #: (picoseconds after the template's start, mask of the line, its new level: the mask or 0)


def merge_edges(piece: Sequence[Timed], start: int, edges: Sequence[Edge], masks: Tuple[int, int]) -> List[Timed]:
    """Return a template's words with single edges put in: each edge's line keeps its new level from there on.

    masks: the lines that the leads see held high, and low, whatever happens.
    """
    high, low = masks
    waiting = sorted(edges)
    result: List[Timed] = []
    touched = levels = word = 0
    at = 0
    for time, plain in piece:
        while at < len(waiting) and start + waiting[at][0] < time:
            offset, mask, level = waiting[at]
            at += 1
            touched, levels = touched | mask, levels & ~mask | level
            if result:
                result.append((start + offset, _held(word & ~touched | levels, touched, high, low)))
        word = plain
        result.append((time, _held(word & ~touched | levels, touched, high, low)))
    for offset, mask, level in waiting[at:]:
        touched, levels = touched | mask, levels & ~mask | level
        result.append((start + offset, _held(word & ~touched | levels, touched, high, low)))
    return result


def _held(word: int, touched: int, high: int, low: int) -> int:
    return (word | high & touched) & ~(low & touched)


def jittered(
    template: Template,
    start: int,
    timing: PinTiming,
    shifts: Sequence[int],
    addresses: Sequence[int],
    levels: Sequence[int],
) -> List[Timed]:
    """Play a template whose clock edges are displaced.

    shifts: picoseconds for each clock edge. addresses, levels: packed words of the address and data by their selector.
    """
    piece = []
    last = start
    for (edge, delay), (_, control, address, data) in zip(template.clocked, template.events):
        time = start + edge // 2 * timing.period + (timing.high if edge & FALL else 0) + shifts[edge] + delay
        last = max(last + 1, time)
        piece.append((last, control | addresses[address] | levels[data]))
    return piece


class NoiseFilter:
    """Makes floating control lines follow their neighbours, and bridged lines pull each other low."""

    def __init__(self, floating: Sequence[Tuple[int, Tuple[int, ...]]], shorts: Sequence[int], rng: random.Random) -> None:
        self.floating = [(mask, sum(beside)) for mask, beside in floating]
        self.shorts = list(shorts)
        self.rng = rng
        self.levels = {mask: 0 for mask, _ in floating}
        self.relax_at = {mask: NEVER for mask, _ in floating}
        self.last = 0

    def apply(self, piece: List[Timed]) -> List[Timed]:
        """Return the same moments and a few more, with the lines as they would be."""
        result: List[Timed] = []
        levels, relax_at, last = self.levels, self.relax_at, self.last
        for time, word in piece:
            moved = word ^ last
            for mask, beside in self.floating:
                # A floating line sinks back to its resting level (low: input leakage) some time after each coupled edge.
                if relax_at[mask] < time:
                    if levels[mask]:
                        levels[mask] = 0
                        result.append((relax_at[mask], self._levelled(last)))
                    relax_at[mask] = NEVER
                if moved & beside and self.rng.random() < COUPLED:
                    levels[mask] = mask if word & moved & beside else 0
                    relax_at[mask] = time + self.rng.randrange(60_000, 900_000)
            last = word
            result.append((time, self._levelled(word)))
        self.last = last
        return result

    def _levelled(self, word: int) -> int:
        for mask, level in self.levels.items():
            word = word & ~mask | level
        for pair in self.shorts:
            if word & pair != pair:
                word &= ~pair
        return word
