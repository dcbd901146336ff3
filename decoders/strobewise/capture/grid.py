"""The analyser's sample grid, found from the times of a capture alone.

An export rounds sample times to whole ticks: 24 MHz shows as steps of 41 and 42 ticks at 1 ns, of 4 and 5 at 10 ns.
The grid is the coarsest interval of which every time is a multiple within that rounding.
"""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ..bus.sampling import (
    FEW_TICKS,
    FINEST_SAMPLING_FS,
    FIRST_FIT,
    LARGEST_DIVISOR,
    REACHES,
    ROUGH,
    ROUNDING_LEFT,
    ROUNDING_TICKS,
    SAME_STEP,
    SPAN,
    SURE,
    TIGHT,
    TIMES_USED,
)
from .distinct import distinct
from .records import Times

Ticks = npt.NDArray[np.float64]


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
    used = times[:-1][:TIMES_USED]
    steps, often = np.unique(np.diff(used), return_counts=True)
    steps, often = steps[steps > 0], often[steps > 0]
    if len(steps) == 0 or len(used) <= FIRST_FIT:
        return None
    common = int(np.gcd.reduce(steps))
    ticks = ((used - used[0]) // common).astype(np.float64)
    # An export rounds to decades of a second, so that another factor is a sample interval and no rounding.
    rounded = 10 ** round(np.log10(common)) == common
    grid = _coarsest(ticks, (steps // common).astype(np.float64), often.astype(np.float64)) if rounded else None
    if grid is not None and (common == 1 or grid.interval >= FEW_TICKS):
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
    tests = len(distinct(ticks[SPAN:] - ticks[:-SPAN])) / 2
    for divisor in range(1, LARGEST_DIVISOR + 1):
        if smallest / divisor < 2.0:
            break
        for interval in _starts(steps, often, smallest / divisor, 1 / divisor):
            grid = _fit(ticks, interval)
            if grid is not None and np.rint(steps[-1] / grid.interval) > 1:  # else a clock's own period, not a grid
                width = min(ROUNDING_TICKS, 2 * grid.residual + ROUNDING_LEFT)
                # Where an event falls on nearly every sample, few spans differ: what counts is how often a sample is passed over.
                counts = np.rint(steps / grid.interval)
                telling = grid.interval >= ROUGH or width < TIGHT * grid.interval
                passed = int(np.sum(often[counts > counts[0]])) if telling else 0
                chance = (width / grid.interval) ** (max(tests, passed) - 2) * divisor
                if 1.0 - chance >= SURE:
                    return SampleGrid(grid.interval, grid.residual, 1.0 - chance)
    return None


def _starts(steps: Ticks, often: Ticks, smallest: float, share: float) -> list[float]:
    """Return intervals to fit, near `smallest`, that the steps allow; where rounding hides the half of one, as it may be too."""
    found = []
    for shift in (0.0, 0.5, -0.5):
        start = smallest + shift * share
        found += [smallest + tenth / 10 for tenth in range(1, 10)] if shift > 0 and start < FEW_TICKS and share == 1.0 else []
        followed = _follow(steps, often, start)
        found += [followed] if followed is not None else []
    return found


def _follow(steps: Ticks, often: Ticks, interval: float) -> Optional[float]:
    """Sharpen an interval over steps of growing length; None when no interval has all of them for multiples within the rounding."""
    for reach in REACHES:
        near = steps < reach * steps[0] + SAME_STEP
        counts = np.maximum(np.rint(steps[near] / interval), 1.0)
        interval = float(np.sum(often[near] * steps[near])) / float(np.sum(often[near] * counts))  # roundings cancel in the sum
        # But for steps that are rounded the same way each time, as in step with the clock: then it is what all of them allow.
        low, high = float(((steps[near] - ROUNDING_TICKS) / counts).max()), float(((steps[near] + ROUNDING_TICKS) / counts).min())
        if low > high:
            return None
        interval = min(max(interval, low), high)
    return interval


def _fit(ticks: Ticks, interval: float) -> Optional[SampleGrid]:
    """Fit offset and interval over windows that double, so that the sample counts stay certain; None for a misfit."""
    offset, used = float(ticks[0]), FIRST_FIT
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
