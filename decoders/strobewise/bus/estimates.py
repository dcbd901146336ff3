"""What pulses and edges say of the length of a T-state, each by itself; :mod:`calibration` weighs them.

Pulse shapes: UM0080, timing figures of op-code fetch and memory read; the figures themselves are in :mod:`semantics`.
"""

from __future__ import annotations

from collections import Counter
from typing import List, NamedTuple, Optional, Sequence, Tuple

from .semantics import GLITCH_T, REFRESH_GAP, REFRESH_WIDTH

Pulse = Tuple[int, int]  #: assert and release time, ticks

FEW_PULSES = 8  #: pulses of a line that must be seen before its behaviour is judged
CLOCK_EDGES_MIN = 5  #: rising edges that make three periods two by two: of fewer none is the middle one
#: Of the middle one, between which a period counts: one of 2.5 samples shows as 2 and 3, one that the board stretches is 1.5.
PERIOD_SHORT, PERIOD_LONG = 0.6, 1.45
#: At least one gap of /MREQ in six is the one before a refresh, whatever the program does: the lower twelfth lies among them. Of the pulses
#: of /RD and /M1 the shortest are those of fetches without waits, and as frequent.
SHORTEST_PART = 12
SHORT_GAP = 1.4  #: times the shortest gap up to which another is of its kind: the next kind is twice as long (1 T to half a T, UM0080)
SPANS_PART = 4  #: sampled so slowly that other gaps look as short, their spans are longer: the quarter of them is a refresh's
ALIKE_SAMPLES = 1.5  #: samples by which lengths of one kind may differ: each of two edges is seen up to one late, seldom both
SPANS_ALIKE = 0.2  #: the same where samples are many, as a share: the next span is 2.5 T to 1.5 T, jitter far less (our choice)
WIDTHS_ALIKE = 0.15  #: the same for widths, where the next is 2 T to 1.5 T (our choice)
GAP_SAMPLES_SURE = 6  #: samples in a gap from which its length against the pulse behind it is not a matter of the grid
WIDER_THAN_GAP = 1.25  #: a refresh is 1 T behind a gap of half a T (UM0080); a clock high for three quarters makes that 1.33
COUNTED_T = 12  #: T-states apart up to which falls are counted: an estimate that is off by a tenth is off by one at ten
DISTANCES_MIN = 32  #: distances from which the T-state that divides them is no chance
SEARCH_STEP, SEARCH_STEPS = 0.0025, 72  #: the estimate may be off by 18 %: half a sample in 1.5 T-states of 3 samples is 11 %
DISTANCE_OFF = 0.17  #: T-states by which distances may be off on average: any others are by 0.25, those of 3 samples a T-state by 0.11
FITTING = 0.4  #: T-states off up to which a distance counts: a sample at 3 samples a T-state is a third, and half a T-state may be either
READ_PARTS = 8  #: of a /RD pulse: a fifth of a T-state, the most that the delays of two strobes of one CPU lie apart
ONE_SAMPLE = 1.2  #: samples up to which a gap is one of a single sample: rounded times make it a little longer
TORN_PART = 20  #: of the pulses: more gaps of one sample than that are no spikes, which are rare (our choice)
USUAL_T = 2.0  #: T-states that the usual pulse of a strobe lasts at most, but for waits
#: Samples below which a short pulse is a glitch's: where every request is long because the board makes it wait, a refresh pulse, of three
#: samples at least where it is seen at all, is far shorter than the usual one.
GLITCH_SAMPLES = 2.5
LONG_SAMPLES = 9  #: samples in the usual pulse from which the gap before a refresh, a quarter of it, is more than two: then one is a spike


class Strobes(NamedTuple):
    """Asserted pulses of the strobes, in order of time; none of a line that was not captured."""

    mreq: List[Pulse]
    rfsh: List[Pulse]
    m1: List[Pulse]
    rd: List[Pulse]
    wr: List[Pulse]


def median(values: Sequence[float]) -> float:
    """Return the middle value of a sequence that is not empty."""
    ordered = sorted(values)
    return float(ordered[len(ordered) // 2])


def before_reads(reads: Sequence[Pulse], sample_ticks: float) -> int:
    """Return how many ticks before /RD falls /MREQ must be released: they fall together, but for two samples, or what their delays differ.

    reads: pulses of /RD, at least one. The shortest, those of fetches, last 1.5 T (UM0080), and /MREQ rests for a whole T before each.
    """
    widths = sorted(end - start for start, end in reads)
    return int(max(2 * sample_ticks, widths[len(widths) // SHORTEST_PART] / READ_PARTS))


def clock_period(rises: Sequence[int]) -> Optional[float]:
    """Return the clock period in ticks from rising-edge times, None from fewer than five edges or where no period is like two of them."""
    if len(rises) < CLOCK_EDGES_MIN:
        return None
    steps = [b - a for a, b in zip(rises, rises[1:])]
    # Two by two: where an edge lies just at a sample, periods are seen a sample short and long in turn.
    middle = median([b - a for a, b in zip(rises, rises[2:])]) / 2
    good = [step for step in steps if PERIOD_SHORT * middle < step < PERIOD_LONG * middle]
    return sum(good) / len(good) if good else None  # no two periods alike: no clock


def t_from_mreq(pulses: Sequence[Pulse], sample_ticks: float) -> Optional[float]:
    """Return the length of a T-state from /MREQ pulses alone, or None when they show no refresh.

    Every fetch holds the shortest gap there is, 0.5 T, with the 1 T refresh behind it.
    """
    if len(pulses) < FEW_PULSES:
        return None
    limit = _short_gap(pulses, sample_ticks)
    short = [(a, b) for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= limit]
    spans = [b[1] - a[1] for a, b in short]
    if not spans:
        return None
    gap, width = median([b[0] - a[1] for a, b in short]), median([b[1] - b[0] for _, b in short])
    if gap >= GAP_SAMPLES_SURE * sample_ticks and width < WIDER_THAN_GAP * gap:
        return None  # a refresh lasts twice as long as the gap before it: these are requests of somebody else
    usual = float(sorted(spans)[len(spans) // SPANS_PART])  # release to release, so that the pin's delays cancel: 1.5 T
    good = [span for span in spans if abs(span - usual) <= max(ALIKE_SAMPLES * sample_ticks, SPANS_ALIKE * usual)]
    return sum(good) / len(good) / (REFRESH_GAP + REFRESH_WIDTH)


def _short_gap(pulses: Sequence[Pulse], sample_ticks: float) -> float:
    """Return up to how many ticks a gap is one of the shortest kind, in at least two pulses."""
    gaps = sorted(b[0] - a[1] for a, b in zip(pulses, pulses[1:]))
    shortest = float(gaps[len(gaps) // SHORTEST_PART])
    return max(SHORT_GAP * shortest, shortest + sample_ticks)


def refresh_gaps(pulses: Sequence[Pulse], sample_ticks: float) -> List[int]:
    """Return the gaps of the shortest kind, those before the refreshes; none from fewer than eight pulses."""
    if len(pulses) < FEW_PULSES:
        return []
    limit = _short_gap(pulses, sample_ticks)
    return [b[0] - a[1] for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= limit]


def t_from_widths(pulses: Sequence[Pulse], shortest_t: float, sample_ticks: float) -> Optional[float]:
    """Return the length of a T-state from pulses whose shortest kind lasts `shortest_t` T-states, or None from fewer than eight."""
    if len(pulses) < FEW_PULSES:
        return None
    widths = sorted(end - start for start, end in pulses)
    shortest = float(widths[len(widths) // SHORTEST_PART])
    good = [w for w in widths if abs(w - shortest) <= max(ALIKE_SAMPLES * sample_ticks, WIDTHS_ALIKE * shortest)]
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


def torn(pulses: Sequence[Pulse], sample_ticks: float) -> bool:
    """Say whether one-sample gaps between pulses come too often to be spikes."""
    tears = sum(1 for a, b in zip(pulses, pulses[1:]) if b[0] - a[1] <= ONE_SAMPLE * sample_ticks)
    return tears * TORN_PART > max(len(pulses), TORN_PART)


def without_glitches(pulses: Sequence[Pulse], sample_ticks: float) -> List[Pulse]:
    """Drop pulses far shorter than the usual one, and close the one-sample gaps that a spike tears into a pulse."""
    if len(pulses) < FEW_PULSES:
        return list(pulses)
    usual = median([end - start for start, end in pulses])
    limit = min(GLITCH_T * usual / USUAL_T, GLITCH_SAMPLES * sample_ticks)
    spikes = usual >= LONG_SAMPLES * sample_ticks and not torn(pulses, sample_ticks)
    kept: List[Pulse] = []
    for start, end in pulses:
        if spikes and kept and start - kept[-1][1] <= ONE_SAMPLE * sample_ticks:
            kept[-1] = (kept[-1][0], end)
        elif end - start >= limit:
            kept.append((start, end))
    return kept
