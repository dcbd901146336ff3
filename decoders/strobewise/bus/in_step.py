"""The sample interval where the times cannot tell it: all edges lie on halves of the clock's period.

That is an analyser with two samples a clock period, or the export of a simulation without delays, whose times are exact.
"""

from __future__ import annotations

from bisect import bisect_right
from math import gcd
from typing import Sequence

from .estimates import SHORTEST_PART, Strobes, clock_period

IN_STEP_TICKS_MIN = 4.0  #: ticks in a clock period from which the rounding of times does not hide that all edges lie on its halves
IN_STEP_EDGES = 16  #: edges of strobes that must lie there
IN_STEP_SHARE = 0.98  #: share of them that must come with the clock edge that causes them, spikes and bus grants allowed for
HALF_OF_PERIOD = 0.55  #: of a clock period, up to which a sample may be half of it, and a little for an estimate
FINER_THAN_HALF = 0.9  #: of half a clock period, below which a sample is another one: the times show a finer grid
ONE_LENGTH = 0.9  #: share of a clock's periods that are alike, above which the others are a clock that was held (our choice)
ROUNDING = 1.25  #: ticks that an edge may lie off, by the rounding of an export
ROUNDING_ONCE = 0.6  #: the same where half a period is that short


def sample_interval(rises: Sequence[int], strobes: Strobes, sample_ticks: float) -> float:
    """Return the sample interval, ticks, by what the edges of clock and strobes say of the one that the times show."""
    if rises:
        return _in_step(rises, strobes, sample_ticks)
    return 1.0 if _on_half_states(strobes, sample_ticks) else sample_ticks


def _in_step(rises: Sequence[int], strobes: Strobes, sample_ticks: float) -> float:
    """Return the sample interval, also where the times cannot tell it: where every edge lies on a half period of the clock. All in ticks.

    That is an analyser with two samples a clock period, or the export of a simulation without delays, whose times are exact. In the latter
    /M1 and /RFSH fall with a rising edge of CLK and /MREQ with a falling one (UM0080); where all do so in an analyser's samples, nothing
    was lost either.
    """
    period = clock_period(rises)
    shown = _shown_by_clock(rises)
    if period is not None and sample_ticks < shown <= HALF_OF_PERIOD * period:
        return float(shown)
    if period is None or period < IN_STEP_TICKS_MIN or sample_ticks > HALF_OF_PERIOD * period:
        return sample_ticks
    half = period / 2
    if 1.0 < sample_ticks < FINER_THAN_HALF * half:
        return sample_ticks  # the times show a finer grid
    limit = ROUNDING if half >= IN_STEP_TICKS_MIN else ROUNDING_ONCE
    at_rise = [start for start, _ in strobes.m1 + strobes.rfsh if rises[0] <= start < rises[-1]]
    at_fall = [start for start, _ in strobes.mreq if rises[0] <= start < rises[-1]]
    if len(at_rise) + len(at_fall) < IN_STEP_EDGES:  # /RD and /WR fall with a falling edge, too, but for ports (UM0080)
        at_fall += [start for start, _ in strobes.rd + strobes.wr if rises[0] <= start < rises[-1]]
    if len(at_rise) + len(at_fall) < IN_STEP_EDGES:
        return sample_ticks
    right = 0
    for times, falling in ((at_rise, False), (at_fall, True)):
        for time in times:
            behind = time - rises[bisect_right(rises, time) - 1]
            off = abs(behind - round(behind / half) * half)
            if off > limit:
                return sample_ticks
            right += (round(behind / half) % 2 == 1) == falling
    exact = bool(at_fall) and right >= IN_STEP_SHARE * (len(at_rise) + len(at_fall)) and _together(strobes, half)
    return min(sample_ticks, 1.0) if exact else max(sample_ticks, half)


def _shown_by_clock(rises: Sequence[int]) -> int:
    """Return the step in which the periods of a clock differ, ticks; 0 where they are too few or too much alike to tell.

    Where something changes in every sample the times of all edges tell no interval: yet a clock that does not fit it shows periods of two
    lengths, one sample apart. A clock that is held now and then has one length, but for a few.
    """
    periods = [after - before for before, after in zip(rises, rises[1:])]
    if len(periods) < IN_STEP_EDGES or max(map(periods.count, set(periods))) > ONE_LENGTH * len(periods):
        return 0
    return gcd(*periods)


def _together(strobes: Strobes, half: float) -> bool:
    """Say whether /RD falls with /MREQ, /WR two half T-states behind it, and both rise with it, wherever they are near it (UM0080)."""
    first = strobes.mreq[0][0] if strobes.mreq else 0
    falls, rises = ({round((pulse[edge] - first) / half) for pulse in strobes.mreq} for edge in (0, 1))
    right = wrong = 0
    for pulses, behind in ((strobes.rd, 0), (strobes.wr, 2)):
        for start, end in pulses:
            for place, places in ((round((start - first) / half) - behind, falls), (round((end - first) / half), rises)):
                right += place in places
                wrong += place not in places and (place - 1 in places or place + 1 in places)
    return right >= IN_STEP_SHARE * (right + wrong)


def _on_half_states(strobes: Strobes, sample_ticks: float) -> bool:
    """Say whether what was taken for the sample interval is half a T-state, in which all edges of the strobes lie where they must.

    So it is in the export of a simulation without delays, and where half a T-state is a whole number of samples. Refreshes take one and
    two halves, /M1 falls a half before /MREQ, /RFSH as the fetch's /MREQ rises (UM0080). Nothing was lost then, whatever the rate was.
    """
    mreq = strobes.mreq
    refreshes = [(b[0] - a[1], b[1] - b[0]) for a, b in zip(mreq, mreq[1:]) if abs(b[0] - a[1] - sample_ticks) <= ROUNDING]
    if sample_ticks < 2 * IN_STEP_TICKS_MIN or len(refreshes) < IN_STEP_EDGES or len(refreshes) * SHORTEST_PART < len(mreq):
        return False
    if sum(1 for _, width in refreshes if abs(width - 2 * sample_ticks) <= ROUNDING) < IN_STEP_SHARE * len(refreshes):
        return False
    first, last = mreq[0][0], mreq[-1][0]

    def place(time: int) -> int:
        return round((time - first) / sample_ticks)

    falls, rises = {place(start) for start, _ in mreq}, {place(end) for _, end in mreq}
    # Of each strobe as many pulses were taken: those of the others go on behind the last of /MREQ.
    right = [place(start) + 1 in falls and place(end) + 1 in falls for start, end in strobes.m1 if end < last]  # the fetch, and its refresh
    right += [place(start) in rises for start, _ in strobes.rfsh if start < last]
    return sum(right) >= IN_STEP_SHARE * len(right) and _together(strobes, sample_ticks)
