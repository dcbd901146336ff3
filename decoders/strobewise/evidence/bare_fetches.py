"""Fetches without any request, told by /M1 where neither /RD nor /IORQ was captured: two pulses of /M1 with no pulse of /MREQ from the one
to the other.

An interrupt acknowledge has no /MREQ either, but its refresh has, and pushes follow on it (UM0080): never is there nothing of /MREQ up to
the next /M1.
"""

from __future__ import annotations

import numpy as np

from ..bus.lines import BIT
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..profile.options import Options
from ..records.evidence import BusEvidence
from .part import Part

_M1, _MREQ = (np.uint64(1 << BIT[name]) for name in ("M1", "MREQ"))


class BareFetchesPart(Part):
    """Counts them."""

    def __init__(self) -> None:
        self._bare = 0
        self._word: np.uint64 | None = None
        self._nothing_since = False  # whether /M1 fell before, and /MREQ did not since

    def block(self, block: Block) -> None:
        """Count those of a block."""
        if not len(block.words):
            return
        words = block.words if self._word is None else np.concatenate([[self._word], block.words])
        self._word = words[-1]
        fell = words[:-1] & ~words[1:]
        fetches, requests = (np.flatnonzero(fell & line) for line in (_M1, _MREQ))
        if len(fetches):
            before = np.searchsorted(requests, fetches)  # requests before each fetch
            self._bare += int(np.count_nonzero(before[1:] == before[:-1])) + int(self._nothing_since and before[0] == 0)
            self._nothing_since = bool(before[-1] == len(requests))
        elif len(requests):
            self._nothing_since = False

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.bare_fetches = self._bare


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> BareFetchesPart | None:
    """Return the part where /M1 and /MREQ were captured, and neither /RD nor /IORQ."""
    return BareFetchesPart() if captured.issuperset(("M1", "MREQ")) and not captured & {"RD", "IORQ"} else None
