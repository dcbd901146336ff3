"""Rules for delays against the CPU's speed grades, for refresh, and for the rate of interrupts.

They read ``evidence.timing``. Limits: strobewise.bus.timing (Z8400/Z84C00 product
specification). What is within one sample of a limit is not judged.
"""

from __future__ import annotations

from typing import Iterator

from ..bus.lines import STROBES
from ..bus.semantics import REFRESH_INTERVAL_S
from ..bus.timing import CHARACTERISTIC, GRADES, limit_ps
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from . import blame
from .base import Found, rule
from .grades import FAIR, HINT
from .picture import STORE, Picture, done

OFF_RATE = 0.1
REQUESTS_MIN = 4


@rule(
    "slow-strobe", "a strobe slower than every speed grade allows", "warning", needs=tuple(("CLK", name) for name in STROBES), judges=STROBES,
    suspects=blame.SLOW_STROBE,
    looks_for="a strobe that moves later behind its clock edge than the slowest speed grade of the table allows, beyond the doubt of a sample",
    causes="a weak output, a line with too much load on it, a bad joint, a lead with a long ground loop or a threshold set badly",
    next_step="look at the edge on a scope at the CPU's pin: a slow slope is load or a weak output, a late clean edge is the clock's own level",
    source="Z8400/Z84C00 Product Specification, AC characteristics",
    host=None,
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE, (done("lead-skewed", line="MREQ", ns=150),)),
)  # fmt: skip
def slow_strobe(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    if record is None:
        return
    slowest = GRADES[0]
    for delay in record.delays:
        if slowest in delay.breaks:
            limit = limit_ps(delay.symbol, slowest) * 1e-12
            yield Found(
                f"{CHARACTERISTIC[delay.symbol].meaning}: {time_words(delay.median_s)} in the middle of {delay.count} edges, known to "
                f"{time_words(record.uncertainty_s)}; the {slowest} MHz grade allows {time_words(limit)}",
                (delay.line,), delay.count, evidence.start_s, evidence.end_s, confidence=HINT,
            )  # fmt: skip


@rule(
    "refresh-starved", "no refresh for too long", "warning", needs=(("MREQ",),), judges=("RFSH",),
    suspects=blame.NO_REFRESH,
    looks_for="a stretch without a refresh longer than dynamic memory keeps its contents",
    causes="/WAIT or a bus grant held for too long, /RESET held, a CPU that stood still",
    next_step="see what the control lines did in that stretch; unplug everything from the expansion port and capture again",
    source="2 ms for 128 rows, from memory",
    host="ongoing",
)  # fmt: skip
def refresh_starved(evidence: BusEvidence) -> Iterator[Found]:
    span = evidence.longest_without_refresh
    if span is not None and evidence.least_s(span.length_s) > REFRESH_INTERVAL_S and (evidence.samples_per_t or 0) >= 3:
        yield Found(
            f"no refresh for {time_words(span.length_s)} from {time_words(span.start_s)} on: dynamic memory that the CPU refreshes loses "
            "its contents",
            (), first_s=span.start_s, last_s=span.end_s, confidence=FAIR,
        )  # fmt: skip


@rule(
    "interrupt-rate", "interrupts at another rate than the machine's", "warning", needs=(("INT",),), judges=("INT",),
    suspects=blame.INTERRUPT_RATE,
    looks_for="a distance between interrupt requests that differs from what the profile says",
    causes="the divider or video circuit that makes the interrupt, its clock, or a profile for another machine",
    next_step="compare the interrupt source's own clock with the CPU's; check the divider between them", source="common practice",
    host=None,
)  # fmt: skip
def interrupt_rate(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    wanted = evidence.profile.interrupt_period_t_states if evidence.profile is not None else None
    if record is None or record.interrupts is None or not wanted or not evidence.clock.hz:
        return
    found = record.interrupts
    if found.requests < REQUESTS_MIN or found.period_s is None:
        return
    due = wanted / evidence.clock.hz
    share = found.period_s / due - 1.0
    if abs(share) > OFF_RATE:
        yield Found(
            f"/INT asks every {time_words(found.period_s)}, {share * 100:+.0f} % from the {time_words(due)} of the profile "
            f"({found.requests} requests, {found.acknowledged} acknowledged)",
            ("INT",), found.requests, evidence.start_s, evidence.end_s, confidence=FAIR,
        )  # fmt: skip
