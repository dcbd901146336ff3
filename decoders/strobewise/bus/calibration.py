"""How long a T-state is, and which strobe frames the requests: learned from the first stretch of a capture, by both engines alike.

The figures that the estimates rest on are in :mod:`semantics` (UM0080, timing figures).
"""

from __future__ import annotations

from typing import NamedTuple, Optional, Sequence, Tuple

from .estimates import (
    FEW_PULSES,
    Pulse,
    Strobes,
    by_distances,
    clock_period,
    median,
    refresh_gaps,
    t_from_mreq,
    t_from_widths,
    torn,
    without_glitches,
)
from .in_step import sample_interval
from .semantics import FETCH_WIDTH, REFRESH_GAP_MAX, TIMING_SAMPLES_MIN

WARM_UP_EVENTS = 400_000  #: events looked at, at most, before the time base is settled
CLOCK_EDGES_WANTED = 512  #: rising edges that settle the clock period
FRAMED_MIN = 0.8  #: share of pulses inside /MREQ or /IORQ below which /MREQ frames nothing (all of them on a healthy bus)
ALIAS_FIT = 0.03  #: how close a period must come to the alias of a given clock: a crystal, and the rounding of some hundred edges
ALIASED = 1.6  #: a clock period this much longer than the strobes allow is no clock period
PROPER_MIN = 0.85  #: share of proper pulses of /IORQ, /RD or /WR below which the line is noise and makes no requests
PULSES_WANTED = 256  #: pulses of /MREQ, /RD or /M1 that settle the rest
STROBE_EDGES_WANTED = 6 * PULSES_WANTED  #: edges of all strobes together: a pulse of /MREQ comes with some four edges of others
GRANT_DENIED = 4  #: fetches while /BUSACK is low from which it is not believed: the CPU runs
TELLING_SAMPLES = 5.0  #: samples a T-state from which what /MREQ shows of its length may contradict a given clock
GAP_SAMPLES_MIN = 2.5  #: usual samples in the gap before a refresh from which one of a single sample is a spike
LONGER_THAN_ALLOWED = 1.1  #: times the T-state that the widths of others allow, from which that of /MREQ is not believed (our choice)
READS_PART = 4  #: /RD that comes less often than one pulse of /MREQ in so many is missing or dead: half of them are fetches or reads
CLOCK_SHORT, CLOCK_LONG = 0.7, 1.4  #: of the strobes' T-state, between which CLK is the same clock: half and twice are none (our choice)
RFSH_ALIKE_SAMPLES, RFSH_ALIKE = 1.2, 0.2  #: samples, and share of the usual width, by which pulses of /RFSH differ at most: each is 2 T
RFSH_ALIKE_MIN = 0.9  #: share of them that must be alike: what floats is not, and spikes and cut ends are rare (our choice)
CLOCK_SPIKE_T, CLOCK_SPIKE_SAMPLES = 0.5, 4  #: clock edges closer than half a period are a spike's, where samples tell them apart
CLOCK_SAMPLES_MIN = 2.2  #: samples a clock period below which its edges can not be counted (two a period is the theoretical limit)


class TimeBase(NamedTuple):
    """What is known of a capture's time before its levels are looked at."""

    timescale_fs: Optional[int] = None  #: length of a tick
    given_t_ticks: Optional[float] = None  #: the T-state by the clock that the user or the profile gave, ticks
    clocked: bool = False  #: it holds one sample a clock, so that this is what a T-state is, and a tick the grid


NOTHING_KNOWN = TimeBase()


class Calibration(NamedTuple):
    """What the first stretch of a capture says about its time base."""

    t_ticks: Optional[float]  #: length of a T-state, ticks; None when nothing shows it
    t_source: str  #: "CLK", "given", "MREQ", "RFSH", "M1", "RD", "clocked" (a sample is a T-state) or "none"
    sample_ticks: float  #: the analyser's sample interval, ticks (1.0 or less: not known to be coarser than the timescale)
    counts_clock: bool  #: clock edges are good enough to count T-states by them
    mreq_frames: bool  #: /MREQ pulses frame the requests (else /RD and /WR do)
    joins_gaps: bool = True  #: one-sample gaps in strobes are spikes (False: they come too often for that)
    iorq_frames: bool = True  #: /IORQ pulses frame requests (else they are noise)
    rd_alone: bool = True  #: /RD pulses outside both are believed to be requests
    wr_alone: bool = True  #: the same for /WR
    strobe_t_ticks: Optional[float] = None  #: what /MREQ alone says of a T-state, sampled closely enough to say it

    @property
    def tells_lengths(self) -> bool:
        """Whether cycles have a length: not by a T-state that was learned from strobes sampled so slowly that it is off by some percent."""
        if self.t_ticks is None:
            return False
        return self.t_source in ("CLK", "given", "clocked") or self.t_ticks >= TIMING_SAMPLES_MIN * self.sample_ticks

    @property
    def spike_ticks(self) -> float:
        """Ticks below which a rising edge of CLK behind another is a spike's; 0 where edges are not counted, or samples are too few."""
        told = self.counts_clock and self.t_ticks is not None and self.t_ticks >= CLOCK_SPIKE_SAMPLES * self.sample_ticks
        return CLOCK_SPIKE_T * self.t_ticks if told and self.t_ticks is not None else 0.0

    @property
    def samples_per_t(self) -> Optional[float]:
        """Samples in one T-state, or None when its length is not known."""
        return None if self.t_ticks is None else self.t_ticks / max(self.sample_ticks, 1e-9)


def believes_grant(granted: Sequence[Pulse], t_ticks: float) -> bool:
    """Say whether a grant is believed: fetches of the CPU deny it. granted: the pulses of /MREQ while /BUSACK is low."""
    fetches = sum(1 for a, b in zip(granted, granted[1:]) if b[0] - a[1] < REFRESH_GAP_MAX * t_ticks)
    return fetches < GRANT_DENIED


def calibrate(
    clock_rises: Sequence[int],
    mreq: Sequence[Pulse],
    rfsh: Sequence[Pulse],
    m1: Sequence[Pulse],
    rd: Sequence[Pulse],
    sample_ticks: float,
    base: TimeBase = NOTHING_KNOWN,
    framed: float = 1.0,
    proper_io: float = 1.0,
    proper_rd: float = 1.0,
    proper_wr: float = 1.0,
    wr: Sequence[Pulse] = (),
) -> Calibration:
    """Settle the time base from what the first stretch of a capture shows.

    The pulse lists are asserted pulses in order of time; a line that was not captured gives an empty list.
    framed: the share of pulses of /M1 or /RFSH (where both are missing, of /RD or /WR) that /MREQ goes with as it should, of the line for
    which it is largest; few of them mean that /MREQ is not to be believed.
    proper_io: the share of /IORQ pulses outside /MREQ and with /RD, /WR or /M1 asserted in their middle; few of them mean a floating line.
    proper_rd, proper_wr: the same for /RD (with /WR and /RFSH released) and /WR (with /RD, /M1 and /RFSH released).
    base: its T-state is the one that the user gave with --clock; the clock line, when captured and plausible, is still what is counted.
    """
    if framed < FRAMED_MIN:
        mreq = ()
    if not base.clocked:
        sample_ticks = sample_interval(clock_rises, Strobes(*map(list, (mreq, rfsh, m1, rd, wr))), sample_ticks)
    longest = _longest_t(m1, rfsh, rd, sample_ticks)
    strobe_t, strobe_source = _t_from_strobes(mreq, rfsh, m1, rd, sample_ticks)
    if strobe_t is not None and longest is not None and strobe_t > LONGER_THAN_ALLOWED * longest:
        strobe_t, strobe_source = longest, "M1"  # the gaps of /MREQ were sampled too slowly to be seen, or the duty cycle is odd
    period = clock_period(clock_rises)
    believed = strobe_t if framed >= FRAMED_MIN else None
    given_t_ticks = base.given_t_ticks
    counts_clock = not base.clocked and period is not None and _counts_clock(period, believed, longest, given_t_ticks, sample_ticks)
    t_ticks: Optional[float]
    if base.clocked:
        t_ticks, source = given_t_ticks, "clocked"
    elif counts_clock:
        t_ticks, source = period, "CLK"
    elif given_t_ticks is not None:
        t_ticks, source = given_t_ticks, "given"
    else:
        falls = [start for start, _ in mreq or m1 or rfsh]
        t_ticks, source = None if strobe_t is None else by_distances(falls, strobe_t), strobe_source
    mreq_frames = bool(mreq) and (t_ticks is None or t_ticks >= TIMING_SAMPLES_MIN * sample_ticks or len(rd) * READS_PART < len(mreq))
    io, read, write = (share >= PROPER_MIN for share in (proper_io, proper_rd, proper_wr))
    shown = believed if strobe_source == "MREQ" and believed is not None and believed >= TELLING_SAMPLES * sample_ticks else None
    return Calibration(t_ticks, source, sample_ticks, counts_clock, mreq_frames, _joins_gaps(mreq, sample_ticks), io, read, write, shown)


def _joins_gaps(mreq: Sequence[Pulse], sample_ticks: float) -> bool:
    """Say whether a gap of one sample in a strobe is a spike: the gap before a refresh is longer, and they come seldom."""
    gaps = refresh_gaps(mreq, sample_ticks)
    return not torn(mreq, sample_ticks) and not (gaps and median(gaps) < GAP_SAMPLES_MIN * sample_ticks)


def _counts_clock(period: float, believed: Optional[float], longest: Optional[float], given: Optional[float], sample: float) -> bool:
    """Say whether CLK can be counted by. All in ticks; believed, longest: the T-state by the strobes, and the longest that they allow."""
    if period < CLOCK_SAMPLES_MIN * sample:
        return False
    if believed is not None and not CLOCK_SHORT < period / believed < CLOCK_LONG:
        return False  # fewer edges than clocks were seen, or the line labelled CLK is not the CPU's clock
    if longest is not None and period > ALIASED * longest:
        return False  # strobes shorter than the clock lets them be: the clock itself was sampled too slowly to be seen
    return given is None or not _is_alias(period, given, sample)


def _is_alias(period: float, given: float, sample: float) -> bool:
    """Say whether a clock of the given T-state, sampled so slowly, shows just this period. All in ticks.

    Sampled less than twice a period, a frequency f shows as its distance from the nearest multiple of the sample rate (sampling theorem).
    """
    if given >= 2 * sample:
        return False
    beats = sample / given
    shown = abs(beats - round(beats))
    return abs(sample / period - shown) < ALIAS_FIT * shown


def _longest_t(m1: Sequence[Pulse], rfsh: Sequence[Pulse], rd: Sequence[Pulse], sample_ticks: float) -> Optional[float]:
    """Return the longest T-state that the usual width of the strobes allows, None when they are too few.

    /RFSH lasts 2 T whatever /WAIT asks for; where its pulses are not all alike it is noise, and /M1 and /RD, longer by waits, must do.
    """
    if len(rfsh) >= FEW_PULSES:
        widths = [end - start for start, end in rfsh]
        usual = median(widths)
        alike = sum(1 for width in widths if abs(width - usual) <= max(RFSH_ALIKE_SAMPLES * sample_ticks, RFSH_ALIKE * usual))
        if alike >= RFSH_ALIKE_MIN * len(widths):
            return usual / FETCH_WIDTH["RFSH"]
    shortest = (("M1", m1), ("RD", rd))
    limits = [t_from_widths(without_glitches(pulses, sample_ticks), FETCH_WIDTH[name], sample_ticks) for name, pulses in shortest]
    return max((limit for limit in limits if limit is not None), default=None)


def _t_from_strobes(
    mreq: Sequence[Pulse], rfsh: Sequence[Pulse], m1: Sequence[Pulse], rd: Sequence[Pulse], sample_ticks: float
) -> Tuple[Optional[float], str]:
    long_enough = without_glitches(mreq, sample_ticks)
    t_ticks = t_from_mreq(long_enough, sample_ticks)
    if t_ticks is not None:
        return t_ticks, "MREQ"
    for name, pulses in (("RFSH", rfsh), ("M1", m1), ("RD", rd)):
        t_ticks = t_from_widths(without_glitches(pulses, sample_ticks), FETCH_WIDTH[name], sample_ticks)
        if t_ticks is not None:
            return t_ticks, name
    return None, "none"
