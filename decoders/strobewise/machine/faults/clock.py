"""Faults of the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from .parameters import AFTER, RAIL, number
from .table import Effects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan


class ClockStopped(NamedTuple):
    """The clock stops and the whole machine with it."""

    after_s: float
    level: str  #: at which it rests; one that floats sinks to low

    def put(self, plan: Plan) -> None:
        plan.clock_stops_at = plan.t_states(self.after_s)
        plan.clock_rests_at = int(self.level == "high")
        if plan.clock_stops_at == 0:  # the reset circuit needs no clock; it has let go long before anybody captures
            plan.sources[:] = [source for source in plan.sources if source.line != "RESET"]


class ClockSlow(NamedTuple):
    """The clock runs at a fraction of its rate."""

    ratio: float

    def put(self, plan: Plan) -> None:
        plan.period = round(plan.period / self.ratio)
        plan.end = round(plan.end * self.ratio)


class ClockJitter(NamedTuple):
    """Every edge is displaced at random."""

    ns: float  #: by up to so much

    def put(self, plan: Plan) -> None:
        plan.jitter = min(round(self.ns * 1000), plan.period // 4)


@fault_kind(
    "clock-dead",
    explanation="The clock stops, at once or after a while, and the whole machine with it.",
    parameters=(AFTER, RAIL),
    suspects=("clock", "supply", "connection"),
    lines=("CLK",),
)
def clock_dead(after_s: float, level: str) -> Effects:
    return (ClockStopped(after_s, level),)


@fault_kind(
    "clock-slow",
    explanation="The clock runs at a fraction of its rate; the machine works, slowly.",
    parameters=(number("ratio", 0.01, 1.0, 0.5),),
    suspects=("clock",),
    lines=("CLK",),
    state="any",
)
def clock_slow(ratio: float) -> Effects:
    return (ClockSlow(ratio),)


@fault_kind(
    "clock-jitter",
    explanation="Every clock edge is displaced at random, by up to so many nanoseconds.",
    parameters=(number("ns", 0.1, 1000, 40),),
    suspects=("clock",),
    lines=("CLK",),
    state="any",
)
def clock_jitter(ns: float) -> Effects:
    return (ClockJitter(ns),)
