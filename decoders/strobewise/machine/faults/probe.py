"""Faults at the probe: leads, thresholds, the analyser itself. The machine is well."""

from __future__ import annotations

from typing import TYPE_CHECKING, List, NamedTuple, Sequence, Tuple

from ..analyser import Lead, Skew
from . import blame
from .parameters import PAIR, choice, integer, line, number
from .table import Effects, Suspects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan

_PROBE: Suspects = ("probe_or_capture",)
_PROBE_OR_NOTHING: Suspects = ("probe_or_capture", "none")
_PS_PER_NS = 1000  #: SI


class LeadBad(NamedTuple):
    """A lead is off its pin, or inverts. Where its line is not captured there is no lead."""

    line: str
    defect: str  #: "off" or "inverted"

    def put(self, plan: Plan) -> None:
        if self.line in plan.lines:
            plan.leads.append(Lead(self.line, self.defect))


class LeadsSwapped(NamedTuple):
    """Two leads sit on each other's pin."""

    lines: Tuple[str, str]

    def put(self, plan: Plan) -> None:
        if all(name in plan.lines for name in self.lines):
            plan.swapped.append(self.lines)


class LeadLate(NamedTuple):
    """A channel sees everything late."""

    line: str
    ns: float

    def put(self, plan: Plan) -> None:
        late = round(self.ns * _PS_PER_NS)
        plan.skews[self.line] = Skew(late, late)


class RisesLate(NamedTuple):
    """Slow rising edges are seen late on all lines but the clock, which is driven hard."""

    ns: float

    def put(self, plan: Plan) -> None:
        late = round(self.ns * _PS_PER_NS)
        for name in plan.lines:
            if name != "CLK":
                plan.skews[name] = Skew(late, 0)


class Spikes(NamedTuple):
    """One-sample spikes on any channel."""

    per_ms: float

    def put(self, plan: Plan) -> None:
        plan.glitches_per_s = self.per_ms * 1000


class GroundBounce(NamedTuple):
    """A strobe seems to pulse when many address lines fall at once."""

    lines: int  #: so many

    def put(self, plan: Plan) -> None:
        plan.bounce = self.lines


class SampledSlowly(NamedTuple):
    """The analyser's rate is not the one that was asked for."""

    sample_hz: int

    def put(self, plan: Plan) -> None:
        plan.sample_hz = self.sample_hz


class SamplesLost(NamedTuple):
    """The analyser's buffer overflows now and then."""

    every_ms: float
    lost_us: float
    close: bool  #: the file's time runs on as if nothing had been lost

    def put(self, plan: Plan) -> None:
        every = self.every_ms / 1000 * plan.sample_hz
        lost = max(1, round(self.lost_us / 1e6 * plan.sample_hz))
        total = plan.duration_ps * plan.sample_hz // 10**12
        at = 0
        while True:
            at += max(lost + 1, round(every * plan.rng.uniform(0.5, 1.5)))
            if at >= total:
                break
            plan.gaps.append((at, at + lost))
        plan.gaps[:] = _joined(plan.gaps)  # there may be two of these faults
        plan.gaps_close = self.close


def _joined(gaps: List[Tuple[int, int]]) -> List[Tuple[int, int]]:
    """Return gaps in their order, those that touch as one."""
    joined: List[Tuple[int, int]] = []
    for first, after in sorted(gaps):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], after))
        else:
            joined.append((first, after))
    return joined


def _off_suspects(line: str, **_: object) -> Suspects:
    return (*_PROBE, "connection", *blame.driver(line), *blame.bus_of(line))


@fault_kind(
    "lead-off",
    explanation="A lead has come off its pin and picks up its neighbours. The machine is well.",
    parameters=(line(),),
    suspects=_off_suspects,
    lines=blame.own_line,
)
def lead_off(line: str) -> Effects:
    return (LeadBad(line, "off"),)


@fault_kind(
    "leads-swapped",
    explanation="Two leads sit on each other's pin. The machine is well.",
    parameters=(PAIR,),
    suspects=_PROBE,
    lines=blame.both_lines,
)
def leads_swapped(lines: Sequence[str]) -> Effects:
    return (LeadsSwapped((lines[0], lines[1])),)


@fault_kind(
    "lead-inverted",
    explanation="A lead goes through an inverting buffer. The machine is well.",
    parameters=(line(),),
    suspects=_PROBE,
    lines=blame.own_line,
)
def lead_inverted(line: str) -> Effects:
    return (LeadBad(line, "inverted"),)


@fault_kind(
    "lead-skewed",
    explanation="A channel sees everything late, by so many nanoseconds. The machine is well.",
    parameters=(line(), number("ns", 0, 10_000, 100)),
    suspects=_PROBE,
    lines=blame.own_line,
    state="any",
)
def lead_skewed(line: str, ns: float) -> Effects:
    return (LeadLate(line, ns),)


@fault_kind(
    "threshold-off",
    explanation="The analyser's threshold is set wrongly, so that slow rising edges are seen late by so many nanoseconds.",
    parameters=(number("ns", 0, 1000, 60),),
    suspects=_PROBE,
    state="any",
)
def threshold_off(ns: float) -> Effects:
    return (RisesLate(ns),)


@fault_kind(
    "glitches",
    explanation="The analyser records one-sample spikes now and then, on any channel. The machine is well.",
    parameters=(number("per_ms", 0.01, 10_000, 20),),
    suspects=_PROBE_OR_NOTHING,
    state="any",
)
def glitches(per_ms: float) -> Effects:
    return (Spikes(per_ms),)


@fault_kind(
    "ground-bounce",
    explanation="""The analyser's ground is poor: when many address lines fall at once, a strobe seems to pulse. The machine is
    well.""",
    parameters=(integer("lines", 1, 16, 6),),
    suspects=_PROBE_OR_NOTHING,
    state="any",
)
def ground_bounce(lines: int) -> Effects:
    return (GroundBounce(lines),)


@fault_kind(
    "sample-rate-low",
    explanation="The analyser samples too slowly for this clock. The machine is well.",
    parameters=(integer("sample_hz", 1000, 1_000_000_000, 4_000_000),),
    suspects=_PROBE_OR_NOTHING,
    state="any",
)
def sample_rate_low(sample_hz: int) -> Effects:
    return (SampledSlowly(sample_hz),)


@fault_kind(
    "samples-lost",
    explanation="""The analyser's buffer overflows now and then and samples are lost. close: the file's time runs on as if
    nothing had been lost; otherwise the lines seem to stand still. The machine is well.""",
    parameters=(
        number("every_ms", 0.01, 1000, 0.7),
        number("lost_us", 0.1, 100_000, 20),
        choice("close", (True, False), True),
    ),
    suspects=_PROBE_OR_NOTHING,
    state="any",
)
def samples_lost(every_ms: float, lost_us: float, close: bool) -> Effects:
    return (SamplesLost(every_ms, lost_us, close),)
