"""Pulses and clock periods that are too short to be real: spikes, and places where samples are missing.

A sample that a spike spoilt makes a pulse of its own, far shorter than any that the CPU gives (UM0080, timing figures). Where samples were
lost and the file's time runs on, the clock's phase jumps: one period of CLK is then longer or shorter than all others (common practice).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.slips import Period, Slips
from .part import Part
from .spread import Spread
from .stretches import Stretches

#: The CPU drives these and nobody else, but while the bus is granted the middle four.
OUTPUTS = ("M1", "RFSH", "HALT", "RD", "WR", "IORQ", "MREQ", "BUSACK")
KEPT = 24  #: of the shortest pulses of a line, and of the periods at each end

Ints = npt.NDArray[np.int64]


class SlipsPart(Part):
    """Collects :class:`Slips`."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self._tick_s = tick_s
        self._pulses: dict[str, list[tuple[int, int]]] = {name: [] for name in OUTPUTS if name in captured}
        self._clocked = "CLK" in captured
        self._periods = Spread()
        self._short: list[tuple[int, int, int, int]] = []  #: (length, start, before, after)
        self._long: list[tuple[int, int, int, int]] = []
        self._stretches = Stretches()

    def block(self, block: Block) -> None:
        """Measure some stretches."""
        for stretch in self._stretches.add(block):
            self._measure(stretch)

    def _measure(self, block: Block) -> None:
        if block.unknown is not None:
            return
        times, changed, after = block.times[1:], block.words[1:] ^ block.words[:-1], block.words[1:]
        for name, kept in self._pulses.items():
            edges = times[changed & np.uint64(1 << BIT[name]) != 0]
            lengths = np.diff(edges)
            first = np.argsort(lengths, kind="stable")[:KEPT]
            kept.extend(zip(lengths[first].tolist(), edges[:-1][first].tolist(), strict=True))
            kept.sort()
            del kept[KEPT:]
        if self._clocked:
            clock = np.uint64(1 << BIT["CLK"])
            self._follow(times[(changed & clock != 0) & (after & clock != 0)])

    def _follow(self, rises: Ints) -> None:
        """Keep the periods that are least like the others."""
        steps = np.diff(rises)
        if not len(steps):
            return
        self._periods.add(steps)
        order = np.argsort(steps, kind="stable")
        around = np.concatenate([[0], steps, [0]])
        for kept, own, sign in ((self._short, order[:KEPT], 1), (self._long, order[-KEPT:], -1)):
            kept.extend((int(steps[k]), int(rises[k]), int(around[k]), int(around[k + 2])) for k in own.tolist())
            kept.sort(key=lambda row, sign=sign: (sign * row[0], row[1]))  # type: ignore[misc]  # the default is of no tuple
            del kept[KEPT:]

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        for stretch in self._stretches.rest():
            self._measure(stretch)
        tick_s = self._tick_s
        slips = Slips({name: [(length * tick_s, at * tick_s) for length, at in kept] for name, kept in self._pulses.items()})
        if len(self._periods):
            low, middle, high = (value * tick_s for value in self._periods.percentiles((5, 50, 95)))
            slips.periods, slips.middle_s, slips.usual_s = len(self._periods), middle, (low, high)
            kept = dict.fromkeys([*self._short, *self._long])
            slips.odd = [Period(at * tick_s, length * tick_s, before * tick_s, after * tick_s) for length, at, before, after in kept]
        evidence.slips = slips


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> SlipsPart | None:
    """Return the part where there is an output of the CPU, or its clock."""
    return SlipsPart(captured, tick_s) if captured & {*OUTPUTS, "CLK"} else None
