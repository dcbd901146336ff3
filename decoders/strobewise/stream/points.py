"""The few samples of each request that matter, while the bus does what a bus does.

For each pulse of /MREQ or /IORQ: its assert edge, the sample point of its shortest kind (for the control lines and the address), every
change of the data bus from there on (so that the level just before the release is known), and the release. Of a refresh behind a fetch
whose strobes can be relied on, one sample in its middle is looked at. Clock edges are waited for only between requests, where T1 can
begin; those hidden meanwhile are counted by the length of the gap.

While every strobe can be relied on, requests of memory are left to the fast path (:mod:`fast`). Whatever does not fit the picture
(spikes, strobes without /MREQ or /IORQ, overlaps) is handed back, to be looked at edge by edge.
"""

from __future__ import annotations

from typing import FrozenSet, List, Optional, Tuple

from ..bus.semantics import TRUST_M1, TRUST_RD, TRUST_RFSH
from .clocks import Clocks
from .conditions import Condition, Conditions, Event, Host, Pins
from .engine import StreamEngine
from .fast import FastPath, before
from .pins import (
    P_ADDRESS,
    P_BUSACK,
    P_CLK,
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

_SEEN_KEPT = 64  #: changes of the data bus kept of one request


class PointSampler:
    """Looks at points until something is out of the ordinary."""

    def __init__(self, host: Host, engine: StreamEngine, captured: FrozenSet[str], control: ControlWords, late: bool) -> None:
        """host: see conditions.Host. The engine is settled, and nothing is under way on the bus. late: see FastPath."""
        assert engine.calibration is not None and engine.tracker is not None
        self._host = host
        self._engine = engine
        self._tracker = engine.tracker
        self._control = control
        self._conditions = conditions = Conditions(captured, engine.calibration)
        self._fast = FastPath(host, engine.tracker, captured, control, conditions, late)
        #: strobes to rely on before the refresh behind a fetch is taken on one sample
        self._refresh_trust = TRUST_M1 | TRUST_RFSH | (TRUST_RD if "RD" in captured else 0)
        in_refresh = (("MREQ", 0), ("M1", 1), ("IORQ", 1), ("RD", 1), ("WR", 1), ("RFSH", 0))
        self._in_refresh = tuple(level if name in captured else UNMAPPED for name, level in in_refresh)
        self.spikes = 0  #: times that something did not fit which the board should not do
        self.last_pins: Pins = ()  #: what was seen last before the end of the capture
        self._clocks = Clocks(self._tracker.clock, conditions.t, None)
        self._begin(())

    def _begin(self, pins: Pins) -> None:
        self._pins = pins
        self._pending: Optional[Request] = None  #: the request before, until no spike can have torn it
        self._waiting = True  #: something may wait for its follower
        self._carried = False  #: the pins of the next request were read already
        self.fall = self._host.samplenum  #: of the last request
        self._early: Optional[Event] = None  #: where /RD or /WR fell before their request
        self._slow = pins[P_BUSACK:STROBE_PINS]  #: levels of /BUSACK and /RESET that the tracker knows
        self._high = [place for place in (P_MREQ, P_IORQ, P_RD, P_WR) if pins and pins[place] == 1]  #: released between requests
        self._clocks = Clocks(self._tracker.clock, self._conditions.t, self._engine.last_clock)

    def run(self, pins: Pins) -> List[Event]:
        """Hand requests to the tracker; returns the events from which on every edge must be looked at, after telling the engine so.

        pins: the state now, in which no strobe that frames requests is asserted. Raises what the host raises at the end of the capture.
        """
        self._begin(pins)
        try:
            while True:
                if not self._carried:
                    self._early = None
                    if self._may_be_fast():
                        story = self._follow_fast()
                        if story is not None:
                            return story
                        continue
                    self._pins = self._host.wait(self._conditions.idle_timed if self._waiting else self._conditions.idle)
                story = self._see()
                if story is not None:
                    return story
        except (EOFError, SystemError):
            self.last_pins, self._engine.last_clock = self._pins, self._clocks.last
            raise

    def finish(self) -> None:
        """Hand on, at the end of the capture, the request that was held back."""
        self._give()

    def _may_be_fast(self) -> bool:
        return self._pending is None and not self._waiting and self._fast.will_do(self._pins)

    def _follow_fast(self) -> Optional[List[Event]]:
        """Leave requests to the fast path for as long as it can do; returns as `run` does, None where it can go on here."""
        fast = self._fast
        try:
            self._pins, story = fast.follow(self._clocks, self._pins)
        finally:
            self._pending, self.fall, self._pins = fast.pending, fast.fall, fast.pins
        if story is None:
            return self._see()
        if not story:
            return None
        self._give()
        self.spikes += 0 not in self._pins[P_BUSACK:STROBE_PINS]
        return self._leave(*story)

    def _see(self) -> Optional[List[Event]]:
        """See to what the last wait has brought; returns as `run` does, None where it can go on here."""
        now, pins = self._host.samplenum, self._pins
        self._slow_edges(now, pins)
        if not pins[P_MREQ]:
            return self._memory(now, pins)
        if self._conditions.io and not pins[P_IORQ]:
            return self._input_output(now, pins)
        return self._between(now)

    # --- memory ---

    def _memory(self, fall: int, first: Pins) -> Optional[List[Event]]:
        """Look at a request of /MREQ, from its assert edge on."""
        host, conditions, tracker = self._host, self._conditions, self._tracker
        if not self._carried and not host.matched[0]:  # another line moved while a refresh lasts
            if conditions.clock and host.matched[conditions.clock_at]:
                self._clocks.edge(fall)
            return None
        self._carried = False
        self.fall = fall
        self._clocks.request(fall)
        trust = tracker.trust
        sure = bool(trust & TRUST_M1)  # whether /M1 says how long the request must be at least
        to_point = conditions.point[P_MREQ, 2.0 if sure and first[P_M1] else 1.5]
        pins = self._pins = self._to_point(to_point, P_MREQ)
        if pins[P_MREQ]:
            return self._short(fall, first, pins, sure)
        point, late = self._release(P_MREQ, fall, sure)
        rise, pins = host.samplenum, self._pins
        if not pins[P_MREQ]:
            self._give()
            return self._leave((fall, first), (rise, pins))
        pending = self._pending
        if pending is not None and pending.line == LINE_MREQ and fall - pending.rise < conditions.limits.gap:
            fall = pending.fall  # a spike had torn it
            self._glitch()
        else:
            self._give()
        self._slow_edges(rise, pins)
        self._pending = self._request(LINE_MREQ, fall, rise, point, late)
        self._released(rise, first, pins)
        if first[P_M1] or trust & self._refresh_trust != self._refresh_trust:
            return None
        self._give()
        return self._refresh(rise, pins)

    def _short(self, fall: int, first: Pins, pins: Pins, sure: bool) -> Optional[List[Event]]:
        """See to a pulse of /MREQ that was released before its sample point."""
        limits, rise, pending = self._conditions.limits, self._host.samplenum, self._pending
        strobed = not (first[P_RD] and first[P_WR] and pins[P_RD] and pins[P_WR])
        if pending is not None and pending.line == LINE_MREQ and fall - pending.rise < limits.gap:
            self._pending = pending._replace(rise=rise)  # a spike had torn it
            self._glitch()
        elif rise - fall < limits.glitch and not strobed:
            self._glitch()
        else:
            self._give()
            if rise - fall < limits.glitch or strobed or (sure and not first[P_M1]):
                self.spikes += 1
                return self._leave((fall, first), *self._late_strobes(fall, first, pins), (rise, pins))
            self._pending = self._request(LINE_MREQ, fall, rise, first, first)
        self._clocks.hidden = rise
        if self._conditions.clock and pins[P_CLK] and not first[P_CLK]:
            self._clocks.edge(rise)  # it may start the next cycle
        self._clocks.hidden = rise
        return None

    def _refresh(self, rise: int, released: Pins) -> Optional[List[Event]]:
        """Look at the refresh behind a fetch whose strobes can be relied on. rise, released: the release of the fetch."""
        host, conditions = self._host, self._conditions
        pins = self._pins = host.wait(conditions.refresh)
        if pins[P_MREQ] and not pins[P_RFSH] and pins[P_BUSACK:STROBE_PINS] == self._slow:
            pins = self._pins = host.wait(conditions.again)  # a spike, perhaps
        if pins[:P_HALT] != self._in_refresh or pins[P_BUSACK:STROBE_PINS] != self._slow:
            self.spikes += 0 not in pins[P_BUSACK:STROBE_PINS]
            return self._leave(*conditions.odd_refresh((rise, released), (host.samplenum, pins)))
        control = self._control[pins[:P_ADDRESS]]
        self._tracker.request(
            Request(LINE_MREQ, rise + conditions.refresh_fall, rise + conditions.refresh_rise, control, control, 0, -1)
        )
        self._waiting = False
        return None

    # --- input and output ---

    def _input_output(self, fall: int, first: Pins) -> Optional[List[Event]]:
        """Look at a request of /IORQ, from its assert edge on."""
        host, conditions = self._host, self._conditions
        if conditions.clock:
            if not self._carried and host.matched[conditions.clock_at]:
                self._clocks.edge(fall)
            self._clocks_behind(fall)
        self._carried = False
        self.fall = fall
        sure = self._tracker.trust & TRUST_M1  # an acknowledge, which takes less time, would show /M1
        at = fall + conditions.points[2.5 if sure and first[P_M1] else 1.5]
        to_point: List[Condition] = [{P_IORQ: "r"}, {"skip": max(1, at - host.samplenum)}]
        pins = self._pins = self._to_point(to_point, P_IORQ)
        now = host.samplenum
        if pins[P_IORQ] and now - fall < conditions.limits.glitch:
            self._glitch()
            return None
        self._give()
        if pins[P_IORQ] or not pins[P_MREQ]:
            self.spikes += 1
            return self._leave((fall, first), (now, pins))
        point, late = self._release(P_IORQ, fall, True)
        rise, pins = host.samplenum, self._pins
        if not pins[P_IORQ]:
            return self._leave((fall, first), (rise, pins))
        self._slow_edges(rise, pins)
        self._pending = self._request(LINE_IORQ, fall, rise, point, late)
        self._released(rise, first, pins)
        if not pins[P_MREQ]:
            self._give()
            self._early = None
            return self._leave((rise, pins))
        return None

    def _clocks_behind(self, fall: int) -> None:
        """Take the clock edge that comes, by the analyser's skew, just behind the assert edge of an I/O request."""
        host = self._host
        limit = fall + self._conditions.late
        while host.samplenum < limit:
            pins = host.wait([{P_IORQ: "r"}, {P_CLK: "r"}, {"skip": limit - host.samplenum}])
            if pins[P_IORQ]:
                return
            if host.matched[1]:
                self._clocks.edge(host.samplenum)

    # --- both ---

    def _to_point(self, conditions: List[Condition], place: int) -> Pins:
        """Go to the sample point of a request, or to its release where that comes before. conditions: release, sample point, others."""
        host = self._host
        until = host.samplenum + conditions[1]["skip"]
        pins: Pins = host.wait(conditions)
        while not pins[place] and host.samplenum < until:  # /RESET moved
            self._slow_edges(host.samplenum, pins)
            pins = host.wait([conditions[0], {"skip": until - host.samplenum}])
        return pins

    def _release(self, place: int, fall: int, sure: bool) -> Tuple[Pins, Pins]:
        """Wait for the release of a request, from its sample point on; the pins are then those of the release, or of one that is held.

        sure: this was the sample point of its kind; else that of a longer kind counts, too. Returns the pins at the sample point, and
        those that show the data bus just before the release.
        """
        host, conditions = self._host, self._conditions
        data_at, release = conditions.points[2.0], conditions.release[place]
        point = self._pins
        seen = [(host.samplenum, point)]
        pins = self._pins = host.wait(release if sure else conditions.second)
        while not pins[place]:
            now = host.samplenum
            if now - fall > conditions.held:
                return point, pins
            seen.append((now, pins))
            if not sure and now - fall >= data_at:
                point, sure = _either(point, pins), True
            if len(seen) > _SEEN_KEPT:
                del seen[1 : _SEEN_KEPT // 2]
            pins = self._pins = host.wait(release if sure else conditions.second)
        return point, before(seen, host.samplenum - conditions.limits.lead)

    def _released(self, rise: int, first: Pins, pins: Pins) -> None:
        """Remember what the release of a request means for what follows."""
        self._waiting = True
        self._clocks.hidden = rise
        if self._conditions.clock and first[P_M1] and pins[P_CLK]:
            self._clocks.edge(rise)  # T1 of the next cycle came with the release
        self._clocks.hidden = rise

    def _request(self, line: int, fall: int, rise: int, point: Pins, late: Pins) -> Request:
        control = self._control[point[:P_ADDRESS]]
        bus = bus_bits(point)
        return Request(line, fall, rise, control, control, bus & 0xFFFF, bus >> 16 if late is point else data_bits(late))

    def _give(self) -> None:
        """Hand on the request that was held back."""
        pending, self._pending = self._pending, None
        if pending is not None:
            self._tracker.request(pending)

    # --- between requests ---

    def _between(self, now: int) -> Optional[List[Event]]:
        """See to what is no request of /MREQ or /IORQ."""
        host, conditions, matched = self._host, self._conditions, self._host.matched
        if conditions.clock and matched[conditions.clock_at]:
            self._clocks.edge(now)
        if any(matched[place] for place in conditions.bare):
            self._early = (now, self._pins)
            pins = self._pins = self._late_framing(now)
            if not pins[P_MREQ] or (conditions.io and not pins[P_IORQ]):
                self._carried = True  # it only came a little before the request that it belongs to
                return None
            self._give()
            early, self._early = self._early, None
            return self._leave(early, (host.samplenum, pins))
        if self._pending is not None:
            if now - self._pending.rise < conditions.limits.gap:
                return None
            self._give()
        self._tracker.advance(now)
        self._waiting = self._tracker.waiting
        if now - self.fall > conditions.longest:
            return self._leave((now, self._pins))
        return None

    def _late_framing(self, now: int) -> Pins:
        """Wait a little for the request that /RD or /WR belongs to; returns the pins at its assert edge, or when none came."""
        host = self._host
        limit = now + self._conditions.late
        while True:
            pins: Pins = host.wait([*self._conditions.framing, {"skip": limit - host.samplenum}])
            if self._conditions.clock and host.matched[0]:
                self._clocks.edge(host.samplenum)
            if True in host.matched[1:]:
                return pins

    def _leave(self, *story: Event) -> List[Event]:
        """Tell the engine where it takes over; returns what it must be told first: the events, and what came a little early before them."""
        events = [self._early, *story] if self._early is not None else list(story)
        time, pins = events[0]
        before_it = [1 if place in self._high and level == 0 else level for place, level in enumerate(pins[:P_ADDRESS])]
        before_it[P_BUSACK:STROBE_PINS] = self._slow  # an edge of theirs that comes with the first event is still to be told
        self._engine.resume(time - 1, self._control[tuple(before_it)] | bus_bits(pins) << 16, self._clocks.last, events[-1][0])
        return events

    def _late_strobes(self, fall: int, first: Pins, pins: Pins) -> List[Event]:
        """Return where /RD or /WR, released at the assert edge and asserted later, must have fallen: one sample behind it."""
        late = {place for place in (P_RD, P_WR) if first[place] == 1 and pins[place] == 0}
        if not late:
            return []
        return [(fall + self._conditions.sample, tuple(0 if place in late else level for place, level in enumerate(first)))]

    def _glitch(self) -> None:
        self.spikes += 1
        if self._engine.source is not None:
            self._engine.source.glitches += 1

    def _slow_edges(self, now: int, pins: Pins) -> None:
        """Tell the tracker of edges of /BUSACK and /RESET."""
        levels, known = pins[P_BUSACK:STROBE_PINS], self._slow
        if levels == known:
            return
        self._slow = levels
        tracker = self._tracker
        if pins[P_BUSACK] != known[0]:
            (tracker.taken_back if pins[P_BUSACK] else tracker.granted)(now)
        if pins[P_RESET] != known[1]:
            (tracker.reset_over if pins[P_RESET] else tracker.reset)(now)


def _either(earlier: Pins, later: Pins) -> Pins:
    """Return pins with every strobe low that is low in one of two: /RD of a fetch may go before the second, /WR comes after the first."""
    return (*(min(pair) for pair in zip(earlier[:P_HALT], later)), *later[P_HALT:])
