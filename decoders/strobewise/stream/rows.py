"""Decided cycles to items: where T1 began, how long each cycle took, what bus grants, resets and an NMI make of it."""

from __future__ import annotations

from collections import deque
from typing import Callable, Deque, FrozenSet, List, NamedTuple, Optional, Tuple

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, KINDS
from ..bus.semantics import BLIND_T, CLOCK_DELAY_T, NMI_ADDRESS, SHORTEST, SPEC, TIMING_SAMPLES_MIN, bare_width, told_by_silence
from ..bus.units import NEVER
from .breaks import Breaks
from .records import HALT, LINE_BARE, BegunItem, EndedItem

FETCH, WRITE, GRANTED, UNKNOWN = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_write", "bus_granted", "unknown"))
_RISES_KEPT = 4096  #: clock edges to place a cycle by: more than the longest of them lasts with any wait that works


def _placing() -> Tuple[Tuple[Tuple[float, float], ...], ...]:
    """Return (T-states from T1 to the assert edge, nominal width) by kind index; framed requests first, then bare ones."""
    framed, bare = [], []
    for kind in KINDS:
        spec = SPEC.get(kind, SPEC["memory_read"])
        framed.append((spec.asserts_at, spec.width))
        at = 1.5 if kind == "memory_write" else 1.0 if kind in ("io_read", "io_write") else 0.5
        bare.append((at, bare_width(kind)))
    return tuple(framed), tuple(bare)


_FRAMED, _BARE = _placing()


class _Place(NamedTuple):
    """Where a kind's request lies in its cycle."""

    at: float  #: T-states from T1 to its assert edge
    shift: int  #: the same in ticks
    late: int  #: the clock edge that starts the cycle is this many ticks before the assert edge, at least
    whole: int  #: and so many edges lie between
    width: float  #: nominal, T-states
    longest: float  #: in ticks, without wait states

    @classmethod
    def of(cls, at: float, width: float, t: float) -> _Place:
        """t: ticks in a T-state."""
        whole = int(at)
        # Expected this far behind a rising edge; half a clock either way is accepted.
        return cls(at, round(at * t), int((at - whole + CLOCK_DELAY_T - 0.5) * t), whole, width, (width + 0.5) * (t or 1.0))


class _Row(NamedTuple):
    """A cycle between its two items."""

    number: int
    kind: int
    start: int
    clock: int  #: running number of the clock edge that starts it
    fall: int
    rise: int
    address: Optional[int] = None
    data: Optional[int] = None
    note: str = ""
    open: bool = False  #: a bus grant that still lasts
    moved: bool = False  #: by its strobes it began no later than the cycle before it did: where is not known


_Fields = Tuple[int, int, int, int, int, int, Optional[int], Optional[int], str, bool, bool]  #: of a _Row: a name for each costs time

#: Line of the request, kind, whether that is inferred, assert and release, control word at the sample point, address and data (None where
#: they are not known), release and control word of the refresh that belongs to it.
Cycle = Tuple[int, int, bool, int, int, int, Optional[int], Optional[int], Optional[Tuple[int, int]]]

class CycleRows:
    """Lays cycles and bus grants into one sequence and gives out their items."""

    def __init__(
        self, captured: FrozenSet[str], calibration: Calibration, begun: Callable[[BegunItem], None], ended: Callable[[EndedItem], None]
    ) -> None:
        """captured: canonical names of the lines. begun, ended: called with the items."""
        self.begun, self.ended = begun, ended  #: may be replaced while nothing is under way
        self._t = calibration.t_ticks
        self._counts_clock = calibration.counts_clock
        self._t_of_lengths = self._t if calibration.tells_lengths else None  #: None: too few samples tell no length
        t = self._t or 0.0
        self._framed, self._bare = ([_Place.of(at, width, t) for at, width in table] for table in (_FRAMED, _BARE))  # by kind index
        self._spike = calibration.spike_ticks
        self.has_address = captured.issuperset(ADDRESS)
        self.has_data = captured.issuperset(DATA)
        self._waits_known = self._t is not None and (calibration.samples_per_t or 0) >= TIMING_SAMPLES_MIN
        self._rises: List[int] = []  #: rising clock edges
        self._counts: List[int] = []  #: their running numbers
        self._rows: Deque[_Fields] = deque()
        self._next = 0
        self._grants: Deque[List[int]] = deque()  #: /BUSACK low, [fall, rise, T1, its number]; -1 for what is not known yet
        self._resets: Deque[List[int]] = deque()  #: /RESET low, the same
        self._breaks = Breaks(t)
        self._latest = -NEVER  #: where the last cycle or grant starts, or, before the first one, where the capture does
        self._latest_t1 = -NEVER  #: the latest T1 of any cycle, as its own strobes say it
        self._blind: Deque[List[int]] = deque()  #: a line that cycles hang on is not known, the same
        self._blind_reach = int(BLIND_T * t)

    # --- lines ---

    def begins(self, time: int) -> None:
        """The capture begins."""
        self._breaks.began = self._latest = time

    def clock(self, time: int, steps: int = 1) -> None:
        """Take a rising clock edge; steps: clocks since the one before."""
        rises = self._rises
        if not rises:
            rises.append(time)
            self._counts.append(0)
            return
        if time - rises[-1] < self._spike:
            return
        rises.append(time)
        self._counts.append(self._counts[-1] + steps)
        if self._grants and self._grants[-1][2] < 0 and time > self._grants[-1][0] + (self._t or 0.0):
            self._place_grant(self._grants[-1])  # now: the edges around it are let go before it is over
        if len(rises) > 2 * _RISES_KEPT:
            del rises[:_RISES_KEPT], self._counts[:_RISES_KEPT]

    def granted(self, fall: int) -> None:
        """/BUSACK went low."""
        self._breaks.granted(fall)
        self._grants.append([fall, -1, -1, 0])

    def taken_back(self, rise: int) -> None:
        """/BUSACK went high."""
        self._breaks.taken_back(rise)
        if self._grants and self._grants[-1][1] < 0:
            self._grants[-1][1] = rise
            return
        for place, row in enumerate(self._rows):
            if row[9]:
                self._rows[place] = over = _Row(*row)._replace(rise=rise, open=False)
                self._give(over)
                self._close()
                return

    def reset(self, fall: int) -> None:
        """/RESET went low."""
        self._breaks.reset(fall)
        self._resets.append([fall, -1])

    def reset_over(self, rise: int) -> None:
        """/RESET went high."""
        self._breaks.reset_over(rise)
        if self._resets and self._resets[-1][1] < 0:
            self._resets[-1][1] = rise

    def blinded(self, since: int) -> None:
        """A line that cycles hang on is not known any more."""
        self._blind.append([since, NEVER])

    def sees_again(self, time: int) -> None:
        """All of them are known again."""
        self._blind[-1][1] = time

    def _in_blind(self, low: int, high: int) -> bool:
        """Say whether a stretch of ticks, with what led to it, touches one in which a line that cycles hang on was not known."""
        return any(start < high and end > low - self._blind_reach for start, end in self._blind)

    # --- cycles ---

    def add(
        self, line: int, kind: int, inferred: bool, fall: int, rise: int, control: int, address: Optional[int], data: Optional[int],
        refresh: Optional[Tuple[int, int]],
    ) -> None:  # fmt: skip
        """Take the next cycle. See Cycle."""
        if self._grants and self._grants[0][0] < fall:
            self.insert_grants(fall)
        place = self._bare[kind] if line == LINE_BARE else self._framed[kind]
        start, clock = fall - place[1], 0
        if self._counts_clock and self._rises:
            limit, rises = fall - place[2], self._rises
            start, clock = (rises[-1], self._counts[-1]) if rises[-1] <= limit and not place[3] else self._t1(fall, place)
            if self._blind and self._in_blind(fall, fall):
                start = fall - place[1]
        note, moved = "", False
        if start <= self._latest or self._breaks.spans or not self._next:
            kind, inferred, start, moved, note = self._cut(kind, inferred, start, fall, rise)
        else:
            self._latest_t1 = start
        self._latest = start
        waits: Optional[int] = None
        if self._waits_known and kind != UNKNOWN:
            waits = 0 if rise - fall <= place[5] else round((rise - fall) / (self._t or 1.0) - place[4])
        number = self._next
        self._next = number + 1
        release, in_refresh = refresh or (rise, None)
        self.begun((number, KINDS[kind], start, release, address, data, waits, inferred, control, in_refresh))
        if kind == FETCH and not control & HALT and not note:
            note = "halt"
        self._lay((number, kind, start, clock, fall, rise, address, data, note, False, moved))

    def _cut(self, kind: int, inferred: bool, start: int, fall: int, rise: int) -> Tuple[int, bool, int, bool, str]:
        """See to a cycle that may be cut off, or that begins before the one before it; returns kind, inferred, start, moved and note."""
        cut, begun_in_reset, in_reset = self._breaks.cut(start, fall, rise)
        moved = bool(self._next) and start <= self._latest
        before, self._latest_t1 = self._latest_t1, max(self._latest_t1, start)
        if begun_in_reset or ((cut or start <= before) and told_by_silence(KINDS[kind], inferred)):
            kind, inferred = UNKNOWN, False
        return kind, inferred, self._latest if moved else start, moved, "cut_short" if in_reset else ""

    def _lay(self, row: _Fields) -> None:
        """Lay a row behind those that are there, and end those that it settles."""
        rows = self._rows
        if len(rows) == 1 and not (self._resets or self._blind or row[10]):
            number, kind, start, clock, _, _, address, _, note, is_open, moved = rows[0]
            push = row[1] == WRITE and kind == FETCH and self._may_push(row[7], address)
            if not (push or is_open or moved or note == "cut_short"):
                # What every cycle of a healthy program takes: the one before needs no more than this one to end.
                rows[0] = row
                t_states: Optional[int] = None
                if self._counts_clock:
                    t_states = row[3] - clock
                elif self._t_of_lengths is not None:
                    t_states = round((row[2] - start) / self._t_of_lengths)
                if t_states is not None and t_states < SHORTEST[kind]:
                    t_states = None
                self.ended((number, KINDS[kind], start, row[2], t_states, note))
                return
        rows.append(row)
        self._close()

    def _may_push(self, data: Optional[int], address: Optional[int]) -> bool:
        """Say whether a byte that is written behind a fetch can be the upper one of the fetch's address: an NMI pushes that."""
        return data is None or address is None or data == address >> 8

    def _length(self, row: _Row, follower: _Row) -> Optional[int]:
        """Return the T-states from one T1 to the next; None where that is not known, or nonsense."""
        if row.moved or follower.moved or row.note == "cut_short":
            return None
        if self._counts_clock:
            length = follower.clock - row.clock
        elif self._t_of_lengths is not None:
            length = round((follower.start - row.start) / self._t_of_lengths)
        else:
            return None
        return length if length >= SHORTEST[row.kind] else None

    def insert_grants(self, before: int) -> None:
        """Lay the bus grants that began before a tick behind the cycles that are there."""
        while self._grants and self._grants[0][0] < before:
            grant = self._grants.popleft()
            if grant[2] < 0:
                self._place_grant(grant)
            fall, rise, start, count = grant
            moved = bool(self._next) and start <= self._latest
            self._latest = start = max(start, self._latest) if self._next else start
            row = _Row(self._next, GRANTED, start, count, fall, rise, open=rise < 0, moved=moved)
            self._next += 1
            if not row.open:
                self._give(row)
            self._rows.append(row)
            self._close()

    def _place_grant(self, grant: List[int]) -> None:
        """Fill in where a grant's T1 lies."""
        known = self._counts_clock and self._rises
        grant[2:] = self._t1(grant[0], _Place.of(0.0, 0.0, self._t or 0.0)) if known else (grant[0], 0)
        if self._blind and self._in_blind(grant[0], grant[0]):
            grant[2] = grant[0]

    def finish(self, end: int) -> None:
        """Give out what is left; end: the last tick of the capture."""
        self.reset_over(end)
        self.taken_back(end)
        self.insert_grants(end + 1)
        self._close(final=True)

    def _give(self, grant: _Row) -> None:
        self.begun((grant.number, KINDS[GRANTED], grant.start, grant.rise, None, None, None, False, 0xFFFF, None))

    def _t1(self, fall: int, place: _Place) -> Tuple[int, int]:
        """Return the tick of T1's rising edge and that edge's running number, for a request that falls at a tick."""
        t, rises, limit, whole = self._t or 0.0, self._rises, fall - place.late, place.whole
        counts = self._counts
        index = len(rises) - 1
        while index >= 0 and rises[index] > limit:
            index -= 1
        wanted = (counts[index] if index >= 0 else counts[0] - 1) - whole
        while index >= 0 and counts[index] > wanted:
            index -= 1
        if index >= 0 and counts[index] == wanted:
            return rises[index], wanted
        return rises[index + 1] - round((counts[index + 1] - wanted) * t), wanted  # that edge was not seen

    def _close(self, final: bool = False) -> None:
        """Give out the second item of every cycle that what followed has settled."""
        rows = self._rows
        while len(rows) > 1 or (final and rows):
            row = _Row(*rows[0])
            follower = _Row(*rows[1]) if len(rows) > 1 else None
            if row.open:
                return
            nmi = False
            if row.kind == FETCH and follower is not None and follower.kind == WRITE and self.has_address:
                seen = self._nmi_response(final)
                if seen is None:
                    return
                nmi = seen
            self._end(row, follower, nmi)
            rows.popleft()

    def _nmi_response(self, final: bool) -> Optional[bool]:
        """Say whether the first row's byte was thrown away: two pushes of its own address and a fetch at 0066h follow. None: too early."""
        rows = self._rows
        if len(rows) < 3:
            return False if final else None
        own, first, second = _Row(*rows[0]), _Row(*rows[1]), _Row(*rows[2])
        if second.kind != WRITE or first.address is None or second.address != first.address - 1 & 0xFFFF:
            return False
        if self.has_data:
            high = -1 if first.data is None else first.data
            low = -1 if second.data is None else second.data
            if high << 8 | low != own.address:
                return False
        if len(rows) < 4:
            return False if final else None
        response = _Row(*rows[3])
        return response.kind == FETCH and response.address == NMI_ADDRESS

    def _end(self, row: _Row, follower: Optional[_Row], nmi: bool) -> None:
        if follower is None:
            end, t_states = row.rise, None
        else:
            end, t_states = follower.start, self._length(row, follower)
        if row.note == "cut_short":
            end = min(end, row.rise)
        if self._blind:
            if self._in_blind(row.fall, row.rise if follower is None else follower.fall):
                t_states, end = None, row.rise
            while len(self._blind) > 1 and self._blind[0][1] < row.fall - self._blind_reach:
                self._blind.popleft()
        note = row.note
        resets = self._resets  # hardly ever any
        while resets and (follower is None or resets[0][0] <= follower.fall):
            low, high = resets.popleft()
            if low > row.fall and end >= low:  # the reset broke this cycle off or followed it
                t_states = None
                end = max(low, row.rise if high < 0 else min(row.rise, high))
                if row.rise >= low:
                    note = "cut_short"
        self.ended((row.number, KINDS[row.kind], row.start, max(end, row.start), t_states, "nmi_response" if nmi else note))
