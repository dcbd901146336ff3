"""The analyser's sample grid from times alone: the search of :mod:`strobewise.capture.grid`, in plain Python.

An export rounds sample times to whole ticks; the grid is the coarsest interval of which every time is a multiple within that rounding.
A capture host that hands out the analyser's own samples has a grid of one tick.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import List, Optional, Sequence, Tuple

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


def estimate_sample_interval(times: Sequence[int], timescale_fs: Optional[int] = None) -> Optional[float]:
    """Return the interval between an analyser's samples in ticks, None when the times lie on no grid.

    times: increasing; the first 20,000 are used, the last one is not: the end of a capture need not be a sample.
    timescale_fs: length of a tick, if known: when nothing coarser than a tick fits, a tick of 2 ns or more is taken for the interval.
    """
    used = list(times[:-1][:TIMES_USED])
    often = Counter(b - a for a, b in zip(used, used[1:]) if b > a)
    steps = sorted(often)
    if not steps or len(used) <= FIRST_FIT:
        return None
    common = math.gcd(*steps)
    start = used[0]
    ticks = [float((time - start) // common) for time in used]
    # An export rounds to decades of a second, so that another factor is a sample interval and no rounding.
    rounded = 10 ** round(math.log10(common)) == common
    interval = _coarsest(ticks, [(float(step // common), often[step]) for step in steps]) if rounded else None
    if interval is not None and (common == 1 or interval >= FEW_TICKS):
        return interval * common
    if common > 1:
        return float(common) if len(steps) > 1 else None
    if timescale_fs is not None and timescale_fs >= FINEST_SAMPLING_FS:
        return 1.0
    return None


def _coarsest(ticks: List[float], steps: List[Tuple[float, int]]) -> Optional[float]:
    """Try the smallest step and its fractions, coarsest first; only intervals that rounding does not hide are tried.

    steps: each length with how often it comes, rising.
    """
    smallest, largest = steps[0][0], steps[-1][0]
    tests: Optional[float] = None
    for divisor in range(1, LARGEST_DIVISOR + 1):
        if smallest / divisor < 2.0:
            break
        for start in _starts(steps, smallest / divisor, 1 / divisor):
            fitted = _fit(ticks, start)
            if fitted is None or round(largest / fitted[0]) <= 1:  # a clock's own period is no grid
                continue
            interval, residual = fitted
            if tests is None:  # how many different spans there are; rounding alone makes two of each
                tests = len({b - a for a, b in zip(ticks, ticks[SPAN:])}) / 2
            width = min(ROUNDING_TICKS, 2 * residual + ROUNDING_LEFT)
            # Where an event falls on nearly every sample, few spans differ: what counts is how often a sample is passed over.
            least = round(smallest / interval)
            telling = interval >= ROUGH or width < TIGHT * interval
            passed = sum(often for step, often in steps if round(step / interval) > least) if telling else 0
            chance = (width / interval) ** (max(tests, passed) - 2) * divisor
            if 1.0 - chance >= SURE:
                return interval
    return None


def _starts(steps: List[Tuple[float, int]], smallest: float, share: float) -> List[float]:
    """Return intervals to fit, near `smallest`, that the steps allow; where rounding hides the half of one, as it may be too."""
    found = []
    for shift in (0.0, 0.5, -0.5):
        start = smallest + shift * share
        found += [smallest + tenth / 10 for tenth in range(1, 10)] if shift > 0 and start < FEW_TICKS and share == 1.0 else []
        followed = _follow(steps, start)
        found += [followed] if followed is not None else []
    return found


def _follow(steps: List[Tuple[float, int]], interval: float) -> Optional[float]:
    """Sharpen an interval over steps of growing length; None when no interval has all of them for multiples within the rounding."""
    for reach in REACHES:
        near = [(step, often, max(round(step / interval), 1)) for step, often in steps if step < reach * steps[0][0] + SAME_STEP]
        interval = math.fsum(often * step for step, often, _ in near) / sum(often * count for _, often, count in near)  # roundings cancel
        # But for steps that are rounded the same way each time, as in step with the clock: then it is what all of them allow.
        low = max((step - ROUNDING_TICKS) / count for step, _, count in near)
        high = min((step + ROUNDING_TICKS) / count for step, _, count in near)
        if low > high:
            return None
        interval = min(max(interval, low), high)
    return interval


def _fit(ticks: List[float], interval: float) -> Optional[Tuple[float, float]]:
    """Fit offset and interval over windows that double, so that the sample counts stay certain; None for a misfit."""
    offset, used = ticks[0], FIRST_FIT
    while True:
        window = ticks[:used]
        counts = [round((tick - offset) / interval) for tick in window]
        middle = math.fsum(counts) / len(counts)
        power = math.fsum((count - middle) ** 2 for count in counts)
        if power == 0.0:
            return None
        interval = math.fsum((count - middle) * tick for count, tick in zip(counts, window)) / power
        if interval < 2.0:
            return None
        rest = [tick - count * interval for count, tick in zip(counts, window)]
        offset = (max(rest) + min(rest)) / 2
        residual = (max(rest) - min(rest)) / 2
        if residual > ROUNDING_TICKS / 2 + used**-0.5:  # a line through few points may lie off by that much
            return None
        if used >= len(ticks):
            return interval, residual
        used = min(2 * used, len(ticks))
