"""Fetches told by /M1 alone, for a capture whose other strobes are dead: each instruction's length, and nothing of what lies in it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from .observed import ACKNOWLEDGE, FETCH, NOT_KNOWN

ACKNOWLEDGE_LOW_T = 3.5  #: /M1 is low for 2 T-states in a fetch without wait states, and for 4 or more in an acknowledge (UM0080)
COLUMNS = 11  #: as `collect.Cycles` keeps them

Ticks = npt.NDArray[np.int64]


def fetches_by_m1(times: Ticks, words: npt.NDArray[np.uint64], captured: frozenset[str], t_ticks: float) -> Ticks:
    """Return a row for each pulse of /M1 (int64, columns of `collect.Cycles.feed`), none where its lead is missing or never moves."""
    if "M1" not in captured or not len(times):
        return np.empty((0, COLUMNS), np.int64)
    low = words & np.uint64(MASK["M1"]) == 0
    falls = np.flatnonzero(low[1:] & ~low[:-1]) + 1
    rises = np.flatnonzero(~low[1:] & low[:-1]) + 1
    falls = falls[: np.searchsorted(falls, rises[-1])] if len(rises) else falls[:0]
    if not len(falls):
        return np.empty((0, COLUMNS), np.int64)
    ends = rises[np.searchsorted(rises, falls)]
    before_rise = words[ends - 1].astype(np.int64)  # the levels just before /M1 ends: address and data are there
    start = times[falls]
    gap = np.append(np.diff(start), 0)
    width = times[ends] - start
    rows = np.zeros((len(falls), COLUMNS), np.int64)
    rows[:, 0], rows[:, 1] = start, start + gap
    rows[:, 2] = np.where(width > ACKNOWLEDGE_LOW_T * t_ticks, ACKNOWLEDGE, FETCH)
    rows[:, 3] = np.where(gap > 0, np.rint(gap / t_ticks).astype(np.int64), NOT_KNOWN)
    rows[:, 5], rows[:, 6] = before_rise >> FIRST_ADDRESS_BIT & 0xFFFF, before_rise >> FIRST_DATA_BIT & 0xFF
    rows[:, 7] = sum(1 << bit for bit in range(8) if f"D{bit}" in captured)
    rows[:, 8] = rows[:, 10] = before_rise & 0xFFFF
    return rows
