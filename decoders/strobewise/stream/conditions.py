"""What is waited for at the points of a request, as lists of conditions that a capture host takes. Each is built once."""

from __future__ import annotations

from typing import Any, Dict, FrozenSet, List, Protocol, Sequence, Tuple, Union

from ..bus.calibration import Calibration
from ..bus.semantics import SAMPLE_POINT
from .pins import P_BUSACK, P_CLK, P_DATA, P_IORQ, P_MREQ, P_RD, P_RESET, P_WR, STROBE_PINS
from .requests import Limits

Pins = Tuple[int, ...]
Event = Tuple[int, Pins]
#: As the host spells it: the place of a pin and "r", "f", "e", "h" or "l", or the word "skip" and a number of samples.
Condition = Dict[Any, Any]

REFRESH_POINT_T = 1.15  #: behind the release of a fetch: in the refresh pulse (0.5 T to 1.5 T), past the clock edge that starts T4
QUIET_T = 16.0  #: T-states without a request behind which what waits for a follower waits no longer
HELD_T = 128.0  #: T-states that a strobe may be asserted, or released; whoever waits longer does so edge by edge
EARLY_RELEASE_T = 0.15  #: the late look at a request is so much before its release, and a sample at least: it may come a little early
LATE_STROBE_T = 0.35  #: /RD or /WR may fall this much before the request that they belong to


class Host(Protocol):
    """What is asked of the capture host (its decoder object has all three)."""

    samplenum: int
    matched: Tuple[bool, ...]

    def wait(self, conditions: Union[Condition, Sequence[Condition], None] = None) -> Pins:
        """Return the pins at the next sample that meets one of the conditions; raises EOFError or SystemError at the end."""
        ...


class Conditions:
    """The lists for one calibration."""

    def __init__(self, captured: FrozenSet[str], calibration: Calibration) -> None:
        """captured: canonical names. calibration: its T-state is known."""
        assert calibration.t_ticks is not None
        self.t = t = calibration.t_ticks
        self.limits = Limits(calibration)
        self.clock = calibration.counts_clock
        self.sample = max(1, round(calibration.sample_ticks))
        self.points = {width: max(1, int(SAMPLE_POINT * width * t)) for width in (1.5, 2.0, 2.5)}
        self.refresh_at = max(1, round(REFRESH_POINT_T * t))
        self.refresh_fall, self.refresh_rise = round(0.5 * t), round(1.5 * t)  #: behind the release of its fetch
        self.refresh_width = self.refresh_rise - self.refresh_fall
        self.quiet, self.longest = int(QUIET_T * t), int(HELD_T * t)
        self.held = min(self.limits.longest, self.longest)  #: ticks that a request may last
        self.late = max(1, int(LATE_STROBE_T * t))
        reset: List[Condition] = [{P_RESET: "e"}] if "RESET" in captured else []
        data: List[Condition] = [{P_DATA + bit: "e"} for bit in range(8) if f"D{bit}" in captured]
        self._between(captured, calibration, reset)
        self.point: Dict[Tuple[int, float], List[Condition]] = {
            (place, width): [{place: "r"}, {"skip": skip}, *reset] for place in (P_MREQ, P_IORQ) for width, skip in self.points.items()
        }
        self.release: Dict[int, List[Condition]] = {
            place: [{place: "r"}, *data, *reset, {"skip": self.held}] for place in (P_MREQ, P_IORQ)
        }
        self.second: List[Condition] = [{P_MREQ: "r"}, *data, {"skip": max(1, self.points[2.0] - self.points[1.5])}]
        self.framing: List[Condition] = [{P_CLK: "r"}, {P_MREQ: "f"}, *([{P_IORQ: "f"}] if self.io else [])]
        self.refresh: List[Condition] = [{"skip": self.refresh_at}, *reset]
        self._late(reset)
        self.again: Condition = {"skip": self.sample}

    def _late(self, reset: List[Condition]) -> None:
        """Make the lists for one look late in a request, in place of its sample point and each change of the data bus."""
        early = self.limits.lead + max(self.sample, int(EARLY_RELEASE_T * self.t))
        skips = (max(1, int(width * self.t) - early) for width in (1.5, 2.0))
        self.late_points: List[List[Condition]] = [[{P_MREQ: "r"}, {"skip": skip}, *reset] for skip in skips]
        self.late_release: List[Condition] = [{P_MREQ: "r"}, *reset, {"skip": self.held}]

    def looks(self, late: bool) -> Tuple[List[Condition], List[List[Condition]]]:
        """Return how to wait for the release of a request of /MREQ, and for a point in it before that with /M1 low, and high.

        late: one late look will do.
        """
        if late:
            return self.late_release, self.late_points
        return self.release[P_MREQ], [self.point[P_MREQ, width] for width in (1.5, 2.0)]

    def _between(self, captured: FrozenSet[str], calibration: Calibration, reset: List[Condition]) -> None:
        """Make the lists for the time between requests. The first condition is that /MREQ falls, and so on in the order made here."""
        self.io = calibration.iorq_frames and "IORQ" in captured
        idle: List[Condition] = [{P_MREQ: "f"}]
        frames = ((P_IORQ, "IORQ", self.io), (P_RD, "RD", calibration.rd_alone), (P_WR, "WR", calibration.wr_alone))
        idle += [{place: "f"} for place, name, wanted in frames if wanted and name in captured]
        self.bare = range(2 if self.io else 1, len(idle))  #: places of the conditions that /RD or /WR falls
        idle += [{P_BUSACK: "e"}] if "BUSACK" in captured else []
        idle += reset
        self.clock_at = len(idle) if self.clock else -1  #: place of the condition that CLK rises
        idle += [{P_CLK: "r"}] if self.clock else []
        self.idle: List[Condition] = [*idle, {"skip": self.longest}]
        self.idle_timed: List[Condition] = [*idle, {"skip": self.quiet}]  #: while something waits for its follower

    def odd_refresh(self, released: Event, seen: Event) -> List[Event]:
        """Return the events behind the release of a fetch whose refresh is not what it should be. seen: in its middle, or before."""
        rise, pins = released
        now, later = seen
        fall = rise + self.refresh_fall
        if later[P_MREQ] or now <= fall:
            return [released, seen]
        return [released, (fall, (*later[:P_BUSACK], *pins[P_BUSACK:STROBE_PINS], *later[STROBE_PINS:])), seen]
