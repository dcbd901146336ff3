"""The analyser's sample grid from times alone: the search of :mod:`strobewise.capture.grid`, in plain Python.

An export rounds sample times to whole ticks; the grid is the coarsest interval of which every time is a multiple within that rounding.
A capture host that hands out the analyser's own samples has a grid of one tick.
"""

from __future__ import annotations

import math
from typing import List, Optional, Sequence

FINEST_SAMPLING_FS = 2_000_000  #: a one-tick grid is taken for an analyser's from 2 ns up (500 MHz; common practice)
ROUNDING_TICKS = 1.25  #: width of the rounding of times: 1, and a little for exports that round twice

_TIMES_USED = 20_000
_LARGEST_DIVISOR = 64  #: events may never be closer than this many samples
_FIRST_FIT = 16
_SPAN = 12
_SURE = 0.99
_ROUGH = 8.0  #: ticks in an interval from which a fit over all times is no chance


def estimate_sample_interval(times: Sequence[int], timescale_fs: Optional[int] = None) -> Optional[float]:
    """Return the interval between an analyser's samples in ticks, None when the times lie on no grid.

    times: increasing; the first 20,000 are used, the last one is not: the end of a capture need not be a sample.
    timescale_fs: length of a tick, if known: when nothing coarser than a tick fits, a tick of 2 ns or more is taken for the interval.
    """
    used = list(times[:-1][:_TIMES_USED])
    steps = sorted({b - a for a, b in zip(used, used[1:]) if b > a})
    if not steps or len(used) <= _FIRST_FIT:
        return None
    common = math.gcd(*steps)
    start = used[0]
    interval = _coarsest([float((time - start) // common) for time in used], [float(step // common) for step in steps])
    if interval is not None:
        return interval * common
    if common > 1:
        return float(common) if len(steps) > 1 else None
    if timescale_fs is not None and timescale_fs >= FINEST_SAMPLING_FS:
        return 1.0
    return None


def _coarsest(ticks: List[float], steps: List[float]) -> Optional[float]:
    """Try the smallest step and its fractions, coarsest first; only intervals that rounding does not hide are tried."""
    tests: Optional[float] = None
    for divisor in range(1, _LARGEST_DIVISOR + 1):
        if steps[0] / divisor < 2.0:
            break
        for shift in (0.0, 0.25, -0.25, 0.5, -0.5, 0.75, -0.75):
            followed = _follow(steps, (steps[0] + shift) / divisor)
            interval = _fit(ticks, followed) if followed is not None else None
            if interval is None or round(steps[-1] / interval) <= 1:  # a clock's own period is no grid
                continue
            if tests is None:  # how many different spans there are; rounding alone makes two of each
                tests = len({b - a for a, b in zip(ticks, ticks[_SPAN:])}) / 2
            # Where an event falls on nearly every sample, few spans differ: what counts is how often a sample is passed over.
            passed = sum(1 for a, b in zip(ticks, ticks[1:]) if round((b - a) / interval) > 1) if interval >= _ROUGH else 0
            chance = (ROUNDING_TICKS / interval) ** (max(tests, passed) - 2) * divisor
            if 1.0 - chance >= _SURE:
                return interval
    return None


def _follow(steps: List[float], interval: float) -> Optional[float]:
    """Sharpen an interval from step to longer step, while every step stays a multiple within the rounding."""
    products = squares = 0.0
    for step in steps[: 4 * _FIRST_FIT]:
        count = round(step / interval)
        if count == 0 or abs(step - count * interval) > ROUNDING_TICKS + 0.5 * (squares == 0.0):
            return None
        products += count * step
        squares += count * count
        interval = products / squares
    return interval


def _fit(ticks: List[float], interval: float) -> Optional[float]:
    """Fit offset and interval over windows that double, so that the sample counts stay certain; None for a misfit."""
    steps = [b - a for a, b in zip(ticks, ticks[1:])]
    steps = [step for step in steps if step < _LARGEST_DIVISOR * interval]
    interval = math.fsum(steps) / math.fsum(round(step / interval) for step in steps)
    offset, used = ticks[0], _FIRST_FIT
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
        if (max(rest) - min(rest)) / 2 > ROUNDING_TICKS / 2:
            return None
        if used >= len(ticks):
            return interval
        used = min(2 * used, len(ticks))
