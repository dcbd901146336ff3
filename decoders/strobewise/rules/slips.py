"""Rules for what comes sooner than it can: clock periods cut short where samples are missing, edges of /NMI that no finger makes.

They read ``evidence.slips`` and ``evidence.timing``. That a crystal's periods are all alike, and that contacts bounce, is common practice.
"""

from __future__ import annotations

from typing import Iterator, List

from ..bus.lines import pin_text
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.slips import Period, Slips
from . import blame
from .base import FINE_SAMPLES, Found, rule
from .grades import FAIR, HINT

STEADY_SAMPLES = 1.1  #: between which nine tenths of the periods must lie: two numbers of samples, as a steady clock gives
CUT_SAMPLES = 1.5  #: shorter than all of these by more: a sample is what sampling itself takes or adds
CUT_SHARE = 0.9  #: of the middle period, for fine rates, at which a clock's own jitter is some samples
MANY_CUT = 0.02  #: share of the periods above which it is how this clock runs
NEAR_T = 4.0  #: T-states within which a pulse cut short belongs to a period cut short
BROKEN_T = 20.0  #: T-states from a jump of the refresh address to where the program shows it
BROKEN_OFF, BROKEN_SHARE, JUMPS_PER_BREAK = 2, 0.5, 4  #: places, their share of the contradictions, and jumps for each: what shows one seldom shows all
BOUNCE_T = 64.0  #: T-states between two falls of /NMI: no handler has answered the one and is done before the other (UM0080: 11 + 14 at least)
BOUNCES, BOUNCES_MOST = 3, 24  #: falls: of one press; contacts come to rest, and what goes on is nmi-storm's
SHORTEST_T = {"M1": 1.5, "RFSH": 1.5, "RD": 0.7, "WR": 0.7, "MREQ": 0.25}  #: pulses and gaps below are none of the CPU's (UM0080, timing figures)


def cut_short(slips: Slips, sample_s: float) -> List[Period]:
    """Return the periods of CLK that are shorter than a steady clock can give, none where it is not steady."""
    low, high = slips.usual_s
    if slips.middle_s is None or high - low > STEADY_SAMPLES * sample_s:
        return []
    limit = min(low - CUT_SAMPLES * sample_s, CUT_SHARE * slips.middle_s)
    return [period for period in slips.odd if period.length_s < limit and not _split(period, slips.middle_s, sample_s)]


def _split(period: Period, middle_s: float, sample_s: float) -> bool:
    """Say whether a spike on CLK cut a period in two: then the parts come to one."""
    return any(abs(period.length_s + other - middle_s) < CUT_SAMPLES * sample_s for other in (period.before_s, period.after_s))


@rule(
    "clock-slips", "samples are missing", "warning", needs=(("CLK",),), judges=(),
    suspects=blame.SAMPLES_MISSING,
    looks_for="a steady clock with a few periods that are cut short: the file's time runs on where samples were lost",
    causes="the analyser's buffer or the link to the computer overflowed; seldom a clock that hiccups",
    next_step="capture again for a shorter time, at a lower rate or with fewer channels; if it stays, scope " + pin_text("CLK"),
    source="common practice",
    host=None,
)  # fmt: skip
def clock_slips(evidence: BusEvidence) -> Iterator[Found]:
    slips, sample_s = evidence.slips, evidence.sample_interval_s
    if slips is None or sample_s is None or evidence.clocked or evidence.clock.source != "CLK" or not evidence.samples_at_least(FINE_SAMPLES):
        return
    cut = sorted(cut_short(slips, sample_s))
    if not cut or len(cut) > MANY_CUT * slips.periods or (len(cut) == 1 and not _with_a_pulse(slips, cut[0], slips.middle_s or 0.0)):
        yield from _broken_off(evidence)
        return
    yield Found(
        f"{len(cut)} period{'s' if len(cut) > 1 else ''} of CLK cut short among {slips.periods} that are all alike, the first at "
        f"{time_words(cut[0].start_s)} ({time_words(cut[0].length_s)} in place of {time_words(slips.middle_s)}): samples are missing there, and the "
        "cycles around it are not to be trusted",
        ("CLK",), len(cut), cut[0].start_s, cut[-1].start_s, confidence=FAIR,
    )  # fmt: skip


def samples_missing(evidence: BusEvidence) -> bool:
    """Say whether the capture lost samples, by its clock or its program: what was written there nobody saw."""
    return any(True for _ in clock_slips(evidence))


def _broken_off(evidence: BusEvidence) -> Iterator[Found]:
    """Find places where the refresh address jumps and the program breaks off at once: the clock's phase may fit by chance."""
    record, hz = evidence.prediction, evidence.clock.hz
    jumps = evidence.buses.refresh_jumps if evidence.buses is not None else []
    if record is None or not hz:
        return
    near = BROKEN_T / hz
    at = [kept.start * record.tick_s for kept in record.kept if kept.what in ("kind", "next")]
    both = [when for when in at if any(start - near < when < end + near for start, end in jumps)]
    if len(both) >= BROKEN_OFF and len(both) >= BROKEN_SHARE * len(at) and len(jumps) <= JUMPS_PER_BREAK * len(both):
        yield Found(
            f"the refresh address jumps in {len(jumps)} places, and in {len(both)} of them the program breaks off as well, first at "
            f"{time_words(both[0])}: samples are missing there", (), len(both), both[0], both[-1], confidence=HINT,
        )  # fmt: skip


def _with_a_pulse(slips: Slips, period: Period, t_s: float) -> bool:
    """Say whether an output of the CPU gave a pulse that is none of its own at the same moment."""
    return any(
        length < SHORTEST_T[name] * t_s and abs(at - period.start_s) < NEAR_T * t_s
        for name in SHORTEST_T for length, at in slips.pulses.get(name, ())
    )  # fmt: skip


@rule(
    "nmi-bounces", "/NMI bounces", "warning", needs=(("NMI",),), judges=("NMI",),
    suspects=blame.NMI_BOUNCES,
    looks_for=f"{BOUNCES} or more falling edges of /NMI, each closer behind the last than any handler can answer, and then no more",
    causes="a button whose contacts bounce, without the capacitor or flip-flop that keeps it quiet; each edge calls the CPU anew, from within the handler",
    next_step=f"scope {pin_text('NMI')} while the button is pressed; then the button itself and what should keep it quiet",
    source="UM0080, interrupt response; that contacts bounce is common practice",
    host=None, stands_by_itself=True,
)  # fmt: skip
def nmi_bounces(evidence: BusEvidence) -> Iterator[Found]:
    timing, hz = evidence.timing, evidence.clock.hz
    falls = timing.nmi_falls_s if timing is not None else []
    if not hz or not BOUNCES <= len(falls) <= BOUNCES_MOST:
        return
    close = [after - before < BOUNCE_T / hz for before, after in zip(falls, falls[1:])]
    first = next((k for k in range(len(close)) if all(close[k : k + BOUNCES - 1])), len(close))
    if first + BOUNCES > len(falls):
        return
    last = first
    while last < len(close) and close[last]:
        last += 1
    count = last - first + 1
    yield Found(
        f"/NMI fell {count} times within {time_words(falls[last] - falls[first])}, from {time_words(falls[first])} on: a contact that bounces",
        ("NMI",), count, falls[first], falls[last], confidence=HINT,
    )  # fmt: skip
