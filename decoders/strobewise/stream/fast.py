"""The fast path: machine cycles of a bus on which every strobe has earned trust and nothing is out of the ordinary.

Four looks at a fetch, three at a read or write, one lookup of all pins; what a strobe means is looked up in the table that the tracker
uses, and the items are given out by the same hands. One look comes late in the request, when the CPU takes the data. Where a replay of the
warm-up shows that data may come later still, the sample point and each change of the data bus behind it are looked at instead.

No request is made into an object but at the end of a trust group, where the tracker judges the strobes anew. Whatever does not fit is
handed back: between requests to :mod:`points`, within one to the engine, which then looks at every edge. So it changes no cycle, only what
it costs.
"""

from __future__ import annotations

from typing import Dict, FrozenSet, List, Optional, Tuple

from ..bus.model import KIND_INDEX
from ..bus.semantics import REFRESH_GAP_MAX, TRUST_M1, TRUST_MREQ, TRUST_RD, TRUST_RFSH, TRUST_WR
from .clocks import Clocks
from .conditions import Conditions, Event, Host, Pins
from .pins import BYTE, CONTROL, P_ADDRESS, P_CLK, P_M1, P_MREQ, P_RD, P_RFSH, SLOW, UNMAPPED, ControlWords, bus_bits, data_bits
from .records import BUSACK, IORQ, LINE_MREQ, M1, MREQ, RD, RESET, RFSH, WR, Request
from .rows import Cycle
from .tracker import CycleTracker, decided

FETCH = KIND_INDEX["opcode_fetch"]
_NEEDED = frozenset(("MREQ", "M1", "RD", "RFSH"))  #: strobes without which a fetch and its refresh are not plain to see
_TRUST = {"MREQ": TRUST_MREQ, "M1": TRUST_M1, "RD": TRUST_RD, "WR": TRUST_WR, "RFSH": TRUST_RFSH}
_RELEASED = IORQ | RFSH | BUSACK | RESET  #: high while memory is accessed
_IN_REFRESH = M1 | IORQ | RD | WR | BUSACK | RESET  #: high in a refresh, while /MREQ and /RFSH are low
_CARDS_KEPT = 1 << 14
SEEN_MAX = 256  #: changes of the data bus within one request; where there are more, it is no bus


#: 1 for a fetch, kind, inferred, control word, address and data (None where they are not known), pins of the data bus
Card = Tuple[int, int, bool, int, Optional[int], Optional[int], Pins]


class _Cards(Dict[Pins, Optional[Card]]):
    """What the pins at a sample point say, None where the slower paths must. Remembers those met last: programs loop."""

    def __init__(self, control: ControlWords, trust: int, has_address: bool, has_data: bool) -> None:
        super().__init__()
        self._control, self._trust = control, trust
        self._has = (has_address, has_data)

    def __missing__(self, pins: Pins) -> Optional[Card]:
        if len(self) >= _CARDS_KEPT:
            self.clear()
        word = self._control[pins[CONTROL]]
        card: Optional[Card] = None
        fetch = not word & M1
        if word & (_RELEASED | MREQ) == _RELEASED and word & (RD | WR) and not (fetch and word & RD):
            kind, inferred = decided(word, self._trust, LINE_MREQ, fetch)
            bits = bus_bits(pins)
            address, data = bits & 0xFFFF if self._has[0] else None, bits >> 16 if self._has[1] else None
            card = (int(fetch), kind, inferred, word, address, data, pins[BYTE])
        self[pins] = card
        return card


class _Refreshes(Dict[Pins, Optional[int]]):
    """Control word in the middle of a refresh, None where it is none, or something else is going on. Remembers what it has seen."""

    def __init__(self, control: ControlWords) -> None:
        super().__init__()
        self._control = control

    def __missing__(self, pins: Pins) -> Optional[int]:
        word = self._control[pins]
        self[pins] = found = word if word & (_IN_REFRESH | MREQ | RFSH) == _IN_REFRESH else None
        return found


def before(seen: List[Event], limit: int) -> Pins:
    """Return the pins that hold at a tick; seen: the sample point, and each change of the data bus behind it."""
    return next((pins for time, pins in reversed(seen) if time <= limit), seen[0][1])


def _cut_short(begin: Event, end: Event) -> List[Event]:
    """Return the events of a request that ended before its sample point, or is no request that the tables know.

    What was on the buses in between was not looked at; it is still there at the release, since data are held for 0 ns at least (ThD).
    """
    (fall, first), (now, pins) = begin, end
    between = [(now - 1, first[CONTROL] + pins[P_ADDRESS:])] if pins[P_MREQ] and now - 1 > fall else []
    if not pins[P_MREQ] and first[P_RD] and not pins[P_RD] and now - 1 > fall:  # /RD of a request falls with it, or a sample behind
        between = [(fall + 1, (*first[:P_RD], 0, *first[P_RD + 1 :]))]
    return [begin, *between, end]


def request_of(cycle: Cycle) -> Request:
    """Return the request of a cycle, as the tracker takes it."""
    line, _, _, fall, rise, control, address, data, _ = cycle
    return Request(line, fall, rise, control, control, address or 0, -1 if data is None else data)


class FastPath:
    """Follows memory requests for as long as they are what they should be."""

    def __init__(
        self, host: Host, tracker: CycleTracker, captured: FrozenSet[str], control: ControlWords, conditions: Conditions, late: bool
    ) -> None:
        """host: see conditions.Host. late: one late look at a request will do."""
        self._host, self._tracker, self._conditions = host, tracker, conditions
        self._trust = sum(bit for name, bit in _TRUST.items() if name in captured)
        self._possible = captured >= _NEEDED
        self._cards = _Cards(control, self._trust, tracker.rows.has_address, tracker.rows.has_data)
        self._refreshes = _Refreshes(control)
        self._levels = tuple(1 if name in captured else UNMAPPED for name in ("BUSACK", "RESET"))
        self._late = late
        self.pending: Optional[Request] = None  #: the last request, where the tracker was not given it yet
        self.fall = 0  #: assert edge of the last request
        self.pins: Pins = ()  #: what was seen last

    def will_do(self, pins: Pins) -> bool:
        """Say whether nothing is out of the ordinary. pins: the levels now, while nothing is under way."""
        tracker = self._tracker
        trusted = self._possible and tracker.trust == self._trust
        return trusted and not tracker.waiting and pins[SLOW] == self._levels

    def follow(self, clocks: Clocks, pins: Pins) -> Tuple[Pins, Optional[List[Event]]]:
        """Give out cycles until something is out of the ordinary: one flat loop, since here the time goes. pins: the levels now.

        Returns the pins, and None where the caller must see to what a wait for Conditions.idle has brought; or else the events from
        which on every edge must be looked at, none where the strobes have merely lost some trust. However it ends, the tracker knows of
        all there was but `pending`. Raises what the host raises at the end of the capture.
        """
        host, tracker, conditions = self._host, self._tracker, self._conditions
        wait, add = host.wait, tracker.rows.add
        cards, refreshes, has_data = self._cards, self._refreshes, tracker.rows.has_data
        idle, idle_timed, refresh_wait, levels = conditions.idle, conditions.idle_timed, conditions.refresh, self._levels
        late, release, points = self._late, *conditions.looks(self._late)
        clock, clock_at, quiet = conditions.clock, conditions.clock_at, conditions.quiet
        gap, lead, refresh_rise = REFRESH_GAP_MAX * conditions.t, conditions.limits.lead, conditions.refresh_rise
        fall, rise = host.samplenum, tracker.last_rise
        pending: Optional[Cycle] = None  # a read or write, or a fetch, until its refresh is known, or that it has none
        last: Optional[Cycle] = None  # given out, and the tracker was not told
        fetches = others = 0  # how many were
        left = tracker.left_in_group
        try:
            while True:
                pins = wait(idle if pending is None else idle_timed)
                now = host.samplenum
                if pins[P_MREQ] or not host.matched[0]:  # no request begins
                    if clock and host.matched[clock_at] and now - fall < quiet and host.matched.count(True) == 1:
                        clocks.edge(now)
                        continue
                    return pins, None
                if now - rise < gap:  # torn by a spike, or a refresh that should not be
                    return pins, None
                fall, first = now, pins
                if clock:
                    clocks.request(now)
                pins = wait(points[first[P_M1]])
                card = cards[pins]
                if card is None or card[0] == first[P_M1]:
                    return pins, _cut_short((fall, first), (host.samplenum, pins))
                if pending is not None:
                    if left > 2:
                        add(*pending)
                        last, others, left = pending, others + 1, left - 1
                    else:
                        left = self._end_group(fetches, others, last, pending)
                        last, fetches, others = None, 0, 0
                    pending = None

                fetch, kind, inferred, control, address, data, byte = card
                at, point, pins = host.samplenum, pins, wait(release)
                if not pins[P_MREQ]:  # the data bus changes, and perhaps more than that
                    seen, pins = self._to_release(fall, (at, point), pins)
                    if not pins[P_MREQ]:
                        return pins, [(fall, first), *seen]
                    data = data_bits(before(seen, host.samplenum - lead)) if has_data else None
                rise = host.samplenum
                if late and pins[BYTE] != byte:  # data may come later still: from here on each change is looked at
                    self._late, late, release, points = False, False, *conditions.looks(False)
                if pins[SLOW] != levels:
                    return pins, [(fall, first), (at, point), (rise, pins)]
                pending = (LINE_MREQ, kind, inferred, fall, rise, control, address, data, None)
                if clock:
                    clocks.hidden = rise  # those within the request
                    if pins[P_CLK] and not fetch:  # T1 of the next cycle came with the release
                        clocks.edge(rise)
                        clocks.hidden = rise
                if not fetch:
                    continue

                first, pins = pins, wait(refresh_wait)
                if pins[P_MREQ] and not pins[P_RFSH] and pins[SLOW] == levels:
                    pins = wait(conditions.again)  # a spike, perhaps
                in_refresh = refreshes[pins[CONTROL]]
                if in_refresh is None:
                    return pins, conditions.odd_refresh((rise, first), (host.samplenum, pins))
                rise += refresh_rise
                pending = (LINE_MREQ, kind, inferred, fall, pending[4], control, address, data, (rise, in_refresh))
                if left > 2:
                    add(*pending)
                    last, fetches, left = pending, fetches + 1, left - 2
                else:
                    left = self._end_group(fetches, others, last, pending)
                    last, fetches, others = None, 0, 0
                    if tracker.trust != self._trust:
                        pending = None
                        return pins, []
                pending = None
        finally:
            if last is not None:
                tracker.catch_up(fetches, others, last)
            self.pending, self.fall, self.pins = None if pending is None else request_of(pending), fall, pins

    def _end_group(self, fetches: int, others: int, last: Optional[Cycle], cycle: Cycle) -> int:
        """Hand the tracker a cycle with which, or next to which, a trust group ends; returns how many requests are left in the group.

        fetches, others, last: what it was not told yet.
        """
        tracker = self._tracker
        if last is not None:
            tracker.catch_up(fetches, others, last)
        tracker.request(request_of(cycle))
        refresh = cycle[8]
        if refresh is not None:
            tracker.request(Request(LINE_MREQ, refresh[0] - self._conditions.refresh_width, *refresh, refresh[1], 0, -1))
        return 0 if tracker.waiting else tracker.left_in_group

    def _to_release(self, fall: int, point: Event, pins: Pins) -> Tuple[List[Event], Pins]:
        """Wait for the release while the data bus changes; returns the sample point and each change behind it, and the pins at the release.

        Where something else is out of the ordinary, or a request is held, the pins are those with which that was seen.
        """
        host, release, seen = self._host, self._conditions.release[P_MREQ], [point]
        while not pins[P_MREQ]:
            seen.append((host.samplenum, pins))
            if host.samplenum - fall > self._conditions.held or pins[SLOW] != self._levels or len(seen) > SEEN_MAX:
                break
            pins = host.wait(release)
        return seen, pins
