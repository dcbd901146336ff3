"""Decided cycles to items: where T1 began, how long each cycle took, what bus grants, resets and an NMI make of it."""

from __future__ import annotations

from collections import deque
from typing import Callable, Deque, FrozenSet, List, Optional, Tuple

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, KINDS
from ..bus.semantics import CLOCK_DELAY_T, NMI_ADDRESS, SPEC, TIMING_SAMPLES_MIN, bare_width
from .records import HALT, LINE_BARE, Begun, Ended, Request

FETCH, WRITE, GRANTED, UNKNOWN = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_write", "bus_granted", "unknown"))
_RISES_KEPT = 4096


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


class _Row:
    """A cycle between its two items."""

    __slots__ = ("address", "count", "data", "fall", "kind", "note", "number", "open", "rise", "start")

    def __init__(
        self, number: int, kind: int, start: int, count: int, fall: int, rise: int, address: Optional[int] = None,
        data: Optional[int] = None, note: str = "",
    ) -> None:  # fmt: skip
        self.number, self.kind, self.start, self.count, self.fall, self.rise = number, kind, start, count, fall, rise
        self.address, self.data, self.note = address, data, note
        self.open = False  #: a bus grant that still lasts


class CycleRows:
    """Lays cycles and bus grants into one sequence and gives out their items."""

    def __init__(
        self, captured: FrozenSet[str], calibration: Calibration, begun: Callable[[Begun], None], ended: Callable[[Ended], None]
    ) -> None:
        """captured: canonical names of the lines. begun, ended: called with the items."""
        self.begun, self.ended = begun, ended  #: may be replaced while nothing is under way
        self._t = calibration.t_ticks
        self._counts_clock = calibration.counts_clock
        t = self._t or 0.0
        self._scale = self._t or 1.0
        #: (T-states from T1 to the assert edge, nominal width, the first in ticks) by kind index
        self._framed, self._bare = ([(at, width, round(at * t)) for at, width in table] for table in (_FRAMED, _BARE))
        self._spike = 0.5 * t if calibration.counts_clock and t >= 4 * calibration.sample_ticks else 0.0
        self._has_address = captured.issuperset(ADDRESS)
        self._has_data = captured.issuperset(DATA)
        self._waits_known = self._t is not None and (calibration.samples_per_t or 0) >= TIMING_SAMPLES_MIN
        self._rises: List[int] = []  #: rising clock edges
        self._counts: List[int] = []  #: their running numbers
        self._rows: Deque[_Row] = deque()
        self._next = 0
        self._grants: Deque[List[int]] = deque()  #: /BUSACK low, [fall, rise]; the rise is -1 while it lasts
        self._open: Optional[_Row] = None
        self._resets: Deque[List[int]] = deque()  #: /RESET low, the same

    # --- lines ---

    def clock(self, time: int, steps: int = 1) -> None:
        """Take a rising clock edge; steps: clocks since the one before."""
        rises = self._rises
        if not rises:
            rises.append(time)
            self._counts.append(0)
        elif time - rises[-1] >= self._spike:
            rises.append(time)
            self._counts.append(self._counts[-1] + steps)
            if len(rises) > 2 * _RISES_KEPT:
                del rises[:_RISES_KEPT], self._counts[:_RISES_KEPT]

    def granted(self, fall: int) -> None:
        """/BUSACK went low."""
        self._grants.append([fall, -1])

    def taken_back(self, rise: int) -> None:
        """/BUSACK went high."""
        if self._grants and self._grants[-1][1] < 0:
            self._grants[-1][1] = rise
        elif self._open is not None:
            row, self._open = self._open, None
            row.rise, row.open = rise, False
            self._give(row)
            self._close()

    def reset(self, fall: int) -> None:
        """/RESET went low."""
        self._resets.append([fall, -1])

    def reset_over(self, rise: int) -> None:
        """/RESET went high."""
        if self._resets and self._resets[-1][1] < 0:
            self._resets[-1][1] = rise

    # --- cycles ---

    def add(self, request: Request, kind: int, inferred: bool, refresh: Optional[Request]) -> None:
        """Take the next cycle: its request, what it is, and the refresh that belongs to it."""
        line, fall, rise, control, _, address, data = request
        if self._grants and self._grants[0][0] < fall:
            self.insert_grants(fall)
        at, nominal, shift = self._bare[kind] if line == LINE_BARE else self._framed[kind]
        if self._counts_clock and self._rises:
            start, count = self._t1(fall, at)
        else:
            start, count = fall - shift, 0
        waits: Optional[int] = None
        if self._waits_known and kind != UNKNOWN:
            beyond = (rise - fall) / self._scale - nominal
            waits = round(beyond) if beyond > 0.5 else 0
        number = self._next
        self._next = number + 1
        seen_address = address if self._has_address else None
        seen_data = data if self._has_data and data >= 0 else None
        if refresh is None:
            release, in_refresh = rise, None
        else:
            release, in_refresh = refresh.rise, refresh.control
        self.begun(Begun(number, KINDS[kind], start, release, seen_address, seen_data, waits, inferred, control, in_refresh))
        note = "halt" if kind == FETCH and not control & HALT else ""
        self._rows.append(_Row(number, kind, start, count, fall, rise, seen_address, seen_data, note))
        self._close()

    def insert_grants(self, before: int) -> None:
        """Lay the bus grants that began before a tick behind the cycles that are there."""
        while self._grants and self._grants[0][0] < before:
            fall, rise = self._grants.popleft()
            start, count = (fall, 0) if not (self._counts_clock and self._rises) else self._t1(fall, 0.0)
            row = _Row(self._next, GRANTED, start, count, fall, rise)
            self._next += 1
            if rise < 0:
                row.open, self._open = True, row
            else:
                self._give(row)
            self._rows.append(row)
            self._close()

    def finish(self, end: int) -> None:
        """Give out what is left; end: the last tick of the capture."""
        self.reset_over(end)
        self.taken_back(end)
        self.insert_grants(end + 1)
        self._close(final=True)

    def _give(self, grant: _Row) -> None:
        self.begun(Begun(grant.number, KINDS[GRANTED], grant.start, grant.rise, None, None, None, False, 0xFFFF, None))

    def _t1(self, fall: int, at: float) -> Tuple[int, int]:
        """Return the tick of T1's rising edge and that edge's running number, for an edge `at` T-states into its cycle."""
        t = self._t or 0.0
        rises = self._rises
        whole = int(at)
        # Expected this far behind a rising edge; accept half a clock either way.
        limit = fall - int((at - whole + CLOCK_DELAY_T - 0.5) * t)
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
            row = rows[0]
            follower = rows[1] if len(rows) > 1 else None
            if row.open:
                return
            nmi = False
            if row.kind == FETCH and follower is not None and follower.kind == WRITE and self._has_address:
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
        first, second = rows[1], rows[2]
        if second.kind != WRITE or first.address is None or second.address != first.address - 1 & 0xFFFF:
            return False
        if self._has_data:
            high = -1 if first.data is None else first.data
            low = -1 if second.data is None else second.data
            if high << 8 | low != rows[0].address:
                return False
        if len(rows) < 4:
            return False if final else None
        return rows[3].kind == FETCH and rows[3].address == NMI_ADDRESS

    def _end(self, row: _Row, follower: Optional[_Row], nmi: bool) -> None:
        t_states: Optional[int] = None
        if follower is None:
            end = row.rise
        else:
            end = follower.start
            if self._counts_clock:
                t_states = follower.count - row.count
            elif self._t is not None:
                t_states = round((end - row.start) / self._t)
            if t_states is not None and t_states < 0:
                t_states = None  # nonsense on the lines, and none of it a length
        note = row.note
        resets = self._resets  # hardly ever any
        while resets and (follower is None or resets[0][0] <= follower.fall):
            low, high = resets.popleft()
            if low > row.fall and end >= low:  # the reset broke this cycle off or followed it
                t_states = None
                end = max(low, row.rise if high < 0 else min(row.rise, high))
                if row.rise >= low:
                    note = "cut_short"
        self.ended(Ended(row.number, KINDS[row.kind], row.start, end, t_states, "nmi_response" if nmi else note))
