"""The few samples of each request that matter, while the bus does what a bus does.

For each pulse of /MREQ or /IORQ: its assert edge, the sample point of its shortest kind (for the control lines and the address), every
change of the data bus from there on (so that the level just before the release is known), and the release. Of a refresh behind a fetch
whose strobes can be relied on, one sample in its middle is looked at. Clock edges are waited for only between requests, where T1 can
begin; those hidden meanwhile are counted by the length of the gap.

Whatever does not fit this picture (spikes, strobes without /MREQ or /IORQ, overlaps) is handed back, to be looked at edge by edge.
"""

from __future__ import annotations

from typing import Any, Dict, FrozenSet, List, Optional, Tuple

from ..bus.semantics import SAMPLE_POINT, TRUST_M1, TRUST_RD, TRUST_RFSH
from .engine import StreamEngine
from .pins import (
    P_ADDRESS,
    P_BUSACK,
    P_CLK,
    P_DATA,
    P_HALT,
    P_IORQ,
    P_M1,
    P_MREQ,
    P_RD,
    P_RESET,
    P_RFSH,
    P_WR,
    STROBE_PINS,
    UNMAPPED,
    ControlWords,
    bus_bits,
    data_bits,
)
from .records import LINE_IORQ, LINE_MREQ, Request
from .requests import Limits

Pins = Tuple[int, ...]
Event = Tuple[int, Pins]
Condition = Dict[Any, Any]

REFRESH_POINT_T = 1.15  #: behind the release of a fetch: in the refresh pulse (0.5 T to 1.5 T), past the clock edge that starts T4
QUIET_T = 16.0  #: T-states without a request behind which what waits for a follower waits no longer
HELD_T = 512.0  #: T-states that a strobe may be asserted, or released; whoever waits longer does so edge by edge
LATE_STROBE_T = 0.35  #: /RD or /WR may fall this much before the request that they belong to


class PointSampler:
    """Looks at points until something is out of the ordinary."""

    def __init__(self, host: Any, engine: StreamEngine, captured: FrozenSet[str], control: ControlWords) -> None:
        """host: see sampler.Host. The engine is settled, and nothing is under way on the bus."""
        calibration = engine.calibration
        assert calibration is not None and calibration.t_ticks is not None and engine.tracker is not None
        self._host = host
        self._engine = engine
        self._tracker = engine.tracker
        self._control = control
        self._captured = captured
        self.t = t = calibration.t_ticks
        self.limits = Limits(calibration)
        self._sample = max(1, round(calibration.sample_ticks))
        self._points = {width: max(1, int(SAMPLE_POINT * width * t)) for width in (1.5, 2.0, 2.5)}
        self.refresh_point = max(1, round(REFRESH_POINT_T * t))
        self._clock = calibration.counts_clock
        self._has_data = any(f"D{bit}" in captured for bit in range(8))
        #: strobes to rely on before the refresh behind a fetch is taken on one sample
        self.refresh_trust = TRUST_M1 | TRUST_RFSH | (TRUST_RD if "RD" in captured else 0)
        self.spikes = 0  #: times that something did not fit which the board should not do
        self.last_pins: Pins = ()  #: what was seen last before the end of the capture
        self._left: Optional[Request] = None  #: held back when the capture ended
        self._hidden = False  #: clock edges may have passed since the last one that was seen
        self._last_clock: Optional[int] = None
        self._make_conditions(calibration.iorq_frames, calibration.rd_alone, calibration.wr_alone)

    def _make_conditions(self, io_frames: bool, rd_alone: bool, wr_alone: bool) -> None:
        captured = self._captured
        self._io = io_frames and "IORQ" in captured
        idle: List[Condition] = [{P_MREQ: "f"}]
        for place, name, wanted in ((P_IORQ, "IORQ", io_frames), (P_RD, "RD", rd_alone), (P_WR, "WR", wr_alone)):
            if wanted and name in captured:
                idle.append({place: "f"})
        bare_from = 2 if self._io else 1
        self._bare = range(bare_from, len(idle))
        for place, name in ((P_BUSACK, "BUSACK"), (P_RESET, "RESET")):
            if name in captured:
                idle.append({place: "e"})
        if self._clock:
            idle.append({P_CLK: "r"})
        self._clock_at = len(idle) - 1
        self.idle = [*idle, {"skip": int(HELD_T * self.t)}]
        self.idle_timed = [*idle, {"skip": int(QUIET_T * self.t)}]
        data = [{P_DATA + bit: "e"} for bit in range(8) if f"D{bit}" in captured]
        self.point = {
            (place, width): [{place: "r"}, {"skip": skip}] for place in (P_MREQ, P_IORQ) for width, skip in self._points.items()
        }
        self._held = min(self.limits.longest, int(HELD_T * self.t))
        held: Condition = {"skip": self._held}
        self.release = {place: [{place: "r"}, *data, held] for place in (P_MREQ, P_IORQ)}
        self.second = [{P_MREQ: "r"}, *data, {"skip": max(1, self._points[2.0] - self._points[1.5])}]
        self._framing: List[Condition] = [{P_CLK: "r"}, {P_MREQ: "f"}, *([{P_IORQ: "f"}] if self._io else [])]
        self.refresh: List[Condition] = [{"skip": self.refresh_point}]
        self.again: Condition = {"skip": self._sample}
        if "RESET" in captured:
            self.refresh.append({P_RESET: "e"})

    def run(self, pins: Pins) -> List[Event]:
        """Hand requests to the tracker; returns the events from which on every edge must be looked at, after telling the engine so.

        pins: the state now, in which no strobe that frames requests is asserted. Raises what the host raises at the end of the capture.
        """
        host, wait, tracker, control_of = self._host, self._host.wait, self._tracker, self._control
        request = tracker.take
        glitch, gap, lead, t = self.limits.glitch, self.limits.gap, self.limits.lead, self.t
        fetch_point, data_point, data_at = self.point[P_MREQ, 1.5], self.point[P_MREQ, 2.0], self._points[2.0]
        second, release, refresh_wait = self.second, self.release[P_MREQ], self.refresh
        refresh_trust = self.refresh_trust
        refresh_fall, refresh_rise = round(0.5 * t), round(1.5 * t)
        idle, idle_timed = self.idle, self.idle_timed
        in_refresh = tuple(
            level if name in self._captured else UNMAPPED
            for name, level in (("MREQ", 0), ("M1", 1), ("IORQ", 1), ("RD", 1), ("WR", 1), ("RFSH", 0))
        )  # the pins MREQ to RFSH in the middle of a refresh
        pending: Optional[Request] = None  # the request before, until no spike can have torn it
        waiting = True  # something may wait for its follower
        carried = False  # pins were read already
        fall = host.samplenum  # of the last request
        early: Optional[Event] = None  # where /RD or /WR fell before their request
        slow = pins[P_BUSACK:STROBE_PINS]
        self._high = [place for place in (P_MREQ, P_IORQ, P_RD, P_WR) if pins[place] == 1]  # released between requests
        self._hidden, self._last_clock = False, self._engine.last_clock
        try:
            while True:
                if not carried:
                    early = None
                    pins = wait(idle_timed if waiting else idle)
                now = host.samplenum
                if pins[P_BUSACK:STROBE_PINS] != slow:
                    slow = self._slow_edges(now, slow, pins)

                if not pins[P_MREQ]:
                    if not carried and not host.matched[0]:  # another line moved while a refresh lasts
                        if self._clock and host.matched[self._clock_at]:
                            self._clock_edge(now)
                        continue
                    carried = False
                    fall, first = now, pins
                    trust = tracker.trust
                    sure = trust & TRUST_M1  # whether /M1 says how long the request must be at least
                    pins = wait(data_point if sure and first[P_M1] else fetch_point)
                    if pins[P_MREQ]:  # released before the sample point
                        rise = host.samplenum
                        if pending is not None and pending.line == LINE_MREQ and fall - pending.rise < gap:
                            pending = pending._replace(rise=rise)  # a spike had torn it
                            self._glitch()
                        elif rise - fall < glitch and first[P_RD] and first[P_WR] and pins[P_RD] and pins[P_WR]:
                            self._glitch()
                        else:
                            if pending is not None:
                                request(pending)
                                pending = None
                            released = first[P_RD] and first[P_WR] and pins[P_RD] and pins[P_WR] and (first[P_M1] or not sure)
                            if rise - fall < glitch or not released:
                                self.spikes += 1
                                return self._leave(early, (fall, first), *self._late_strobes(fall, first, pins), (rise, pins))
                            control = control_of[first[:P_ADDRESS]]
                            bus = bus_bits(first)
                            pending = Request(LINE_MREQ, fall, rise, control, control, bus & 0xFFFF, bus >> 16)
                            waiting = True
                        if self._clock and pins[P_CLK] and not first[P_CLK]:
                            self._clock_edge(rise)  # it may start the next cycle
                        self._hidden = True
                        continue
                    point = late = pins
                    if lead > 1:
                        point, late, pins = self._release_by_time(P_MREQ, fall, pins, sure)
                    else:
                        pins = wait(release if sure else second)
                        while not pins[P_MREQ]:  # the data bus changed
                            if host.samplenum - fall > self._held:
                                break
                            late = pins
                            if not sure and host.samplenum - fall >= data_at:
                                point, sure = _either(point, pins), 1
                            pins = wait(release if sure else second)
                    rise = host.samplenum
                    if not pins[P_MREQ]:
                        if pending is not None:
                            request(pending)
                            pending = None
                        return self._leave(early, (fall, first), (rise, pins))
                    if pending is not None:
                        if pending.line == LINE_MREQ and fall - pending.rise < gap:
                            fall = pending.fall
                            self._glitch()
                        else:
                            request(pending)
                    if pins[P_BUSACK:STROBE_PINS] != slow:
                        slow = self._slow_edges(rise, slow, pins)
                    control = control_of[point[:P_ADDRESS]]
                    bus = bus_bits(point)
                    pending = Request(
                        LINE_MREQ, fall, rise, control, control, bus & 0xFFFF, bus >> 16 if late is point else data_bits(late)
                    )
                    waiting = self._hidden = True
                    if self._clock and first[P_M1] and pins[P_CLK]:
                        self._clock_edge(rise)  # T1 of the next cycle came with the release
                        self._hidden = True
                    if first[P_M1] or trust & refresh_trust != refresh_trust:
                        continue
                    request(pending)
                    pending = None
                    refresh = wait(refresh_wait)
                    if refresh[P_MREQ] and not refresh[P_RFSH]:
                        refresh = wait(self.again)  # a spike, perhaps
                    if refresh[:P_HALT] != in_refresh:
                        now = host.samplenum
                        self.spikes += bool(refresh[P_RESET])
                        return self._leave(None, (rise, pins), (now if refresh[P_MREQ] else min(now, rise + refresh_fall), refresh))
                    if refresh[P_BUSACK:STROBE_PINS] != slow:
                        slow = self._slow_edges(host.samplenum, slow, refresh)
                    control = control_of[refresh[:P_ADDRESS]]
                    request(Request(LINE_MREQ, rise + refresh_fall, rise + refresh_rise, control, control, 0, -1))
                    waiting = False
                    continue

                if self._io and not pins[P_IORQ]:
                    fall, first = now, pins
                    if self._clock:
                        if not carried and host.matched[self._clock_at]:
                            self._clock_edge(fall)
                        self._clocks_behind(fall)
                    carried = False
                    pins = self._io_point(fall, first)
                    now = host.samplenum
                    if pins[P_IORQ] and now - fall < glitch:
                        self._glitch()
                        continue
                    if pending is not None:
                        request(pending)
                        pending = None
                    if pins[P_IORQ] or not pins[P_MREQ]:
                        self.spikes += 1
                        return self._leave(early, (fall, first), (now, pins))
                    point, late, pins = self._release_by_time(P_IORQ, fall, pins, 1)
                    rise = host.samplenum
                    if not pins[P_IORQ]:
                        return self._leave(early, (fall, first), (rise, pins))
                    if pins[P_BUSACK:STROBE_PINS] != slow:
                        slow = self._slow_edges(rise, slow, pins)
                    control = control_of[point[:P_ADDRESS]]
                    pending = Request(LINE_IORQ, fall, rise, control, control, bus_bits(point) & 0xFFFF, data_bits(late))
                    waiting = self._hidden = True
                    if self._clock and first[P_M1] and pins[P_CLK]:
                        self._clock_edge(rise)
                        self._hidden = True
                    if not pins[P_MREQ]:
                        request(pending)
                        return self._leave(None, (rise, pins))
                    continue

                matched = host.matched
                if self._clock and matched[self._clock_at]:
                    self._clock_edge(now)
                for place in self._bare:
                    if matched[place]:
                        early, pins = (now, pins), self._late_framing(now)
                        if not pins[P_MREQ] or (self._io and not pins[P_IORQ]):
                            carried = True  # it only came a little before the request that it belongs to
                            break
                        if pending is not None:
                            request(pending)
                        return self._leave(None, early, (host.samplenum, pins))
                if carried:
                    continue
                if pending is not None:
                    if now - pending.rise < gap:
                        continue
                    request(pending)
                    pending = None
                tracker.advance(now)
                waiting = tracker.waiting
                if now - fall > HELD_T * t:
                    return self._leave(None, (now, pins))
        except (EOFError, SystemError):
            self._left = pending
            self.last_pins, self._engine.last_clock = pins, self._last_clock
            raise

    def finish(self) -> None:
        """Hand on, at the end of the capture, the request that was held back."""
        if self._left is not None:
            self._tracker.request(self._left)
            self._left = None

    def _leave(self, early: Optional[Event], *events: Event) -> List[Event]:
        """Tell the engine where it takes over; returns what it must be told first: the events, and what came a little early before them."""
        story = [early, *events] if early is not None else list(events)
        time, pins = story[0]
        before = tuple(1 if place in self._high and level == 0 else level for place, level in enumerate(pins))
        self._engine.resume(time - 1, self._control[before[:P_ADDRESS]] | bus_bits(pins) << 16, self._last_clock)
        return story

    def _late_strobes(self, fall: int, first: Pins, pins: Pins) -> List[Event]:
        """Return where /RD or /WR, released at the assert edge and asserted later, must have fallen: one sample behind it."""
        late = {place for place in (P_RD, P_WR) if first[place] == 1 and pins[place] == 0}
        if not late:
            return []
        return [(fall + self._sample, tuple(0 if place in late else level for place, level in enumerate(first)))]

    def _glitch(self) -> None:
        self.spikes += 1
        if self._engine.source is not None:
            self._engine.source.glitches += 1

    def _slow_edges(self, now: int, before: Pins, pins: Pins) -> Pins:
        """Tell the tracker of edges of /BUSACK and /RESET; returns their levels."""
        tracker = self._tracker
        if pins[P_BUSACK] != before[0]:
            (tracker.taken_back if pins[P_BUSACK] else tracker.granted)(now)
        if pins[P_RESET] != before[1]:
            (tracker.reset_over if pins[P_RESET] else tracker.reset)(now)
        return pins[P_BUSACK:STROBE_PINS]

    def _clock_edge(self, now: int) -> None:
        steps = 1
        if self._hidden and self._last_clock is not None:
            steps = max(1, round((now - self._last_clock) / self.t))
        self._hidden, self._last_clock = False, now
        self._tracker.clock(now, steps)

    def _clocks_behind(self, fall: int) -> None:
        """Take the clock edge that comes, by the analyser's skew, just behind the assert edge of an I/O request."""
        host = self._host
        limit = fall + int(LATE_STROBE_T * self.t)
        while host.samplenum < limit:
            pins = host.wait([{P_IORQ: "r"}, {P_CLK: "r"}, {"skip": limit - host.samplenum}])
            if pins[P_IORQ]:
                return
            if host.matched[1]:
                self._clock_edge(host.samplenum)

    def _late_framing(self, now: int) -> Pins:
        """Wait a little for the request that /RD or /WR belongs to; returns the pins at its assert edge, or when none came."""
        host = self._host
        limit = now + max(1, int(LATE_STROBE_T * self.t))
        while True:
            pins: Pins = host.wait([*self._framing, {"skip": limit - host.samplenum}])
            if self._clock and host.matched[0]:
                self._clock_edge(host.samplenum)
            if True in host.matched[1:]:
                return pins

    def _io_point(self, fall: int, first: Pins) -> Pins:
        """Go to the sample point of an I/O request, or to its release where that comes before."""
        host = self._host
        sure = self._tracker.trust & TRUST_M1  # an acknowledge, which takes less time, would show /M1
        at = fall + self._points[2.5 if sure and first[P_M1] else 1.5]
        if host.samplenum >= at:
            return tuple(host.wait([{P_IORQ: "r"}, {"skip": 1}]))
        return tuple(host.wait([{P_IORQ: "r"}, {"skip": at - host.samplenum}]))

    def _release_by_time(self, place: int, fall: int, pins: Pins, sure: int) -> Tuple[Pins, Pins, Pins]:
        """Wait for the release of a request, from its sample point on.

        Returns the pins at the sample point, those that show the data bus just before the release, and those of the release.
        """
        host, wait, data_at = self._host, self._host.wait, self._points[2.0]
        release = self.release[place]
        point = pins
        seen = [(host.samplenum, pins)]
        pins = wait(release if sure else self.second)
        while not pins[place]:
            if host.samplenum - fall > self._held:
                return point, pins, pins
            seen.append((host.samplenum, pins))
            if not sure and host.samplenum - fall >= data_at:
                point, sure = _either(point, pins), 1
            if len(seen) > 64:
                del seen[1:33]
            pins = wait(release if sure else self.second)
        limit = host.samplenum - self.limits.lead
        late = next((earlier for time, earlier in reversed(seen) if time <= limit), seen[0][1])
        return point, late, pins


def _either(earlier: Pins, later: Pins) -> Pins:
    """Return pins with every strobe low that is low in one of two: /RD of a fetch may go before the second, /WR comes after the first."""
    return (*(min(pair) for pair in zip(earlier[:P_HALT], later)), *later[P_HALT:])
