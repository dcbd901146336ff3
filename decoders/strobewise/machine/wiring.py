"""The lines between the parts: who sees which level when a line is dead, held, floating or bridged to another.

The chain is: CPU die -> (bond) -> pin -> (socket) -> board -> (connector) -> expansion device. A break leaves one side
without a driver; a short to a rail takes the whole line with it. How such faults show: common practice.
"""

from __future__ import annotations

from typing import Dict, Iterable, List, NamedTuple, Tuple

from ..bus.lines import BIT, DATA, FIRST_ADDRESS_BIT, LINE, MASK, neighbours

PLACES = ("cpu", "socket", "connector", "line", "probe")
LEVELS = ("high", "low", "float")

#: Directions in which a word travels: from the CPU to the board, and back.
OUT, IN = "out", "in"
DIE, PIN, BOARD, CONNECTOR = "die", "pin", "board", "connector"

NOISE_BITS = 192  #: three for each bit of the word: two say whether a floating line takes a neighbour's level, the third whose, or its own

_EVERYWHERE = tuple((view, way) for view in (DIE, PIN, BOARD, CONNECTOR) for way in (OUT, IN))


def _both(*views: str) -> Tuple[Tuple[str, str], ...]:
    return tuple((view, way) for view in views for way in (OUT, IN))


#: Which views a fault at a place spoils, by the direction of the line.
REACH: Dict[Tuple[str, str], Tuple[Tuple[str, str], ...]] = {
    ("output", "cpu"): _both(PIN, BOARD, CONNECTOR),
    ("output", "socket"): _both(BOARD, CONNECTOR),
    ("output", "connector"): _both(CONNECTOR),
    ("input", "cpu"): _both(DIE),
    ("input", "socket"): _both(DIE, PIN),
    ("input", "connector"): _both(CONNECTOR),
    ("both", "cpu"): ((DIE, IN), (PIN, OUT), (BOARD, OUT), (CONNECTOR, OUT)),
    ("both", "socket"): ((DIE, IN), (PIN, IN), (BOARD, OUT), (CONNECTOR, OUT)),
    ("both", "connector"): _both(CONNECTOR),
    ("expansion", "connector"): _both(DIE, PIN, BOARD),
    **{(direction, "line"): _EVERYWHERE for direction in ("output", "input", "both", "expansion")},
}


class LineCondition(NamedTuple):
    """One line that is not what it should be."""

    line: str
    level: str  #: "high", "low" or "float"
    at: str  #: one of PLACES, except "probe"


class View:
    """What one part sees of the lines: a packed word in, a packed word out."""

    def __init__(self) -> None:
        self.high = 0
        self.low = 0
        self.floating: List[Tuple[int, Tuple[int, ...]]] = []
        self.shorts: List[int] = []

    def apply(self, word: int, noise: int) -> int:
        """Return the word as seen from here.

        noise: NOISE_BITS random bits, the same for all views at one moment, so that all who sit on a floating line read
        the same level of it. A floating line takes the level of a neighbour three times in four, else it is noise.
        """
        for mask, beside in self.floating:
            bit = mask.bit_length() - 1
            first, second, third = noise >> bit & 1, noise >> (bit + 64) & 1, noise >> (bit + 128) & 1
            level = word & beside[third % len(beside)] if beside and (first | second) else third
            word = word | mask if level else word & ~mask
        word = (word | self.high) & ~self.low
        for pair in self.shorts:
            if word & pair != pair:  # a driver that pulls low wins against one that pulls high
                word &= ~pair
        return word

    @property
    def plain(self) -> bool:
        return not (self.high or self.low or self.floating or self.shorts)


class Wiring:
    """The present state of all lines, one View for each part and direction."""

    def __init__(self, conditions: Iterable[LineCondition], shorts: Iterable[Tuple[str, str]]) -> None:
        self.views = {key: View() for key in _EVERYWHERE}
        self.held: Dict[str, str] = {}  #: lines whose every view is held, by level
        for condition in conditions:
            self._add(condition)
        for first, second in shorts:
            for view in self.views.values():
                view.shorts.append(MASK[first] | MASK[second])

    def _add(self, condition: LineCondition) -> None:
        mask = MASK[condition.line]
        for key in REACH[LINE[condition.line].direction, condition.at]:
            view = self.views[key]
            if condition.level == "high":
                view.high |= mask
            elif condition.level == "low":
                view.low |= mask
            else:
                view.floating.append((mask, tuple(MASK[name] for name in neighbours(condition.line))))

    def input_level(self, line: str, pulled_low: bool) -> bool:
        """Return whether the CPU's die sees an active-low input asserted."""
        mask = MASK[line]
        view = self.views[DIE, IN]
        if view.low & mask:
            return True
        return pulled_low and not view.high & mask and not any(mask == floating for floating, _ in view.floating)


def probe_masks(wiring: Wiring, probe_at: Dict[str, str]) -> Tuple[int, int, List[Tuple[int, Tuple[int, ...]]], List[int]]:
    """Return what the leads see: masks forced high and low, floating control lines, shorts.

    probe_at: "cpu" (the pin, default), "board" or "connector" by line. Data lines' masks hold in both directions only
    where the whole line is held; breaks of a data line are told apart by direction, cycle by cycle, and so are floating
    address and data lines, which must show what the CPU and the chips took from them.
    """
    high = low = 0
    floating: List[Tuple[int, Tuple[int, ...]]] = []
    for name, bit in BIT.items():
        mask = 1 << bit
        place = {"cpu": PIN, "board": BOARD, "connector": CONNECTOR}[probe_at.get(name, "cpu")]
        if LINE[name].direction == "expansion":
            place = CONNECTOR
        views = [wiring.views[place, way] for way in (OUT, IN)]
        if name in DATA and not all((view.high | view.low) & mask for view in views):
            continue
        high |= views[0].high & mask
        low |= views[0].low & mask
        floating += [entry for entry in views[0].floating if entry[0] == mask and bit < FIRST_ADDRESS_BIT]
    return high, low, floating, wiring.views[PIN, OUT].shorts
