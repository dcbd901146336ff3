"""Is a capture one with a sample for each clock, which edge, and how many ticks of the file lie between two samples."""

from __future__ import annotations

from typing import Optional

import numpy as np

from ...bus.clocked import EDGES, TICKS_PER_T
from ...bus.lines import MASK
from ..grid import estimate_sample_interval
from ..records import Times
from .retiming import SHAPES, Asserted, Flags, Int, Samples

CASES_MIN = 20  #: transfers with a refresh behind them that must be seen
FITS = 0.98  #: share of them that must look as the table says; a capture not taken by the clock loses each second refresh gap
REST_SAMPLES = 64  #: samples in which CLK must not move to be called at rest
_CLK, _M1, _MREQ, _RD, _WR, _RFSH = (np.uint16(MASK[name]) for name in ("CLK", "M1", "MREQ", "RD", "WR", "RFSH"))


def step_of(times: Times) -> float:
    """Return the ticks of the file between two samples.

    times: those at which something changed, from the start; the last one need not be a sample. An export may round them to whole ticks.
    """
    steps = np.diff(times[:-1]) if len(times) > 2 else np.diff(times)
    if not len(steps):
        return 1.0
    common, smallest = int(np.gcd.reduce(steps)), int(steps.min())
    if common < smallest:
        grid = estimate_sample_interval(times)
        if grid is not None and abs(grid.interval - smallest) < 1.0:
            return grid.interval
    return float(common)


def find_edge(samples: Samples, captured: frozenset[str]) -> Optional[str]:
    """Return the clock edge at which these samples were taken, where the strobes show it plainly; None otherwise.

    It is plain where CLK is at rest or was not captured, and nearly all transfers end as the table of the bus says: between a fetch and
    its refresh /MREQ rests in exactly one sample, or in none, and is asserted in exactly one more.
    """
    if "MREQ" not in captured or not captured & {"M1", "RFSH", "RD"} or len(samples.number) < REST_SAMPLES:
        return None
    clock = samples.words.view("<u2")[0::4] & _CLK
    if "CLK" in captured and (clock != clock[0]).any():
        return None
    seen = Asserted(samples, captured)
    for edge in EDGES:
        fits = _fits(seen, edge, captured)
        if len(fits) >= CASES_MIN and fits.mean() >= FITS:
            return edge
    return None


def _fits(seen: Asserted, edge: str, captured: frozenset[str]) -> Flags:
    """Say of each transfer that a refresh follows, as the first good strobe marks it, whether it looks as it must."""
    last = seen.index[-1]

    def refreshes(at: Int) -> Flags:
        return seen.shows(_MREQ, (True, *SHAPES[edge]), seen.index[at] - 1)

    if "RFSH" in captured and (at := np.flatnonzero(seen.begins & _RFSH)).size >= CASES_MIN:
        at = at[seen.index[at] + 2 < last]
        acknowledged = seen.before[at] & _MREQ == 0
        marked: Flags = (refreshes(at) | acknowledged) & (seen.run_from(_RFSH, at) == 2)
        return marked
    if "M1" in captured and (at := np.flatnonzero(seen.ends & _M1)).size >= CASES_MIN:
        at = at[seen.index[at] + 2 < last]
        framed: Flags = refreshes(at) | (seen.before[at] & _MREQ == 0)
        return framed
    if "RD" not in captured:
        return np.zeros(0, np.bool_)
    at = np.flatnonzero((seen.ends & _RD != 0) & (seen.before & _MREQ != 0))
    at = at[seen.index[at] + 2 < last]
    width = seen.run_until(_RD, at)
    fetch = refreshes(at) & (seen.at(seen.index[at] + 1) & (_RD | _WR) == 0)
    read: Flags = (fetch & (width == (1 if edge == "falling" else 2))) | (~fetch & (width == 2) & (seen.ends[at] & _MREQ != 0))
    return read


def retimed_tick_fs(step: float, timescale_fs: int, clock_hz: Optional[float]) -> int:
    """Return the length of a tick of the retimed axis: by the clock where it is given, else so that the file's own times stay.

    At least 1 fs: a file whose samples are closer than that has no axis worth keeping.
    """
    period_fs = 1e15 / clock_hz if clock_hz else step * timescale_fs
    return max(1, round(period_fs / TICKS_PER_T))
