"""Would points have given the same cycles as edges? The warm-up, for which both are at hand, answers before points are relied on."""

from __future__ import annotations

from typing import Dict, List, Optional, Sequence, Tuple, Union

from .conditions import Condition, Pins
from .records import BegunItem, EndedItem

ENDS_LEFT_OUT = 6  #: rows at either end of the warm-up that are not compared: what came before and after them is missing
ROWS_MIN = 32  #: rows that must have been compared


class ReplayHost:
    """Plays events that were seen already, as the capture host would: its conditions as far as the sampler uses them."""

    def __init__(self, events: Sequence[Tuple[int, Pins]]) -> None:
        """events: the pins from each sample on at which any of them changed."""
        self.samplenum = events[0][0]
        self.matched: Tuple[bool, ...] = (True,)
        self._events = events
        self._at = 0
        self._started = False

    def wait(self, conditions: Union[Condition, Sequence[Condition], None] = None) -> Pins:
        """Go to the next sample that meets one of the conditions. Raises EOFError behind the last event."""
        events, now = self._events, self.samplenum
        if not self._started:
            self._started = True
            return events[0][1]
        terms = [conditions] if isinstance(conditions, dict) else conditions or ({},)
        limit: Optional[int] = None
        for term in terms:
            if "skip" in term and (limit is None or now + term["skip"] < limit):
                limit = now + term["skip"]
        while True:
            after = self._at + 1
            if after >= len(events):
                raise EOFError
            time, pins = events[after]
            before = events[self._at][1]
            if limit is not None and time > limit:
                self.samplenum = limit
                self.matched = tuple("skip" in term and now + term["skip"] == limit for term in terms)
                return before
            self._at = after
            met = tuple(_met(term, before, pins, time - now) for term in terms)
            if True in met:
                self.samplenum, self.matched = time, met
                return pins


def _met(term: Condition, before: Pins, pins: Pins, passed: int) -> bool:
    for place, what in term.items():
        if place == "skip":
            if passed != what:
                return False
        elif before[place] == pins[place] or (what == "r" and not pins[place]) or (what == "f" and pins[place]):
            return False
    return True


class Rows:
    """Keeps the joined rows of cycles that came out."""

    def __init__(self) -> None:
        """Begin with none."""
        self._begun: Dict[int, BegunItem] = {}
        self.rows: List[Tuple[object, ...]] = []

    def begun(self, item: BegunItem) -> None:
        """Keep a first item."""
        self._begun[item[0]] = item

    def ended(self, item: EndedItem) -> None:
        """Join a second item to it."""
        number, kind, start, end, t_states, note = item
        self.rows.append((start, end, kind, t_states, note, *self._begun.pop(number)[4:8]))


def same_rows(edges: Sequence[Tuple[object, ...]], points: Sequence[Tuple[object, ...]]) -> bool:
    """Say whether every row that points gave, those at the ends apart, is one that edges gave, in the same order without a gap."""
    middle = list(points[ENDS_LEFT_OUT:-ENDS_LEFT_OUT])
    if len(middle) < ROWS_MIN:
        return False
    start = next((place for place, row in enumerate(edges) if row == middle[0]), None)
    return start is not None and list(edges[start : start + len(middle)]) == middle
