"""Faults of the lines themselves: dead, floating, failing now and then, bridged to another."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Sequence, Tuple

from ...bus.lines import BIT
from ...bus.units import NEVER
from ..wiring import LEVELS
from . import blame
from .clock import ClockStopped
from .parameters import AFTER, AT, PAIR, choice, line, number
from .table import Effects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan


#: While these are held, no refresh reaches the RAM.
_STOPS_REFRESH = ("RFSH", "WAIT", "BUSREQ")


class LineHeld(NamedTuple):
    """A line stays at one level, or floats, at one place of its way."""

    line: str
    level: str  #: "high", "low" or "float"
    at: str  #: one of wiring.PLACES
    after_s: float = 0.0  #: when it begins, seconds after power-on

    def put(self, plan: Plan) -> None:
        after = plan.t_states(self.after_s)
        if self.line in _STOPS_REFRESH:
            plan.watch_refresh()
        plan.condition(self.line, self.level, self.at, ((after, NEVER),) if after else None)


class LineFailing(NamedTuple):
    """A line fails in bursts that become longer and more frequent. Times in seconds."""

    line: str
    level: str  #: what it shows in a burst: "high", "low" or "float"
    at: str
    after_s: float
    ramp_s: float  #: how long until it fails most of the time
    burst_s: float  #: about how long a burst lasts

    def put(self, plan: Plan) -> None:
        if self.line in _STOPS_REFRESH:
            plan.watch_refresh()
        plan.condition(self.line, self.level, self.at, self._bursts(plan))

    def _bursts(self, plan: Plan) -> Tuple[Tuple[int, int], ...]:
        start, ramp, burst = (max(1, plan.t_states(seconds)) for seconds in (self.after_s, self.ramp_s, self.burst_s))
        intervals = []
        at = start
        while at < plan.end:
            share = min(0.9, 0.1 + 0.8 * (at - start) / ramp)  # of the time that it fails
            length = max(1, round(burst * plan.rng.uniform(0.5, 1.5)))
            at += round(length * (1 - share) / share * plan.rng.uniform(0.5, 1.5))
            intervals.append((at, at + length))
            at += length
        return tuple(intervals)


class LinesShorted(NamedTuple):
    """Two lines are bridged; whichever of their drivers pulls low wins on both."""

    lines: Tuple[str, str]

    def put(self, plan: Plan) -> None:
        plan.shorts.append(self.lines)
        plan.faulty_board = True


def held(line: str, level: str, at: str) -> Effects:
    """Return a line that is held for good. A clock that does not reach the CPU stops the machine."""
    if line == "CLK" and at != "probe":
        return (ClockStopped(0.0, level),)
    return (LineHeld(line, level, at),)


@fault_kind(
    "dead-high",
    explanation="""A line sits at a high level for good. `at` says where: cpu (the output inside the chip), socket (the pin is
    live, the board beyond it is not), connector (only the expansion port misses it), line (shorted to the supply), probe (only
    the lead). Left open, an output dies at the cpu and every other line is held as a whole.""",
    parameters=(line(), AT),
    suspects=blame.of_line,
    lines=blame.own_line,
)
def dead_high(line: str, at: str) -> Effects:
    return held(line, "high", at)


@fault_kind(
    "dead-low",
    explanation="""A line sits at a low level for good, which a reader of the bus takes for "always asserted" on an active-low
    line. An output that died inside the chip often rests near half a volt and reads as low. `at` as for dead-high.""",
    parameters=(line(), AT),
    suspects=blame.of_line,
    lines=blame.own_line,
)
def dead_low(line: str, at: str) -> Effects:
    return held(line, "low", at)


@fault_kind(
    "floating",
    explanation="""Nobody drives a line: it picks up its neighbours on the package and sinks back after a while. `at` as for
    dead-high; line means the driver is gone and everybody sees the noise.""",
    parameters=(line(), AT),
    suspects=blame.of_line,
    lines=blame.own_line,
)
def floating(line: str, at: str) -> Effects:
    return held(line, "float", at)


@fault_kind(
    "intermittent",
    explanation="""A line works for a while and then fails in bursts that become longer and more frequent, as a part that warms
    up does. after_s: when it begins; ramp_s: how long until it fails most of the time; burst_s: about how long a burst lasts.""",
    parameters=(
        line(tuple(name for name in BIT if name != "CLK")),
        AT,
        choice("level", LEVELS, "high"),
        AFTER,
        number("ramp_s", 1e-6, 3600, 0.002),
        number("burst_s", 1e-6, 60, 5e-5),
    ),
    suspects=blame.of_line,
    lines=blame.own_line,
    state="any",
)
def intermittent(line: str, at: str, level: str, after_s: float, ramp_s: float, burst_s: float) -> Effects:
    return (LineFailing(line, level, at, after_s, ramp_s, burst_s),)


@fault_kind(
    "shorted",
    explanation="Two lines are bridged, by solder or a bent pin: whichever of their drivers pulls low wins on both.",
    parameters=(PAIR,),
    suspects=blame.of_short,
    lines=blame.both_lines,
)
def shorted(lines: Sequence[str]) -> Effects:
    return (LinesShorted((lines[0], lines[1])),)
