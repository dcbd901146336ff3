"""Rules for the clock: stopped, pausing, off its frequency, jittering. Source of the limits: UM0080 and the trade, as marked."""

from __future__ import annotations

from typing import Iterator, Optional

from ..bus.lines import pin_text
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.strobes import ENOUGH
from . import blame
from .base import COARSE_SAMPLES, FINE_SAMPLES, HOLD, Found, clock_denied, rule
from .grades import CERTAIN, FAIR, HINT, STRONG
from .picture import FETCH, STORE, Picture, done

STILL_S = 20e-6  #: twenty periods of the slowest clock that such a machine runs at (common practice)
STOPPED_T = 150.0  #: a clock that rests this long at the capture's end has stopped (contention stretches a clock by tens of periods at most)
STOPPED_PAUSES = 4.0  #: and this many times as long as it ever paused before
AWAY_SHARE = 0.5  #: of a silence of CLK in which requests go on: half of it, so that one spike at its begin is none
PAUSE_T = 64.0  #: T-states: boards that share their memory hold the clock for a few (common practice), a stop is longer
SLOW_HZ = 100e3  #: at 50 % each level lasts 5 µs
MEANT = 0.05  #: share by which a clock may miss the one that the profile gives, and still be that one: any oscillator that works keeps to it
SLOW_EDGES = 16  #: edges from which a clock this slow is one, and no line that moves now and then
OFF_FREQUENCY = 0.02  #: crystals keep 0.01 %, ceramic resonators 0.5 % (common practice); two percent is neither
EVEN_SHARE = 0.05  #: the same where periods are shorter as well as longer: what a crystal's own edges do is a hundredth of that
STEADY_SAMPLES = 0.5  #: standard deviation of a steady clock's periods at worst: half of them are a sample longer than the others
IN_STEP_SAMPLES = 0.71  #: where both ends of each fall just at a sample, the least noise throws each of them to either side: sqrt(1 / 2)
IN_STEP = 0.01  #: samples a period by which a whole multiple may be missed: some hundred clocks then show all phases, and not one alone
EVENLY = 0.25  #: share of the spread of nine tenths of them that must lie on either side of the middle: a clock that a board stretches is only longer
JITTER_SHARE = 0.12  #: standard deviation of the period beyond what sampling adds, as a share of the period: pulse widths of the AC table leave less (our choice)

DELAYS_KNOWN_HZ = 5e6  #: above this the largest output delay is so much of a period that the two edges can not be told apart
BEHIND_A_RISE = ("TdCr(M1f)", "TdCr(RFSHf)")
UPRIGHT = 0.4  #: of a period: with CLK upside down these two come half a period and their delay behind an edge
EARLY_SAMPLES = 1.2  #: samples by which /MREQ may seem to come before the falling edge of a good CLK: one of skew, and a little
UPSIDE_DOWN = (0.02, 0.4)  #: place of /MREQ's fall in the period of an inverted clock: 0 and its delay of up to 0.35 (85 ns at 4 MHz)

NEXT = "measure the supply rails first (pin 11: +5 V, pin 29: ground), then scope the crystal, its driver and " + pin_text("CLK")


@rule(
    "clock-stopped", "CLK stopped", "fault", needs=(("CLK",),), judges=("CLK",), suspects=blame.CLOCK_STOPPED,
    looks_for="no edge on CLK, or none after some moment, while the machine stands still",
    causes="oscillator, clock driver, supply; an input level that the CPU takes for a clock needs at least Vcc - 0.6 V (from memory)",
    next_step=NEXT, source="common practice",
    host="standstill", sort=HOLD, explains=("no-requests", "went-silent", "wait-held", "halted-for-good"), lasting=True, stands_by_itself=True,
    speaks_for={"no-requests": "all"},
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE, after="clock-dead", by_time=True),
)  # fmt: skip
def clock_stopped(evidence: BusEvidence) -> Iterator[Found]:
    line, clock = evidence.line("CLK"), evidence.clock
    if line.edges == 0:
        yield from _without_an_edge(evidence)
        return
    if clock.hz and clock.last_edge_s is not None:
        rest = evidence.end_s - clock.last_edge_s
        active_later = evidence.last_request_s is not None and evidence.last_request_s > clock.last_edge_s + STOPPED_T / clock.hz
        paused = clock.longest.length_s if clock.longest is not None else 0.0
        if rest * clock.hz > STOPPED_T and rest > STOPPED_PAUSES * paused and not active_later:
            yield Found(
                f"CLK ran at {clock.hz / 1e6:.4g} MHz and stopped at {time_words(clock.last_edge_s)}, "
                f"{time_words(rest)} before the capture ends",
                ("CLK",), first_s=clock.last_edge_s, last_s=evidence.end_s,
            )  # fmt: skip
        fine = (evidence.samples_per_t or COARSE_SAMPLES) >= COARSE_SAMPLES
        if active_later and fine and evidence.last_request_s is not None and evidence.last_request_s > clock.last_edge_s + AWAY_SHARE * rest:
            yield Found(
                f"no edge on CLK from {time_words(clock.last_edge_s)} on, although the CPU makes requests until "
                f"{time_words(evidence.last_request_s)}: the lead for CLK came off",
                ("CLK",), first_s=clock.last_edge_s, last_s=evidence.end_s, severity="warning", suspects=blame.CLOCK_LEAD,
                next_step=f"check the lead for {pin_text('CLK')}, and that it sits there",
            )  # fmt: skip


def _without_an_edge(evidence: BusEvidence) -> Iterator[Found]:
    """Judge a clock that stands throughout; a short capture may be one whose ticks are samples, taken by CLK."""
    line = evidence.line("CLK")
    runs = evidence.requests >= ENOUGH or evidence.line("M1").edges >= 2 * ENOUGH
    if runs and (evidence.sample_interval_s is None or (evidence.samples_per_t or COARSE_SAMPLES) < COARSE_SAMPLES):
        return  # sampled in step with it, a clock stands still
    if _in_step_with_the_analyser(evidence):
        yield Found(
            f"no edge on CLK in {time_words(evidence.duration_s)}, although the CPU's strobes move: it was sampled in step with itself, or its "
            "lead is off", ("CLK",), severity="warning", suspects=blame.CLOCK_LEAD, confidence=HINT,
            next_step="if CLK is at the analyser's clock input, tell at which edge it samples, with --clocked falling or rising; "
            f"else check the lead for {pin_text('CLK')}",
        )  # fmt: skip
    elif evidence.requests >= ENOUGH:
        yield Found(
            f"no edge on CLK in {time_words(evidence.duration_s)}, although the CPU makes {evidence.requests} requests: "
            "the lead for CLK is off, or its label is wrong",
            ("CLK",), severity="warning", suspects=blame.CLOCK_LEAD,
            next_step=f"check the lead for {pin_text('CLK')}, and that it sits there",
        )  # fmt: skip
    elif evidence.duration_s > STILL_S:
        yield Found(
            f"no edge on CLK in {time_words(evidence.duration_s)}, {line.level} throughout", ("CLK",),
            first_s=evidence.start_s, last_s=evidence.end_s, confidence=CERTAIN,
            next_step=f"{NEXT}; where the analyser took its samples by CLK itself, tell at which edge, with --clocked falling or rising",
        )  # fmt: skip


def _in_step_with_the_analyser(evidence: BusEvidence) -> bool:
    """Say whether strobes that only a running CPU moves do so, two of them at least, yet make no requests: no clock moved in between."""
    moving = sum(evidence.line(name).edges >= 2 * ENOUGH for name in ("MREQ", "RD", "RFSH"))
    return moving >= 2 and evidence.requests < ENOUGH


@rule(
    "clock-pauses", "CLK rests for a while", "warning", needs=(("CLK",),), judges=("CLK",),
    suspects=blame.CLOCK_PAUSES,
    looks_for="a stretch without a clock edge in the middle of a running clock",
    causes="a board that stops the clock on purpose (then it is nothing), an intermittent oscillator or joint, samples that the analyser lost",
    next_step="repeat the capture; if the pause stays, scope the oscillator and flex the board gently at the crystal", source="common practice",
    host=None,
    speaks_for={"clock-jitter": "all"},
)  # fmt: skip
def clock_pauses(evidence: BusEvidence) -> Iterator[Found]:
    clock = evidence.clock
    if clock.hz and clock.longest and evidence.line("CLK").edges and clock.longest.length_s * clock.hz > PAUSE_T:
        text = f"CLK rested for {time_words(clock.longest.length_s)} from {time_words(clock.longest.start_s)}"
        jumps = evidence.buses.refresh_jumps if evidence.buses is not None else []
        lost = any(start < clock.longest.end_s and end > clock.longest.start_s for start, end in jumps)
        yield Found(
            text + (", but the refresh address ran on meanwhile: the CPU worked, and the capture has a gap there" if lost else ""), ("CLK",),
            first_s=clock.longest.start_s, last_s=clock.longest.end_s, suspects=blame.THE_CAPTURE if lost else None, confidence=FAIR,
            title="a gap in the capture" if lost else "",
            next_step="capture again for a shorter time, or slower: the analyser lost a block of samples" if lost else None,
        )  # fmt: skip


@rule(
    "clock-off-frequency", "CLK off its frequency", "fault", needs=(("CLK",), ("MREQ",)), judges=("CLK",),
    suspects=blame.CLOCK_OFF,
    looks_for="a clock, measured on CLK or by the strobes, that differs from what --clock or the machine profile says",
    causes="wrong or cracked crystal, oscillator on an overtone, divider; or the stated frequency is wrong",
    next_step="compare with a frequency counter or a scope on " + pin_text("CLK") + "; check the crystal's marking and the divider",
    source="common practice",
    host=None, stands_by_itself=True,
    picture=Picture(("CLK", "M1", "MREQ", "RD"), (FETCH,), (done("clock-slow", ratio=0.5),), by_time=True, long_t=8),
)  # fmt: skip
def clock_off_frequency(evidence: BusEvidence) -> Iterator[Found]:
    clock = evidence.clock
    if clock.hz and clock.strobes_hz and clock_denied(evidence):
        yield Found(
            f"the strobes fit a clock of about {clock.strobes_hz / 1e6:.3g} MHz; the {clock.hz / 1e6:.4g} MHz that were given are believed "
            "all the same",
            (), first_s=evidence.start_s, last_s=evidence.end_s, severity="warning", suspects=blame.CLOCK_GIVEN, confidence=HINT,
            next_step="check the clock that was given with --clock or in the profile, or clip " + pin_text("CLK") + " as well",
            title="the strobes contradict the clock that was given",
        )  # fmt: skip
        return
    if not (clock.hz and clock.nominal_hz and clock.source == "CLK") or not evidence.samples_at_least(COARSE_SAMPLES):
        return
    share = clock.hz / clock.nominal_hz - 1
    if abs(share) > OFF_FREQUENCY:
        yield Found(
            f"CLK runs at {clock.hz / 1e6:.4g} MHz, {share * 100:+.1f} % from the {clock.nominal_hz / 1e6:.4g} MHz it should have",
            ("CLK",), first_s=evidence.start_s, last_s=evidence.end_s,
        )  # fmt: skip


@rule(
    "clock-too-slow", "CLK slower than the CPU can bear", "fault", needs=(("CLK",),), judges=("CLK",),
    suspects=blame.CLOCK_OFF,
    looks_for="a clock so slow that it stays at one level for longer than a CPU that is not CMOS holds what it knows",
    causes="the oscillator runs wild or on another's frequency, a divider too many, a clock that is fed by hand; a CMOS CPU bears it",
    next_step="compare with a frequency counter or a scope on " + pin_text("CLK") + "; look whether the CPU is a CMOS part (Z84C00), which may run so "
    "slowly",
    source="Z8400 product specification, clock pulse width of at most 2 µs (from memory)",
    host=None, stands_by_itself=True, lasting=True,
    picture=Picture(("CLK", "M1", "MREQ", "RD"), (FETCH,), (done("clock-slow", ratio=0.01),), by_time=True, long_t=8),
)  # fmt: skip
def clock_too_slow(evidence: BusEvidence) -> Iterator[Found]:
    clock = evidence.clock
    if not clock.hz or clock.source != "CLK" or clock.edges < SLOW_EDGES or clock.hz > SLOW_HZ:
        return
    if clock.nominal_hz and abs(clock.hz / clock.nominal_hz - 1) < MEANT:
        return  # so it is meant
    yield Found(
        f"CLK runs at {clock.hz / 1e3:.3g} kHz: each level lasts {time_words(0.5 / clock.hz)}, and a CPU that is not CMOS bears 2 µs", ("CLK",),
        first_s=evidence.start_s, last_s=evidence.end_s, confidence=FAIR,
    )  # fmt: skip


@rule(
    "clock-jitter", "CLK unsteady", "warning", needs=(("CLK",),), judges=("CLK",),
    suspects=blame.CLOCK_JITTER,
    looks_for="a clock period that varies more than sampling explains",
    causes="oscillator starting badly, ripple on the supply, a second driver on the clock line, a bad ground clip",
    next_step="scope " + pin_text("CLK") + " and the 5 V rail for ripple; shorten the ground clip", source="common practice",
    host=None,
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE, (done("clock-jitter", ns=60),), by_time=True),
)  # fmt: skip
def clock_jitter(evidence: BusEvidence) -> Iterator[Found]:
    clock = evidence.clock
    if clock.source != "CLK" or not clock.hz or clock.deviation_s is None or not evidence.samples_per_t or evidence.samples_per_t < FINE_SAMPLES:
        return
    sampling = 0.41 * (evidence.sample_interval_s or 0.0)  # two edges, each uniformly rounded: 1 / sqrt(6) of an interval
    excess = max(0.0, clock.deviation_s**2 - sampling**2) ** 0.5
    if excess * clock.hz > JITTER_SHARE:
        yield Found(
            f"the clock period varies by {time_words(excess)} (standard deviation), {excess * clock.hz * 100:.0f} % of a period",
            ("CLK",), first_s=evidence.start_s, last_s=evidence.end_s, confidence=HINT,
        )  # fmt: skip
        return
    slips = evidence.slips
    steady = (IN_STEP_SAMPLES if in_step(evidence.samples_per_t) else STEADY_SAMPLES) * (evidence.sample_interval_s or 0.0)
    excess = max(0.0, clock.deviation_s**2 - steady**2) ** 0.5
    if excess * clock.hz > EVEN_SHARE and slips is not None and _evenly(*slips.usual_s, slips.middle_s):
        low, high = slips.usual_s
        yield Found(
            f"nine tenths of the clock periods lie between {time_words(low)} and {time_words(high)}, on both sides of {time_words(slips.middle_s)}; "
            f"they vary by {time_words(excess)} (standard deviation), {excess * clock.hz * 100:.0f} % of a period",
            ("CLK",), first_s=evidence.start_s, last_s=evidence.end_s, confidence=HINT,
        )  # fmt: skip


def in_step(samples_per_t: float) -> bool:
    """Say whether the analyser's clock is a whole multiple of CLK: then all edges may lie just at a sample, for the whole capture."""
    return abs(samples_per_t - round(samples_per_t)) < IN_STEP


def _evenly(low: float, high: float, middle: Optional[float]) -> bool:
    """Say whether periods are shorter than the middle one as much as longer: those of a clock that a board stretches are only longer."""
    return middle is not None and high > low and EVENLY < (middle - low) / (high - low) < 1.0 - EVENLY


@rule(
    "clock-inverted", "CLK captured upside down", "fault", needs=(("CLK", "MREQ"),), judges=("CLK",),
    suspects=blame.CLOCK_INVERTED,
    looks_for="/MREQ falling just behind the rising edges of CLK, where the CPU lets it fall behind the falling ones",
    causes="the lead for CLK sits on the other side of an inverter, or the channel is inverted",
    next_step="put the lead on " + pin_text("CLK") + " itself, or tell with --map 'CLK=!CHANNEL'; until then every cycle seems to start half a T-state off",
    source="UM0080, op-code fetch and memory timing; the delay after the edge from the AC characteristics",
    host=None, explains=("slow-strobe",),
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE, (done("lead-inverted", line="CLK"),)),
)  # fmt: skip
def clock_inverted(evidence: BusEvidence) -> Iterator[Found]:
    clock = evidence.clock
    if clock.source != "CLK" or not clock.hz or clock.hz > DELAYS_KNOWN_HZ or clock.mreq_phase is None or not evidence.samples_at_least(FINE_SAMPLES):
        return
    timing = evidence.timing
    for delay in timing.delays if timing is not None else ():
        if delay.symbol in BEHIND_A_RISE and delay.median_s * clock.hz < UPRIGHT:
            return  # these keep to the edges of CLK as it is: /MREQ alone is late
    high = evidence.line("CLK").high_fraction
    falls = (0.5 if high is None else high) - EARLY_SAMPLES / (evidence.samples_per_t or FINE_SAMPLES)
    if UPSIDE_DOWN[0] < clock.mreq_phase < min(UPSIDE_DOWN[1], falls):
        yield Found(
            f"/MREQ falls {clock.mreq_phase:.2f} of a period behind the rising edge of CLK; it must fall behind the falling edge, at 0.5 to 0.9",
            ("CLK",), first_s=evidence.start_s, last_s=evidence.end_s, confidence=STRONG,
        )  # fmt: skip
