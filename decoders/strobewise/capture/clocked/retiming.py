"""Put each change of a capture with one sample a clock at the clock edge that made it, so that the engine finds the lengths that it knows.

Between two samples lie two edges of CLK: that of the first sample, and the opposite one. Which of them moves a strobe stands in
:mod:`strobewise.bus.clocked`, and hangs on whether the strobe ends a transfer that a refresh follows, and on what kind of cycle it begins.
A refresh is told by the strobes that behave like themselves in the same group of samples: /RFSH, /M1, /RD; where none does, by the lengths
of /MREQ alone. The streaming twin is :mod:`strobewise.stream.clocked`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ...bus.clocked import CLOCKED, GROUP_SAMPLES, LOOKED_AHEAD, LOOKED_BEHIND, MOVERS, ONE_IN, TICKS_PER_T
from ...bus.lines import BIT, MASK
from ...bus.units import NEVER
from ..records import Block, Words

Control = npt.NDArray[np.uint16]
Flags = npt.NDArray[np.bool_]
Int = npt.NDArray[np.int64]

HALF = TICKS_PER_T // 2
_M1, _MREQ, _IORQ, _RD, _WR, _RFSH = (np.uint16(MASK[name]) for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH"))
_STROBES = _M1 | _MREQ | _IORQ | _RD | _WR | _RFSH


class Samples(NamedTuple):
    """Samples in which something changed: their running numbers, and the levels from there on."""

    number: Int
    words: Words
    unknown: Words | None

    def part(self, which: slice) -> Samples:
        """Return some of them."""
        return Samples(self.number[which], self.words[which], None if self.unknown is None else self.unknown[which])


def join(first: Samples, second: Samples) -> Samples:
    """Return the samples of both."""
    unknown = None
    if first.unknown is not None or second.unknown is not None:
        unknown = np.concatenate([np.zeros(len(s.words), np.uint64) if s.unknown is None else s.unknown for s in (first, second)])
    return Samples(np.concatenate([first.number, second.number]), np.concatenate([first.words, second.words]), unknown)


class Asserted:
    """What the strobes did in a stretch of samples: asserted is 1, lines that were not captured never are."""

    def __init__(self, samples: Samples, captured: frozenset[str]) -> None:
        lines = np.uint16(sum(MASK[name] for name in captured if BIT[name] < 16) & int(_STROBES))
        self.index = samples.number
        self.now: Control = ~samples.words.view("<u2")[0::4] & lines
        self.before: Control = np.concatenate([self.now[:1], self.now[:-1]])
        self.begins: Control = self.now & ~self.before
        self.ends: Control = self.before & ~self.now

    def at(self, index: Int) -> Control:
        """Return what was asserted in any sample, given by its running number."""
        found: Control = self.now[np.maximum(np.searchsorted(self.index, index, "right") - 1, 0)]
        return found

    def shows(self, bit: np.uint16, shape: Sequence[bool], first: Int) -> Flags:
        """Say whether a line is asserted, or not, in the samples from `first` on as `shape` says."""
        fits = np.ones(len(first), np.bool_)
        for offset, asserted in enumerate(shape):
            fits &= (self.at(first + offset) & bit != 0) == asserted
        return fits

    def run_until(self, bit: np.uint16, at: Int) -> Int:
        """Return for how many samples a line had been asserted, or released, before its edges at these positions."""
        edges = np.flatnonzero((self.begins | self.ends) & bit)
        place = np.searchsorted(edges, at) - 1
        if not len(edges):
            return np.full(len(at), NEVER)
        since = np.where(place >= 0, self.index[edges[np.maximum(place, 0)]], -NEVER)
        width: Int = self.index[at] - since
        return width

    def run_from(self, bit: np.uint16, at: Int) -> Int:
        """Return for how many samples a line stays as it is behind its edges at these positions."""
        edges = np.flatnonzero((self.begins | self.ends) & bit)
        place = np.searchsorted(edges, at, "right")
        until = np.where(place < len(edges), self.index[edges[np.minimum(place, len(edges) - 1)]], NEVER) if len(edges) else NEVER
        width: Int = until - self.index[at]
        return width


class Hints(NamedTuple):
    """Samples before which a transfer ended that a refresh follows, as one strobe tells it: position, and whether it looks like that."""

    at: Int
    right: Flags


#: Whether /MREQ is asserted in such a sample and in those behind it, as far as nothing but the refresh decides that.
SHAPES = {"falling": (False, True, False), "rising": (True, False)}


def hints(seen: Asserted, edge: str) -> dict[str, Hints]:
    """Return what /RFSH, /M1 and /RD say of the ends of transfers that a refresh follows."""
    index = seen.index

    def refreshes(at: Int) -> Flags:
        return seen.shows(_MREQ, SHAPES[edge], index[at])

    rfsh = np.flatnonzero(seen.begins & _RFSH)
    m1 = np.flatnonzero(seen.ends & _M1)
    rd = np.flatnonzero(seen.ends & _RD)
    transfer_ends = _RD | _IORQ
    lone = refreshes(rd) & (seen.now[rd] & (_WR | _IORQ) == 0)
    lone &= (seen.at(index[rd] + 1) & (_RD | _WR) == 0) & (seen.before[rd] & _IORQ == 0)
    return {
        "RFSH": Hints(rfsh, (seen.run_from(_RFSH, rfsh) == 2) & (refreshes(rfsh) | (seen.ends[rfsh] & transfer_ends != 0))),
        "M1": Hints(m1, (seen.run_until(_M1, m1) >= 2) & (refreshes(m1) | (seen.ends[m1] & transfer_ends != 0))),
        "RD": Hints(rd[lone], np.ones(int(np.count_nonzero(lone)), np.bool_)),
    }


def _rd_is_good(seen: Asserted, part: slice) -> bool:
    """Say whether /RD begins with a request, as it does in every cycle."""
    begins = seen.begins[part] & _RD != 0
    proper = begins & (seen.begins[part] & (_MREQ | _IORQ) != 0)
    return int(begins.sum()) * (ONE_IN - 1) <= int(proper.sum()) * ONE_IN and bool(begins.any())


def _by_lengths(seen: Asserted, edge: str) -> Int:
    """Return where transfers ended that a refresh follows, by the lengths of /MREQ alone."""
    falls, rises = np.flatnonzero(seen.begins & _MREQ), np.flatnonzero(seen.ends & _MREQ)
    if not len(falls) or not len(rises):
        return np.empty(0, np.int64)
    if edge == "rising":
        long = rises[seen.run_until(_MREQ, rises) == 3]
        found: Int = np.searchsorted(seen.index, seen.index[long] - 1, "right") - 1
        changed: Int = found[seen.index[found] == seen.index[long] - 1]
        return changed
    rises = rises[rises > falls[0]]
    falls = falls[: len(rises)]
    width, gap = seen.index[rises] - seen.index[falls], np.full(len(falls), NEVER)
    gap[1:] = seen.index[falls[1:]] - seen.index[rises[:-1]]
    narrow = (width == 1) & (gap == 1)
    paired = narrow & np.concatenate([[False], width[:-1] == 1])
    if int(paired.sum()) * 4 >= int((width == 1).sum()):
        narrow = paired  # else the board makes every fetch wait: then no other request is as narrow as a refresh
    place = np.arange(len(narrow))
    first = np.maximum.accumulate(np.where(narrow & ~np.concatenate([[False], narrow[:-1]]), place, 0))
    refresh = narrow & ((place - first) % 2 == 0)
    ends: Int = rises[np.flatnonzero(refresh[1:])]
    return ends


class Told(NamedTuple):
    """What the strobes say of each sample."""

    refreshed: Flags  #: a transfer that a refresh follows ended before it
    m1_good: Flags  #: /M1 behaves like itself in its group


def tell(seen: Asserted, edge: str, parts: Iterable[slice]) -> Told:
    """Say before which samples a transfer ended that a refresh follows.

    parts: the positions of each group of samples, in order; the strobes are believed group by group.
    """
    refreshed, m1_good = np.zeros(len(seen.index), np.bool_), np.zeros(len(seen.index), np.bool_)
    told = hints(seen, edge)
    lengths: Int | None = None
    for part in parts:
        believed = False
        for name, hint in told.items():
            low, high = np.searchsorted(hint.at, (part.start, part.stop))
            count = int(high - low)
            good = _rd_is_good(seen, part) if name == "RD" else int(hint.right[low:high].sum()) * ONE_IN >= count * (ONE_IN - 1)
            if count and good:
                refreshed[hint.at[low:high]] = believed = True
                m1_good[part] |= name == "M1"
        if not believed:
            lengths = _by_lengths(seen, edge) if lengths is None else lengths
            refreshed[lengths[(lengths >= part.start) & (lengths < part.stop)]] = True
    return Told(refreshed, m1_good)


def _without_request(seen: Asserted) -> Flags:
    """Say where /RD or /WR begins while /MREQ rests: input or output, where /RD begins with /MREQ elsewhere and /IORQ was not captured."""
    begins = seen.begins & (_RD | _WR) != 0
    alone = begins & (seen.now & _MREQ == 0)
    reads = int(np.count_nonzero(seen.begins & seen.now & _RD & np.where(seen.begins & _MREQ, _RD, 0)))
    return alone if reads > int(np.count_nonzero(alone)) else np.zeros(len(alone), np.bool_)


def moved_by_falling(seen: Asserted, told: Told, captured: frozenset[str]) -> Control:
    """Return which strobes the falling edge of CLK moved, of those that changed before each sample."""
    io = seen.begins & _IORQ != 0
    if "IORQ" not in captured and "MREQ" in captured:
        io = _without_request(seen)
    undirected = seen.now & (_RD | _WR) == 0 if captured.issuperset(("RD", "WR")) else np.zeros(len(io), np.bool_)
    acknowledge = np.where(told.m1_good, seen.now & _M1 != 0, undirected)
    asserts = np.where(io, np.where(acknowledge, MOVERS.asserts_acknowledge, MOVERS.asserts_io), MOVERS.asserts)
    releases = np.where(told.refreshed, 0, MOVERS.releases)
    moved: Control = seen.begins & asserts.astype(np.uint16) | seen.ends & releases.astype(np.uint16)
    return moved


def _with_last_low(samples: Samples, before: Samples | None) -> Samples:
    """Return the samples and, where nothing else changed there, the last ones in which /MREQ was low: a refresh may hide in them."""
    number, words = samples.number, samples.words
    first = (number[:1], words[:1]) if before is None else (before.number[-1:], before.words[-1:])
    earlier, was = np.concatenate([first[0], number[:-1]]), np.concatenate([first[1], words[:-1]])
    rises = np.flatnonzero((~was & words & np.uint64(_MREQ) != 0) & (number - earlier > 1))
    unknown = samples.unknown
    if unknown is not None:
        unknown = np.insert(unknown, rises, unknown[np.maximum(rises - 1, 0)])
    return Samples(np.insert(number, rises, number[rises] - 1), np.insert(words, rises, was[rises]), unknown)


class Retimer:
    """Takes samples, group by group, and gives the events of the axis on which a T-state has TICKS_PER_T ticks."""

    def __init__(self, captured: frozenset[str], edge: str) -> None:
        self._captured, self._edge = captured, edge
        self._held: Samples | None = None
        self._done = -NEVER  #: samples up to here have been given out

    def feed(self, samples: Samples) -> Iterator[Block]:
        """Take more samples; yield the events of the groups that are complete."""
        if not len(samples.number):
            return
        if self._edge == "rising":
            samples = _with_last_low(samples, self._held)
        self._held = samples if self._held is None else join(self._held, samples)
        last = int(self._held.number[-1])
        upto = (last - LOOKED_AHEAD) // GROUP_SAMPLES * GROUP_SAMPLES
        if upto > self._done and upto > int(self._held.number[0]):
            yield from self._give(upto)

    def finish(self) -> Iterator[Block]:
        """Yield the events of what is left."""
        if self._held is not None:
            yield from self._give(NEVER)

    def _give(self, upto: int) -> Iterator[Block]:
        """Give out the events before a sample, and keep what the next group needs to look back at."""
        assert self._held is not None
        held, index = self._held, self._held.number
        first = int(np.searchsorted(index, self._done))
        end = int(np.searchsorted(index, upto))
        if end > first:
            bounds = np.flatnonzero(np.diff(index[first:end] // GROUP_SAMPLES)) + 1 + first
            parts = [slice(int(a), int(b)) for a, b in zip([first, *bounds], [*bounds, end], strict=True)]
            yield self._events(held, slice(first, end), parts)
        self._done = upto
        keep = max(0, min(int(np.searchsorted(index, upto - LOOKED_BEHIND)), len(index) - 1, max(0, end - 1)))
        self._held = held.part(slice(keep, None))

    def _events(self, held: Samples, part: slice, parts: list[slice]) -> Block:
        """Return two events a sample: what the edge of the sample before did, then what the opposite edge did."""
        seen = Asserted(held, self._captured)
        told = tell(seen, self._edge, parts)
        falling = moved_by_falling(seen, told, self._captured).astype(np.uint64)
        words = held.words
        before = np.concatenate([words[:1], words[:-1]])
        early = falling if self._edge == "falling" else np.uint64(CLOCKED) & ~falling
        between = before ^ (before ^ words) & early
        if self._edge == "rising":  # /MREQ rises between transfer and refresh, and falls again before the next sample
            hidden = told.refreshed & (seen.before & seen.now & _MREQ != 0)
            between = np.where(hidden, between | np.uint64(_MREQ), between)
        rise = held.number * TICKS_PER_T
        fall = rise + (-HALF if self._edge == "falling" else HALF)
        times = np.stack([np.minimum(rise, fall), np.maximum(rise, fall)], 1)[part].ravel()
        both = np.stack([between, words], 1)[part].ravel()
        moved = np.ones(len(both), np.bool_)
        moved[0::2] = (between != before)[part]  # nothing is before the first sample
        unknown = None if held.unknown is None else np.repeat(held.unknown[part], 2)[moved]
        return Block(times[moved], both[moved], unknown)
