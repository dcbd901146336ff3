"""Samples taken one a clock, change by change, put at the clock edges that made the changes.

The twin of :mod:`strobewise.capture.clocked.retiming`, which says how it is told which edge moved what; here in plain Python, for a host
that brings nothing else. What comes out has TICKS_PER_T ticks a T-state: tick // TICKS_PER_T is the number of the sample. A change is given
out once its group of samples, and a few behind it, have been seen.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import Dict, FrozenSet, List, NamedTuple, Tuple

from ..bus.clocked import CLOCKED, GROUP_SAMPLES, LOOKED_AHEAD, LOOKED_BEHIND, MOVERS, ONE_IN, TICKS_PER_T
from ..bus.lines import BIT, MASK
from ..bus.units import NEVER

HALF = TICKS_PER_T // 2
_M1, _MREQ, _IORQ, _RD, _WR, _RFSH = (MASK[name] for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH"))
_STROBES = _M1 | _MREQ | _IORQ | _RD | _WR | _RFSH
#: Whether /MREQ is asserted in the sample in which a refresh begins and in those behind it, as far as the refresh alone decides that.
SHAPES = {"falling": (False, True, False), "rising": (True, False)}

Event = Tuple[int, int]  #: tick, word


class Hints(NamedTuple):
    """Samples before which a transfer ended that a refresh follows, as one strobe tells it: positions, and whether each looks like that."""

    at: List[int]
    right: List[bool]


class Asserted:
    """What the strobes did in a stretch of samples: asserted is 1, lines that were not captured never are."""

    def __init__(self, numbers: List[int], words: List[int], lines: int) -> None:
        self.index = numbers
        self.now = [~word & lines for word in words]
        self.before = [self.now[0], *self.now[:-1]]
        self.begins = [now & ~before for now, before in zip(self.now, self.before)]
        self.ends = [before & ~now for now, before in zip(self.now, self.before)]
        self._edges: Dict[int, List[int]] = {}

    def positions(self, what: List[int], bit: int) -> List[int]:
        """Return where a line begins, or ends."""
        return [place for place, bits in enumerate(what) if bits & bit]

    def at(self, index: int) -> int:
        """Return what was asserted in any sample, given by its running number."""
        return self.now[max(bisect_right(self.index, index) - 1, 0)]

    def shows(self, bit: int, shape: Tuple[bool, ...], first: int) -> bool:
        """Say whether a line is asserted, or not, in the samples from one on as `shape` says."""
        return all(bool(self.at(first + offset) & bit) == asserted for offset, asserted in enumerate(shape))

    def edges(self, bit: int) -> List[int]:
        """Return where a line moves."""
        if bit not in self._edges:
            self._edges[bit] = [place for place, now in enumerate(self.now) if (now ^ self.before[place]) & bit]
        return self._edges[bit]

    def run_until(self, bit: int, at: int) -> int:
        """Return for how many samples a line had been as it was before its edge at this position."""
        edges = self.edges(bit)
        place = bisect_left(edges, at) - 1
        return self.index[at] - self.index[edges[place]] if place >= 0 else NEVER

    def run_from(self, bit: int, at: int) -> int:
        """Return for how many samples a line stays as it is behind its edge at this position."""
        edges = self.edges(bit)
        place = bisect_right(edges, at)
        return self.index[edges[place]] - self.index[at] if place < len(edges) else NEVER


def _hints(seen: Asserted, edge: str) -> Dict[str, Hints]:
    """Return what /RFSH, /M1 and /RD say of the ends of transfers that a refresh follows."""

    def fits(place: int) -> bool:
        return seen.shows(_MREQ, SHAPES[edge], seen.index[place]) or bool(seen.ends[place] & (_RD | _IORQ))

    def lone(place: int) -> bool:
        quiet = not seen.now[place] & (_WR | _IORQ) and not seen.at(seen.index[place] + 1) & (_RD | _WR)
        return quiet and not seen.before[place] & _IORQ and seen.shows(_MREQ, SHAPES[edge], seen.index[place])

    rfsh, m1 = seen.positions(seen.begins, _RFSH), seen.positions(seen.ends, _M1)
    rd = [place for place in seen.positions(seen.ends, _RD) if lone(place)]
    return {
        "RFSH": Hints(rfsh, [seen.run_from(_RFSH, place) == 2 and fits(place) for place in rfsh]),
        "M1": Hints(m1, [seen.run_until(_M1, place) >= 2 and fits(place) for place in m1]),
        "RD": Hints(rd, [True] * len(rd)),
    }


def _rd_is_good(seen: Asserted, part: range) -> bool:
    """Say whether /RD begins with a request, as it does in every cycle."""
    begins = [place for place in part if seen.begins[place] & _RD]
    proper = [place for place in begins if seen.begins[place] & (_MREQ | _IORQ)]
    return len(begins) * (ONE_IN - 1) <= len(proper) * ONE_IN and bool(begins)


def _by_lengths(seen: Asserted, edge: str) -> List[int]:
    """Return where transfers ended that a refresh follows, by the lengths of /MREQ alone."""
    falls, rises = seen.positions(seen.begins, _MREQ), seen.positions(seen.ends, _MREQ)
    if not falls or not rises:
        return []
    if edge == "rising":
        found = []
        for place in rises:
            if seen.run_until(_MREQ, place) == 3:
                before = bisect_right(seen.index, seen.index[place] - 1) - 1
                if seen.index[before] == seen.index[place] - 1:
                    found.append(before)
        return found
    rises = [place for place in rises if place > falls[0]]
    pulses = list(zip(falls, rises))
    width = [seen.index[rise] - seen.index[fall] for fall, rise in pulses]
    gap = [NEVER] + [seen.index[after[0]] - seen.index[before[1]] for before, after in zip(pulses, pulses[1:])]
    narrow = [w == 1 and g == 1 for w, g in zip(width, gap)]
    paired = [now and before == 1 for now, before in zip(narrow, [0, *width[:-1]])]
    if sum(paired) * 4 >= sum(w == 1 for w in width):
        narrow = paired  # else the board makes every fetch wait: then no other request is as narrow as a refresh
    ends, run = [], 0
    for place, one in enumerate(narrow):
        run = run + 1 if one else 0
        if run % 2 and place:
            ends.append(rises[place - 1])
    return ends


class Retimer:
    """Takes samples in which something changed, in order, and gives the events that they stand for."""

    def __init__(self, captured: FrozenSet[str], edge: str) -> None:
        """captured: canonical names. edge: "falling" or "rising", the edge of CLK at which each sample was taken."""
        self._edge = edge
        self._lines = sum(MASK[name] for name in captured if BIT[name] < 16) & _STROBES
        self._directed = captured.issuperset(("RD", "WR"))
        self._numbers: List[int] = []
        self._words: List[int] = []
        self._done = -NEVER  #: samples up to here have been given out

    def feed(self, number: int, word: int) -> List[Event]:
        """Take the levels from a sample on, as a packed word; return the events of the groups that are complete then."""
        if self._edge == "rising" and self._numbers and number - self._numbers[-1] > 1 and ~self._words[-1] & word & _MREQ:
            self._take(number - 1, self._words[-1])  # the last sample in which /MREQ was low: a refresh may hide in it
        self._take(number, word)
        upto = (number - LOOKED_AHEAD) // GROUP_SAMPLES * GROUP_SAMPLES
        return self._give(upto) if upto > self._done and upto > self._numbers[0] else []

    def finish(self) -> List[Event]:
        """Return the events of what is left."""
        return self._give(NEVER) if self._numbers else []

    def _take(self, number: int, word: int) -> None:
        self._numbers.append(number)
        self._words.append(word)

    def _give(self, upto: int) -> List[Event]:
        """Give out the events before a sample, and keep what the next group needs to look back at."""
        numbers = self._numbers
        first, end = bisect_left(numbers, self._done), bisect_left(numbers, upto)
        events: List[Event] = []
        if end > first:
            seen = Asserted(numbers, self._words, self._lines)
            refreshed, m1_good = self._tell(seen, range(first, end))
            for place in range(first, end):
                events += self._events(seen, place, place in refreshed, m1_good)
        self._done = upto
        keep = max(0, min(bisect_left(numbers, upto - LOOKED_BEHIND), len(numbers) - 1, max(0, end - 1)))
        self._numbers, self._words = numbers[keep:], self._words[keep:]
        return events

    def _tell(self, seen: Asserted, part: range) -> Tuple[FrozenSet[int], FrozenSet[int]]:
        """Return before which samples a transfer ended that a refresh follows, and the groups in which /M1 behaves like itself."""
        refreshed: List[int] = []
        m1_good: List[int] = []
        told = _hints(seen, self._edge)
        low = part.start
        while low < part.stop:
            group = seen.index[low] // GROUP_SAMPLES
            high = min(bisect_left(seen.index, (group + 1) * GROUP_SAMPLES), part.stop)
            believed = False
            for name, hint in told.items():
                own = slice(bisect_left(hint.at, low), bisect_left(hint.at, high))
                count = own.stop - own.start
                good = _rd_is_good(seen, range(low, high)) if name == "RD" else sum(hint.right[own]) * ONE_IN >= count * (ONE_IN - 1)
                if count and good:
                    refreshed += hint.at[own]
                    believed = True
                    m1_good += [group] * (name == "M1")
            if not believed:
                refreshed += [place for place in _by_lengths(seen, self._edge) if low <= place < high]
            low = high
        return frozenset(refreshed), frozenset(m1_good)

    def _events(self, seen: Asserted, place: int, refreshed: bool, m1_good: FrozenSet[int]) -> List[Event]:
        """Return what the edge of the sample before did, where it did something, then what the opposite edge did."""
        word, before = self._words[place], self._words[max(place - 1, 0)]
        falling = self._moved_by_falling(seen, place, refreshed, m1_good)
        early = falling if self._edge == "falling" else CLOCKED & ~falling
        between = before ^ (before ^ word) & early
        if self._edge == "rising" and refreshed and seen.before[place] & seen.now[place] & _MREQ:
            between |= _MREQ  # it rises between transfer and refresh, and falls again before the next sample
        rise = seen.index[place] * TICKS_PER_T
        fall = rise + (-HALF if self._edge == "falling" else HALF)
        last = (max(rise, fall), word)
        return [(min(rise, fall), between), last] if between != before else [last]

    def _moved_by_falling(self, seen: Asserted, place: int, refreshed: bool, m1_good: FrozenSet[int]) -> int:
        """Return which strobes the falling edge of CLK moved, of those that changed before a sample."""
        asserts = MOVERS.asserts
        if seen.begins[place] & _IORQ:
            if seen.index[place] // GROUP_SAMPLES in m1_good:
                acknowledge = bool(seen.now[place] & _M1)
            else:
                acknowledge = self._directed and not seen.now[place] & (_RD | _WR)
            asserts = MOVERS.asserts_acknowledge if acknowledge else MOVERS.asserts_io
        return seen.begins[place] & asserts | seen.ends[place] & (0 if refreshed else MOVERS.releases)
