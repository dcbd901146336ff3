"""Data that change after the CPU has taken them: between the clock edge at which it samples and the release of /RD.

The CPU takes what it reads at a clock edge, and the same edge makes it release /RD (UM0080, op-code fetch and memory read): what still
moves in between arrived late. A channel that lags makes this window narrower, never wider than the data are valid.
"""

from __future__ import annotations

import numpy as np

from ..bus.lines import BIT, DATA, DATA_MASK, FIRST_ADDRESS_BIT
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import distinct
from ..capture.records import Block
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.timing import Settling
from .part import Part
from .stretches import Stretches

_MREQ, _RD, _CLK, _M1 = (np.uint64(1 << BIT[name]) for name in ("MREQ", "RD", "CLK", "M1"))
_DATA = np.uint64(DATA_MASK)


class SettlingPart(Part):
    """Collects :class:`Settling`."""

    def __init__(self, tick_s: float, with_m1: bool = False) -> None:
        self._tick_s = tick_s
        self._with_m1 = with_m1
        self._stretches = Stretches()
        self._reads = self._late = self._fetches = self._late_fetches = 0
        self._span: tuple[int, int] | None = None
        self._pages: set[int] = set()

    def block(self, block: Block) -> None:
        """Measure some stretches."""
        for stretch in self._stretches.add(block):
            self._measure(stretch)

    def _measure(self, block: Block) -> None:
        if block.unknown is not None:
            return
        times, words = block.times, block.words
        changed, after = words[1:] ^ words[:-1], words[1:]
        releases = np.flatnonzero(changed & _RD & after) + 1
        clocked = np.flatnonzero(changed & _CLK) + 1
        if not len(releases) or not len(clocked):
            return
        at = np.searchsorted(clocked, releases, "right") - 1
        releases, at = releases[at >= 0], at[at >= 0]
        sampled = clocked[at]
        last = releases - 1  #: the levels just before the release
        memory = words[sampled] & _MREQ == 0
        late = memory & (last > sampled) & ((words[sampled] ^ words[last]) & _DATA != 0)
        self._reads += int(np.count_nonzero(memory))
        if self._with_m1:
            fetch = memory & (words[sampled] & _M1 == 0)
            self._fetches += int(np.count_nonzero(fetch))
            self._late_fetches += int(np.count_nonzero(fetch & late))
        if late.any():
            when = times[releases[late]]
            self._late += len(when)
            self._span = (self._span[0] if self._span else int(when[0]), int(when[-1]))
            address = (words[sampled[late]] >> np.uint64(FIRST_ADDRESS_BIT) & np.uint64(0xFFFF)).astype(np.int64)
            self._pages.update(distinct(address >> 10).tolist())

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        for stretch in self._stretches.rest():
            self._measure(stretch)
        first, last = (tick * self._tick_s for tick in self._span) if self._span else (None, None)
        pages = tuple(page << 10 for page in sorted(self._pages))
        evidence.settling = Settling(self._reads, self._late, first, last, pages, self._fetches, self._late_fetches)


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> SettlingPart | None:
    """Return the part when the clock, /RD, /MREQ and the data bus were captured."""
    return SettlingPart(tick_s, "M1" in captured) if captured.issuperset(("CLK", "RD", "MREQ", *DATA)) else None
