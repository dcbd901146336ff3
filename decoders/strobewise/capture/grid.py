"""The analyser's sample grid, found from the times of a capture alone.

An export rounds sample times to whole ticks: 24 MHz shows as steps of 41 and 42 ticks at 1 ns, of 4 and 5 at 10 ns.
The grid is the coarsest interval of which every time is a multiple within that rounding.
"""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from .distinct import distinct
from .records import Times

FINEST_SAMPLING_FS = 2_000_000  #: a one-tick grid is taken for an analyser's from 2 ns up (500 MHz; common practice)
ROUNDING_LEFT = 0.25  #: ticks by which times may fit better than the rounding of others would
ROUNDING_TICKS = 1.25  #: width of the rounding of times: 1, and a little for exports that round twice

_TIMES_USED = 20_000
_LARGEST_DIVISOR = 64  #: events may never be closer than this many samples
_FIRST_FIT = 16
_SPAN = 12
_REACHES = (1.5, 3, 6, 12, 24, 48)
Ticks = npt.NDArray[np.float64]
_SURE = 0.99
_TIGHT = 0.32  #: the same where the times fit this closely, as a share of it
_FEW_TICKS = 4.0  #: ticks in an interval below which the steps, rounded always the same way, mislead
_ROUGH = 5.0  #: ticks in an interval from which a fit over all times is no chance


class SampleGrid(NamedTuple):
    """A sample interval and how well the times fit it."""

    interval: float  #: ticks
    residual: float  #: ticks: largest distance of a time from the grid
    confidence: float  #: 0..1: how unlikely it is that times off any grid would fit as well


def estimate_sample_interval(times: Times, timescale_fs: Optional[int] = None) -> Optional[SampleGrid]:
    """Find the interval between an analyser's samples.

    times: int64 (n,), increasing; the first 20,000 are used, the last one is not: the end of a capture need not be a
    sample. timescale_fs: length of a tick, if known: when nothing coarser than a tick fits, a tick of 2 ns or more is
    taken for the interval, with confidence 0.5. Intervals below two ticks are not told from one tick.
    Returns None when the times lie on no grid that an analyser could have, as in the export of a simulation.
    """
    used = times[:-1][:_TIMES_USED]
    steps, often = np.unique(np.diff(used), return_counts=True)
    steps, often = steps[steps > 0], often[steps > 0]
    if len(steps) == 0 or len(used) <= _FIRST_FIT:
        return None
    common = int(np.gcd.reduce(steps))
    ticks = ((used - used[0]) // common).astype(np.float64)
    # An export rounds to decades of a second, so that another factor is a sample interval and no rounding.
    rounded = 10 ** round(np.log10(common)) == common
    grid = _coarsest(ticks, (steps // common).astype(np.float64), often.astype(np.float64)) if rounded else None
    if grid is not None and (common == 1 or grid.interval >= _FEW_TICKS):
        return SampleGrid(grid.interval * common, grid.residual * common, grid.confidence)
    if common > 1:
        chance = float(common) ** -(len(steps) - 1)
        return SampleGrid(float(common), 0.0, 1.0 - chance) if len(steps) > 1 else None
    if timescale_fs is not None and timescale_fs >= FINEST_SAMPLING_FS:
        return SampleGrid(1.0, 0.0, 0.5)
    return None


def _coarsest(ticks: Ticks, steps: Ticks, often: Ticks) -> Optional[SampleGrid]:
    """Try the smallest step and its fractions, coarsest first; only intervals that rounding does not hide are tried."""
    smallest = float(steps[0])
    # A pattern that repeats says the same again and again: what counts is how many different spans there are. Rounding
    # alone makes two of each.
    tests = len(distinct(ticks[_SPAN:] - ticks[:-_SPAN])) / 2
    for divisor in range(1, _LARGEST_DIVISOR + 1):
        if smallest / divisor < 2.0:
            break
        for interval in _starts(steps, often, smallest / divisor, 1 / divisor):
            grid = _fit(ticks, interval)
            if grid is not None and np.rint(steps[-1] / grid.interval) > 1:  # else a clock's own period, not a grid
                width = min(ROUNDING_TICKS, 2 * grid.residual + ROUNDING_LEFT)
                # Where an event falls on nearly every sample, few spans differ: what counts is how often a sample is passed over.
                counts = np.rint(steps / grid.interval)
                telling = grid.interval >= _ROUGH or width < _TIGHT * grid.interval
                passed = int(np.sum(often[counts > counts[0]])) if telling else 0
                chance = (width / grid.interval) ** (max(tests, passed) - 2) * divisor
                if 1.0 - chance >= _SURE:
                    return SampleGrid(grid.interval, grid.residual, 1.0 - chance)
    return None


def _starts(steps: Ticks, often: Ticks, smallest: float, share: float) -> list[float]:
    """Return intervals to fit, near `smallest`, that the steps allow; where rounding hides the half of one, as it may be too."""
    found = []
    for shift in (0.0, 0.5, -0.5):
        start = smallest + shift * share
        found += [smallest + tenth / 10 for tenth in range(1, 10)] if shift > 0 and start < _FEW_TICKS and share == 1.0 else []
        followed = _follow(steps, often, start)
        found += [followed] if followed is not None else []
    return found


def _follow(steps: Ticks, often: Ticks, interval: float) -> Optional[float]:
    """Sharpen an interval over steps of growing length; None when one of them is no multiple within the rounding."""
    for reach in _REACHES:
        near = steps < reach * steps[0] + 0.5  # steps of 2 and 3 ticks may be the same one
        counts = np.maximum(np.rint(steps[near] / interval), 1.0)
        interval = float(np.sum(often[near] * steps[near])) / float(np.sum(often[near] * counts))  # roundings cancel in the sum
        if (np.abs(steps[near] - counts * interval) > ROUNDING_TICKS).any():
            return None
    return interval


def _fit(ticks: Ticks, interval: float) -> Optional[SampleGrid]:
    """Fit offset and interval over windows that double, so that the sample counts stay certain; None for a misfit."""
    offset, used = float(ticks[0]), _FIRST_FIT
    while True:
        window = ticks[:used]
        counts = np.rint((window - offset) / interval)
        spread = counts - counts.mean()
        power = float(np.sum(spread * spread))  # sums, no dot products: those start the threads of a numeric library
        if power == 0.0:
            return None
        interval = float(np.sum(spread * window)) / power
        if interval < 2.0:
            return None
        rest = window - counts * interval
        offset = float(rest.max() + rest.min()) / 2
        residual = float(rest.max() - rest.min()) / 2
        if residual > ROUNDING_TICKS / 2 + used**-0.5:  # a line through few points may lie off by that much
            return None
        if used >= len(ticks):
            return SampleGrid(interval, residual, 1.0)
        used = min(2 * used, len(ticks))
