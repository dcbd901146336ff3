"""Requests to machine cycles, one by one: the streaming twin of the numpy engine, from the same tables.

Each cycle comes out in two items: the first when its strobes have ended, the second when the next cycle has begun (and, where a note hangs
on what follows, a little later). Joined they are the rows of ``strobewise cycles``.

The meaning of the strobes comes from :mod:`strobewise.bus.semantics`.
"""

from __future__ import annotations

from typing import Callable, FrozenSet, List, Optional, Tuple

from ..bus.calibration import Calibration
from ..bus.model import KIND_INDEX, KINDS
from ..bus.semantics import (
    KEY_BARE,
    KEY_IORQ,
    KEY_M1,
    KEY_M1_LATE,
    KEY_RD,
    KEY_REFRESHED,
    KEY_WR,
    KEYS,
    REFRESH_GAP_MARKED,
    REFRESH_GAP_MAX,
    REFRESH_GAP_NARROW,
    REFRESH_WIDTH_ALONE,
    REFRESH_WIDTH_MAX,
    SILENT_STROBE,
    TRUST_GROUP,
    TRUST_M1,
    TRUST_RD,
    TRUST_RFSH,
    compile_decisions,
)
from ..bus.units import NEVER
from .records import (
    BUSACK,
    LINE_BARE,
    LINE_IORQ,
    LINE_MREQ,
    M1,
    MREQ,
    PATTERN_MASK,
    PATTERN_SHIFT,
    RD,
    RFSH,
    WR,
    BegunItem,
    EndedItem,
    Request,
)
from .rows import Cycle, CycleRows
from .trust import StrobeTrust

FETCH, READ, ACCESS, UNKNOWN = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_access", "unknown"))
_QUIET = RD | WR | M1
_KIND_OF, _INFERRED_OF = compile_decisions()
#: Bits of the decision key for each pattern of asserted lines, and for each line that frames a request.
_KEY_OF = tuple(
    (KEY_M1 if asserted << PATTERN_SHIFT & M1 else 0)
    | (KEY_RD if asserted << PATTERN_SHIFT & RD else 0)
    | (KEY_WR if asserted << PATTERN_SHIFT & WR else 0)
    for asserted in range(PATTERN_MASK + 1)
)
_LINE_KEY = (0, KEY_IORQ, KEY_BARE)


def decided(control: int, trust: int, line: int, refreshed: bool, m1_late: bool = False) -> Tuple[int, bool]:
    """Return the kind of a request's cycle, and whether that is inferred.

    control: levels at the sample point. line: LINE_*. refreshed: a refresh follows. m1_late: with /M1 still asserted in it.
    """
    key = trust * KEYS + _KEY_OF[~control >> PATTERN_SHIFT & PATTERN_MASK] + _LINE_KEY[line]
    if refreshed:
        key += KEY_REFRESHED
    if m1_late:
        key += KEY_M1_LATE
    return _KIND_OF[key], _INFERRED_OF[key]


def _nobody(line: str, level: int, time: int) -> None:
    """Nobody wants to know."""


class CycleTracker:
    """Turns requests in order of their assert edges, clock edges, bus grants and resets into machine cycles.

    The first group of requests is held until it is complete (or ``settle`` is called), because what its strobes did says which of them
    may be relied on.
    """

    def __init__(
        self,
        captured: FrozenSet[str],
        calibration: Calibration,
        busack_valid: bool,
        begun: Callable[[BegunItem], None],
        ended: Callable[[EndedItem], None],
        moved: Optional[Callable[[str, int, int], None]] = None,
    ) -> None:
        """captured: canonical names of the lines. begun, ended: called with the items of each cycle.

        moved: is told of each edge of /RESET and /BUSACK: its line, the level behind it, and when.
        """
        self.rows = CycleRows(captured, calibration, begun, ended)
        self.clock = self.rows.clock
        self._moved = moved if moved is not None else _nobody
        self.grants_count = "BUSACK" in captured and busack_valid
        self.trust = 0  #: trust word that the next request is judged by
        t = calibration.t_ticks if calibration.t_ticks is not None else 1.0
        self._width_max = REFRESH_WIDTH_MAX * t if calibration.t_ticks is not None else -1.0
        self._width_alone = REFRESH_WIDTH_ALONE * t
        self._width_sure = self._width_alone if calibration.t_ticks is not None and captured.issuperset(("RD", "WR")) else -1.0
        self._gap_max = REFRESH_GAP_MAX * t
        doubt = 0.5 * calibration.sample_ticks
        self._gap_narrow, self._width_narrow = max(REFRESH_GAP_NARROW * t - doubt, REFRESH_GAP_MAX * t), REFRESH_WIDTH_ALONE * t - doubt
        self._gap_marked = REFRESH_GAP_MARKED * t
        self._gap_certain, self._width_certain = REFRESH_GAP_NARROW * t + doubt, self._width_narrow - doubt
        #: no refresh begins this long after a release
        self._gap_decided = self._gap_marked if captured & {"RFSH", "RD"} else self._gap_certain
        self._mreq_missed = not calibration.mreq_frames and "MREQ" in captured
        self._counted = StrobeTrust(captured)
        self._first_group: Optional[List[Request]] = []
        self._index = 0
        self._last: Optional[Request] = None  #: the request before
        self._first_release = -NEVER  #: here ended a pulse of /MREQ that was under way when the capture began
        self._last_trust = 0
        self._last_refresh = self._last_timed = False
        self._undecided = False  #: the request before still waits for its follower

    def granted(self, fall: int) -> None:
        """/BUSACK went low."""
        self._moved("BUSACK", 0, fall)
        if self.grants_count:
            self.rows.granted(fall)

    def taken_back(self, rise: int) -> None:
        """/BUSACK went high."""
        self._moved("BUSACK", 1, rise)
        if self.grants_count:
            self.rows.taken_back(rise)

    def reset(self, fall: int) -> None:
        """/RESET went low."""
        self._moved("RESET", 0, fall)
        self.rows.reset(fall)

    def reset_over(self, rise: int) -> None:
        """/RESET went high."""
        self._moved("RESET", 1, rise)
        self.rows.reset_over(rise)

    def request(self, request: Request) -> None:
        """Take the next request."""
        if self._first_group is None:
            self.take(request)
            return
        if self.grants_count and not request.control & BUSACK:
            return
        self._first_group.append(request)
        if len(self._first_group) > TRUST_GROUP:
            self.settle()

    def first_release(self, rise: int) -> None:
        """A pulse of /MREQ ended that was under way when the capture began."""
        self._first_release = rise

    @property
    def settled(self) -> bool:
        """Whether the first group has been judged."""
        return self._first_group is None

    @property
    def waiting(self) -> bool:
        """Whether a request still waits for its follower."""
        return self._undecided

    @property
    def left_in_group(self) -> int:
        """How many requests are still to come before the strobes are judged anew."""
        return -self._index % TRUST_GROUP

    @property
    def last_rise(self) -> int:
        """Where the last request was released."""
        return self._last.rise if self._last is not None else -NEVER

    def catch_up(self, fetches: int, others: int, last: Cycle) -> None:
        """Learn of cycles of the group under way that were given out without being asked: so many fetches with their refresh, and others.

        In all of them the strobes did what they should. last: the last of them.
        """
        if self._last is not None:
            self._counted.count(self._last, self._last_timed, False, False)
        line, _, _, fall, rise, control, _, _, refresh = last
        self._last_timed = self._last_refresh = refresh is not None
        if refresh is not None:
            rise, control = refresh
        self._last, self._last_trust, self._undecided = Request(line, fall, rise, control, control, 0, -1), self.trust, False
        self._counted.count_good(fetches, others, self._last_refresh)
        self._index += 2 * fetches + others

    def settle(self) -> None:
        """Judge the first group by the requests that are there."""
        held = self._first_group or []
        self._first_group = None
        for request in held:
            timed = self._follows(request) and not self._last_timed
            if self._last is not None:
                self._counted.count(self._last, self._last_timed, timed, timed and not request.control & M1)
            self._last, self._last_timed = request, timed
        if self._last is not None and len(held) <= TRUST_GROUP:
            self._counted.count(self._last, self._last_timed, False, False)
        self.trust = self._counted.earned()
        self._last, self._last_timed = None, False
        for request in held:
            self.take(request)

    def advance(self, now: int) -> None:
        """Learn that no request began before `now` but those delivered: what waits for a follower may have waited long enough."""
        last = self._last
        if self._first_group is not None:
            return
        if self._undecided and last is not None:
            if now - last.rise < self._gap_decided:
                return
            self._decide(last, None)
        self.rows.insert_grants(now)

    def finish(self, end: int) -> None:
        """Give out what is left; end: the last tick of the capture."""
        if self._first_group is not None:
            self.settle()
        if self._undecided and self._last is not None:
            self._decide(self._last, None)
        self.rows.finish(end)

    def _gap_limit(self, width: int) -> float:
        """Return up to which gap a pulse of /MREQ of this width is the refresh of the request before."""
        if width < self._width_certain:
            return self._gap_certain
        return self._gap_narrow if width < self._width_narrow else self._gap_max

    def _follows(self, request: Request) -> bool:
        """Say whether its width and the gap before make a request a candidate for a refresh."""
        line, fall, rise, control, _, _, _, _ = request
        if line != LINE_MREQ or rise - fall >= self._width_max:
            return False
        before = self._last.rise if self._last is not None else self._first_release
        if fall - before < self._gap_limit(rise - fall):
            return True
        if self._last is not None:
            return False
        return rise - fall < self._width_alone and control & _QUIET == _QUIET  # the capture may start between a fetch and its refresh

    def take(self, request: Request) -> None:
        """Take the next request, once the first group has been judged."""
        line, fall, rise, control, _, _, _, _ = request
        if self.grants_count and not control & BUSACK:
            return
        last = self._last
        if last is None:
            refresh = timed = self._follows(request)
        else:
            refresh = line == LINE_MREQ and rise - fall < self._width_max and fall - last.rise < self._gap_limit(rise - fall)
            timed = refresh and not self._last_timed
            self._counted.count(last, self._last_timed, timed, timed and not control & M1)
        if self._index and self._index % TRUST_GROUP == 0:
            self.trust = self._counted.earned()
        self._index += 1
        trust = self.trust
        if refresh:
            # A strobe that can be relied on and says "transfer" outweighs a gap that jitter made short.
            if (trust & TRUST_M1 and not control & M1) or (trust & TRUST_RD and not control & RD):
                refresh = False
        lone = False  # a refresh apart from the request before, of which it tells nothing
        if not refresh and line == LINE_MREQ and control & _QUIET == _QUIET and self._surely(request, last, trust):
            lone = fall - (self._first_release if last is None else last.rise) >= self._gap_marked
            refresh = not lone
        refresh = refresh and not self._last_refresh
        if self._undecided and last is not None:
            self._decide(last, request if refresh else None)
        self._last, self._last_trust, self._last_timed, self._last_refresh = request, trust, timed, refresh
        self._undecided = not refresh and not lone

    def _surely(self, request: Request, last: Optional[Request], trust: int) -> bool:
        """Say whether a request of /MREQ without /RD, /WR and /M1 is a refresh whatever the clock did meanwhile."""
        if request.rise - request.fall < self._width_sure or (trust & TRUST_RFSH and not request.control & RFSH):
            return True
        return last is not None and not last.control & M1 and trust & (TRUST_M1 | TRUST_RD) == TRUST_M1 | TRUST_RD

    def _decide(self, request: Request, refresh: Optional[Request]) -> None:
        """Give out the cycle of a request, now that its refresh is known, or that it has none."""
        self._undecided = False
        line, fall, rise, control, after, address, data, hidden = request
        bare = line == LINE_BARE
        refreshed = refresh is not None or (bare and not control & RD and not after & RFSH)
        m1_late = (refresh is not None and not refresh.control & M1) or (bare and not after & M1)
        kind, inferred = decided(control, self._last_trust, line, refreshed, m1_late)
        if bare and self._mreq_missed and not control & MREQ and kind != FETCH:
            inferred = False
        if hidden and inferred and not bare and hidden & SILENT_STROBE.get(KINDS[kind], 0):
            # What a strobe that is not known did not say proves nothing.
            kind, inferred = (UNKNOWN if line == LINE_IORQ else ACCESS), False
        elif bare and hidden & RFSH and kind == READ and not control & M1:
            kind, inferred = UNKNOWN, False  # a fetch, where /RFSH came behind it
        rows = self.rows
        rows.add(
            line, kind, inferred, fall, rise, control, address if rows.has_address and address >= 0 else None,
            data if rows.has_data and data >= 0 else None, None if refresh is None else (refresh.rise, refresh.control),
        )  # fmt: skip
