"""How long a T-state is, and which strobe frames the requests: learned from the first stretch of a capture, by both engines alike.

The figures that the estimates rest on are in :mod:`semantics` (UM0080, timing figures).
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from typing import List, NamedTuple, Optional, Sequence, Tuple

from .semantics import GLITCH_T, REFRESH_GAP, REFRESH_WIDTH, TIMING_SAMPLES_MIN

Pulse = Tuple[int, int]  #: assert and release time, ticks

WARM_UP_EVENTS = 400_000  #: events looked at, at most, before the time base is settled
FEW_PULSES = 8  #: pulses of a line that must be seen before its behaviour is judged
CLOCK_EDGES_WANTED = 512  #: rising edges that settle the clock period
READ_PARTS = 8  #: of a /RD pulse: a fifth of a T-state, the most that the delays of two strobes of one CPU lie apart
FRAMED_MIN = 0.8  #: share of pulses inside /MREQ or /IORQ below which /MREQ frames nothing (all of them on a healthy bus)
ALIAS_FIT = 0.03  #: how close a period must come to the alias of a given clock: a crystal, and the rounding of some hundred edges
ALIASED = 1.6  #: a clock period this much longer than the strobes allow is no clock period
PROPER_MIN = 0.85  #: share of proper pulses of /IORQ, /RD or /WR below which the line is noise and makes no requests
PULSES_WANTED = 256  #: pulses of /MREQ, /RD or /M1 that settle the rest
STROBE_EDGES_WANTED = 6 * PULSES_WANTED  #: edges of all strobes together: a pulse of /MREQ comes with some four edges of others
GRANT_DENIED = 4  #: fetches while /BUSACK is low from which it is not believed: the CPU runs
TELLING_SAMPLES = 5.0  #: samples a T-state from which what /MREQ shows of its length may contradict a given clock
IN_STEP_TICKS_MIN = 4.0  #: ticks in a clock period from which the rounding of times does not hide that all edges lie on its halves
IN_STEP_EDGES = 16  #: edges of strobes that must lie there
IN_STEP_SHARE = 0.98  #: share of them that must come with the clock edge that causes them, spikes and bus grants allowed for
ROUNDING = 1.25  #: ticks that an edge may lie off, by the rounding of an export
ROUNDING_ONCE = 0.6  #: the same where half a period is that short
COUNTED_T = 12  #: T-states apart up to which falls are counted: an estimate that is off by a tenth is off by one at ten
DISTANCES_MIN = 32  #: distances from which the T-state that divides them is no chance
SEARCH_STEP, SEARCH_STEPS = 0.0025, 72  #: the estimate may be off by 18 %: half a sample in 1.5 T-states of 3 samples is 11 %
DISTANCE_OFF = 0.17  #: T-states by which distances may be off on average: any others are by 0.25, those of 3 samples a T-state by 0.11
FITTING = 0.4  #: T-states off up to which a distance counts: a sample at 3 samples a T-state is a third, and half a T-state may be either
GAP_SAMPLES_SURE = 6  #: samples in a gap from which its length against the pulse behind it is not a matter of the grid
WIDER_THAN_GAP = 1.25  #: a refresh is 1 T behind a gap of half a T (UM0080); a clock high for three quarters makes that 1.33
GAP_SAMPLES_MIN = 2.5  #: usual samples in the gap before a refresh from which one of a single sample is a spike
CLOCK_SPIKE_T, CLOCK_SPIKE_SAMPLES = 0.5, 4  #: clock edges closer than half a period are a spike's, where samples tell them apart
CLOCK_SAMPLES_MIN = 2.2  #: samples a clock period below which its edges can not be counted (two a period is the theoretical limit)


class TimeBase(NamedTuple):
    """What is known of a capture's time before its levels are looked at."""

    timescale_fs: Optional[int] = None  #: length of a tick
    given_t_ticks: Optional[float] = None  #: the T-state by the clock that the user or the profile gave, ticks
    clocked: bool = False  #: it holds one sample a clock, so that this is what a T-state is, and a tick the grid


NOTHING_KNOWN = TimeBase()


class Strobes(NamedTuple):
    """Asserted pulses of the strobes, in order of time; none of a line that was not captured."""

    mreq: List[Pulse]
    rfsh: List[Pulse]
    m1: List[Pulse]
    rd: List[Pulse]
    wr: List[Pulse]


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
    def samples_per_t(self) -> Optional[float]:
        """Samples in one T-state, or None when its length is not known."""
        return None if self.t_ticks is None else self.t_ticks / max(self.sample_ticks, 1e-9)


def median(values: Sequence[float]) -> float:
    """Return the middle value of a sequence that is not empty."""
    ordered = sorted(values)
    return float(ordered[len(ordered) // 2])


def before_reads(reads: Sequence[Pulse], sample_ticks: float) -> int:
    """Return how many ticks before /RD falls /MREQ must be released: they fall together, but for two samples, or what their delays differ.

    reads: pulses of /RD, at least one. The shortest, those of fetches, last 1.5 T (UM0080), and /MREQ rests for a whole T before each.
    """
    widths = sorted(end - start for start, end in reads)
    return int(max(2 * sample_ticks, widths[len(widths) // 12] / READ_PARTS))


def clock_period(rises: Sequence[int]) -> Optional[float]:
    """Return the clock period in ticks from rising-edge times, None from fewer than five edges or where no period is like two of them."""
    if len(rises) < 5:
        return None
    steps = [b - a for a, b in zip(rises, rises[1:])]
    # Two by two: where an edge lies just at a sample, periods are seen a sample short and long in turn.
    middle = median([b - a for a, b in zip(rises, rises[2:])]) / 2
    good = [step for step in steps if 0.6 * middle < step < 1.45 * middle]  # one of 2.5 samples shows as 2 and 3; stretched: 1.5
    return sum(good) / len(good) if good else None  # no two periods alike: no clock


def t_from_mreq(pulses: Sequence[Pulse], sample_ticks: float) -> Optional[float]:
    """Return the length of a T-state from /MREQ pulses alone, or None when they show no refresh.

    Every fetch holds the shortest gap there is, 0.5 T, with the 1 T refresh behind it. At least one /MREQ gap in six is such a gap whatever
    the program does, so the gaps' lower twelfth lies among them.
    """
    if len(pulses) < 8:
        return None
    limit = _short_gap(pulses, sample_ticks)
    short = [(a, b) for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= limit]
    spans = [b[1] - a[1] for a, b in short]
    if not spans:
        return None
    gap, width = median([b[0] - a[1] for a, b in short]), median([b[1] - b[0] for _, b in short])
    if gap >= GAP_SAMPLES_SURE * sample_ticks and width < WIDER_THAN_GAP * gap:
        return None  # a refresh lasts twice as long as the gap before it: these are requests of somebody else
    # Release to release, so that the pin's delays cancel: 1.5 T. Sampled so slowly that other gaps look as short, theirs are longer.
    usual = float(sorted(spans)[len(spans) // 4])
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


def by_distances(falls: Sequence[int], t_ticks: float) -> float:
    """Return a T-state by what /MREQ, /M1 or /RFSH fall apart, ticks; t_ticks, the first estimate, where that says nothing.

    Each falls with one and the same edge of the clock (UM0080), so that its falls are whole T-states apart. Widths are not, and slowly
    sampled they all come out long or short alike; the distances show the T-state that divides them best.
    """
    distances = Counter(b - a for a, b in zip(falls, falls[1:]))
    near = [(distance, count) for distance, count in distances.items() if distance <= COUNTED_T * t_ticks]
    if sum(count for _, count in near) < DISTANCES_MIN:
        return t_ticks

    def off(t: float) -> float:
        return sum(count * abs(distance - round(distance / t) * t) for distance, count in near)

    best = min((t_ticks * (1.0 + step * SEARCH_STEP) for step in range(-SEARCH_STEPS, SEARCH_STEPS + 1)), key=off)
    if off(best) > DISTANCE_OFF * best * sum(count for _, count in near):
        return t_ticks
    fits = [(d, round(d / best), count) for d, count in near if abs(d / best - round(d / best)) <= FITTING]
    return sum(d * count for d, _, count in fits) / sum(whole * count for _, whole, count in fits)


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
        sample_ticks = _sample_interval(clock_rises, Strobes(*map(list, (mreq, rfsh, m1, rd, wr))), sample_ticks)
    longest = _longest_t(m1, rfsh, rd, sample_ticks)
    strobe_t, strobe_source = _t_from_strobes(mreq, rfsh, m1, rd, sample_ticks)
    if strobe_t is not None and longest is not None and strobe_t > 1.1 * longest:
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
    mreq_frames = bool(mreq) and (t_ticks is None or t_ticks >= TIMING_SAMPLES_MIN * sample_ticks or len(rd) * 4 < len(mreq))
    io, read, write = (share >= PROPER_MIN for share in (proper_io, proper_rd, proper_wr))
    shown = believed if strobe_source == "MREQ" and believed is not None and believed >= TELLING_SAMPLES * sample_ticks else None
    return Calibration(t_ticks, source, sample_ticks, counts_clock, mreq_frames, _joins_gaps(mreq, sample_ticks), io, read, write, shown)


def _sample_interval(rises: Sequence[int], strobes: Strobes, sample_ticks: float) -> float:
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
    if period is None or period < IN_STEP_TICKS_MIN or sample_ticks > 0.55 * period:
        return sample_ticks
    half = period / 2
    if 1.0 < sample_ticks < 0.9 * half:
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
    if sample_ticks < 2 * IN_STEP_TICKS_MIN or len(refreshes) < IN_STEP_EDGES or len(refreshes) * 12 < len(mreq):
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
    limits = [t_from_widths(_without_glitches(pulses, sample_ticks), width, sample_ticks) for pulses, width in ((m1, 2.0), (rd, 1.5))]
    return max((limit for limit in limits if limit is not None), default=None)


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
