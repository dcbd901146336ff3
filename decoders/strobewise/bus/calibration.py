"""How long a T-state is, and which strobe frames the requests: learned from the first stretch of a capture, by both engines alike.

The figures that the estimates rest on are in :mod:`semantics` (UM0080, timing figures).
"""

from __future__ import annotations

from typing import List, NamedTuple, Optional, Sequence, Tuple

from .semantics import GLITCH_T, REFRESH_GAP, REFRESH_WIDTH, TIMING_SAMPLES_MIN

Pulse = Tuple[int, int]  #: assert and release time, ticks

CLOCK_EDGES_WANTED = 512  #: rising edges that settle the clock period
FRAMED_MIN = 0.8  #: share of pulses inside /MREQ or /IORQ below which /MREQ frames nothing (all of them on a healthy bus)
ALIAS_FIT = 0.03  #: how close a period must come to the alias of a given clock: a crystal, and the rounding of some hundred edges
ALIASED = 1.6  #: a clock period this much longer than the strobes allow is no clock period
PROPER_MIN = 0.85  #: share of proper pulses of /IORQ, /RD or /WR below which the line is noise and makes no requests
PULSES_WANTED = 256  #: pulses of /MREQ, /RD or /M1 that settle the rest
IN_STEP_TICKS_MIN = 16.0  #: ticks in a clock period from which the rounding of times does not hide that all edges lie on its halves
IN_STEP_EDGES = 16  #: edges of strobes that must lie there
IN_STEP_SHARE = 0.98  #: share of them that must come with the clock edge that causes them, spikes and bus grants allowed for
ROUNDING = 1.25  #: ticks that an edge may lie off, by the rounding of an export
GAP_SAMPLES_MIN = 2.5  #: usual samples in the gap before a refresh from which one of a single sample is a spike
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

    @property
    def samples_per_t(self) -> Optional[float]:
        """Samples in one T-state, or None when its length is not known."""
        return None if self.t_ticks is None else self.t_ticks / max(self.sample_ticks, 1e-9)


def median(values: Sequence[float]) -> float:
    """Return the middle value of a sequence that is not empty."""
    ordered = sorted(values)
    return float(ordered[len(ordered) // 2])


def clock_period(rises: Sequence[int]) -> Optional[float]:
    """Return the clock period in ticks from rising-edge times, or None from fewer than five edges."""
    if len(rises) < 5:
        return None
    steps = [b - a for a, b in zip(rises, rises[1:])]
    middle = median(steps)
    good = [step for step in steps if 0.6 * middle < step < 1.5 * middle]
    return sum(good) / len(good)


def t_from_mreq(pulses: Sequence[Pulse], sample_ticks: float) -> Optional[float]:
    """Return the length of a T-state from /MREQ pulses alone, or None when they show no refresh.

    Every fetch holds the shortest gap there is, 0.5 T, with the 1 T refresh behind it. At least one /MREQ gap in six is such a gap whatever
    the program does, so the gaps' lower twelfth lies among them.
    """
    if len(pulses) < 8:
        return None
    limit = _short_gap(pulses, sample_ticks)
    spans = [b[1] - a[1] for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= limit]
    if not spans:
        return None
    usual = median(spans)  # release to release, so that the pin's delays cancel: 1.5 T
    good = [span for span in spans if abs(span - usual) <= max(sample_ticks * 1.5, 0.2 * usual)]
    return sum(good) / len(good) / (REFRESH_GAP + REFRESH_WIDTH)


def _short_gap(pulses: Sequence[Pulse], sample_ticks: float) -> float:
    """Return up to how many ticks a gap is one of the shortest kind, in at least two pulses."""
    gaps = sorted(b[0] - a[1] for a, b in zip(pulses, pulses[1:]))
    shortest = float(gaps[len(gaps) // 12])
    return max(1.4 * shortest, shortest + sample_ticks)


def _refresh_gaps(pulses: Sequence[Pulse], sample_ticks: float) -> List[int]:
    """Return the gaps of the shortest kind, those before the refreshes; none from fewer than eight pulses."""
    if len(pulses) < 8:
        return []
    limit = _short_gap(pulses, sample_ticks)
    return [b[0] - a[1] for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= limit]


def t_from_widths(pulses: Sequence[Pulse], shortest_t: float, sample_ticks: float) -> Optional[float]:
    """Return the length of a T-state from pulses whose shortest kind lasts `shortest_t` T-states, or None from fewer than eight."""
    if len(pulses) < 8:
        return None
    widths = sorted(end - start for start, end in pulses)
    shortest = float(widths[len(widths) // 12])
    good = [w for w in widths if abs(w - shortest) <= max(sample_ticks * 1.5, 0.15 * shortest)]
    return sum(good) / len(good) / shortest_t


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
    sample_ticks = _in_step(clock_rises, (m1, rfsh), mreq, sample_ticks)
    strobe_t, strobe_source = _t_from_strobes(mreq, rfsh, m1, rd, sample_ticks)
    period = clock_period(clock_rises)
    longest = _longest_t(m1, rfsh, rd, sample_ticks)
    if strobe_t is not None and longest is not None and strobe_t > 1.3 * longest:
        strobe_t, strobe_source = longest, "M1"  # the gaps of /MREQ were sampled too slowly to be seen
    believed = strobe_t if framed >= FRAMED_MIN else None
    given_t_ticks = base.given_t_ticks
    counts_clock = not base.clocked and period is not None and _counts_clock(period, believed, longest, given_t_ticks, sample_ticks)
    t_ticks: Optional[float]
    if base.clocked:
        t_ticks, source = given_t_ticks, "clocked"
    elif counts_clock:
        t_ticks, source = period, "CLK"
    elif given_t_ticks is not None and (believed is None or strobe_source != "MREQ" or 0.67 < given_t_ticks / believed < 1.5):
        t_ticks, source = given_t_ticks, "given"
    else:
        t_ticks, source = strobe_t, strobe_source
    mreq_frames = bool(mreq) and (
        t_ticks is None or t_ticks >= TIMING_SAMPLES_MIN * sample_ticks or len(rd) * 4 < len(mreq)
    )
    proper = [share >= PROPER_MIN for share in (proper_io, proper_rd, proper_wr)]
    return Calibration(t_ticks, source, sample_ticks, counts_clock, mreq_frames, _joins_gaps(mreq, sample_ticks), *proper)


def _in_step(rises: Sequence[int], with_rise: Sequence[Sequence[Pulse]], mreq: Sequence[Pulse], sample_ticks: float) -> float:
    """Return the sample interval, also where the times cannot tell it: where every edge lies on a half period of the clock. All in ticks.

    That is an analyser with two samples a clock period, or the export of a simulation without delays, whose times are exact. In the latter
    /M1 and /RFSH (with_rise) fall with a rising edge of CLK and /MREQ with a falling one (UM0080); where they do so in an analyser's
    samples, nothing was lost either.
    """
    period = clock_period(rises)
    if period is None or period < IN_STEP_TICKS_MIN or sample_ticks > 0.55 * period:
        return sample_ticks
    first, last, half = rises[0], rises[-1], period / 2
    at_rise = [start for pulses in with_rise for start, _ in pulses if first <= start <= last]
    at_fall = [start for start, _ in mreq if first <= start <= last]
    seen = [*at_rise, *at_fall, *rises]
    off = (abs(time - first - round((time - first) / half) * half) for time in seen)
    if len(at_rise) + len(at_fall) < IN_STEP_EDGES or any(distance > ROUNDING for distance in off):
        return sample_ticks
    edges = set(rises)
    right = sum(1 for time in at_rise if time in edges) + sum(1 for time in at_fall if time not in edges)
    exact = right >= IN_STEP_SHARE * (len(at_rise) + len(at_fall))
    return min(sample_ticks, 1.0) if exact else max(sample_ticks, half)


def _joins_gaps(mreq: Sequence[Pulse], sample_ticks: float) -> bool:
    """Say whether a gap of one sample in a strobe is a spike: the gap before a refresh is longer, and they come seldom."""
    gaps = _refresh_gaps(mreq, sample_ticks)
    return not _torn(mreq, sample_ticks) and not (gaps and median(gaps) < GAP_SAMPLES_MIN * sample_ticks)


def _counts_clock(period: float, believed: Optional[float], longest: Optional[float], given: Optional[float], sample: float) -> bool:
    """Say whether CLK can be counted by. All in ticks; believed, longest: the T-state by the strobes, and the longest that they allow."""
    if period < CLOCK_SAMPLES_MIN * sample:
        return False
    if believed is not None and not 0.7 < period / believed < 1.4:
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
    if len(rfsh) >= 8:
        widths = [end - start for start, end in rfsh]
        usual = median(widths)
        alike = sum(1 for width in widths if abs(width - usual) <= max(1.2 * sample_ticks, 0.2 * usual))
        if alike >= 0.9 * len(widths):
            return usual / 2.0
    limits = [median([end - start for start, end in pulses]) / width for pulses, width in ((m1, 2.0), (rd, 1.5)) if len(pulses) >= 8]
    return max(limits) if limits else None


def _t_from_strobes(
    mreq: Sequence[Pulse], rfsh: Sequence[Pulse], m1: Sequence[Pulse], rd: Sequence[Pulse], sample_ticks: float
) -> Tuple[Optional[float], str]:
    long_enough = _without_glitches(mreq, sample_ticks)
    t_ticks = t_from_mreq(long_enough, sample_ticks)
    if t_ticks is not None:
        return t_ticks, "MREQ"
    for name, pulses, width in (("RFSH", rfsh, 2.0), ("M1", m1, 2.0), ("RD", rd, 1.5)):
        t_ticks = t_from_widths(_without_glitches(pulses, sample_ticks), width, sample_ticks)
        if t_ticks is not None:
            return t_ticks, name
    return None, "none"


def _torn(pulses: Sequence[Pulse], sample_ticks: float) -> bool:
    """Say whether one-sample gaps between pulses come too often to be spikes."""
    return sum(1 for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= 1.2 * sample_ticks) * 20 > max(len(pulses), 20)


def _without_glitches(pulses: Sequence[Pulse], sample_ticks: float) -> List[Pulse]:
    """Drop pulses far shorter than the usual one, and close the one-sample gaps that a spike tears into a pulse."""
    if len(pulses) < 8:
        return list(pulses)
    usual = median([end - start for start, end in pulses])
    # Two samples at most: where every request is long because the board makes it wait, a refresh pulse is far shorter than the usual one.
    limit = min(GLITCH_T * 0.5 * usual, 2.5 * sample_ticks)
    spikes = usual >= 9 * sample_ticks and not _torn(pulses, sample_ticks)
    kept: List[Pulse] = []
    for start, end in pulses:
        if spikes and kept and start - kept[-1][1] <= 1.2 * sample_ticks:
            kept[-1] = (kept[-1][0], end)
        elif end - start >= limit:
            kept.append((start, end))
    return kept
