"""Requests to machine cycles, vectorised: which request is which, where T1 began, how long it took.

The meaning of the strobes comes from :mod:`strobewise.bus.semantics`; the streaming engine reads the same table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import (
    CLOCK_DELAY_T,
    KEY_BARE,
    KEY_IORQ,
    KEY_M1_LATE,
    KEY_REFRESHED,
    KEYS,
    NMI_ADDRESS,
    REFRESH_GAP_MARKED,
    REFRESH_GAP_MAX,
    REFRESH_WIDTH_MAX,
    SPEC,
    TIMING_SAMPLES_MIN,
    TRUST_GROUP,
    TRUST_M1,
    TRUST_RD,
    TRUST_RFSH,
    TrustCounts,
    bare_width,
    compile_decisions,
    trust_word,
)
from .requests import LINE_BARE, LINE_IORQ, LINE_MREQ, BlockEvents, Int, Requests
from .table import NOT_KNOWN, CycleTable

_KIND_OF, _INFERRED_OF = (np.array(column) for column in compile_decisions())
_KIND_OF = _KIND_OF.astype(np.uint8)
_Column = npt.NDArray[Any]

_NEVER = 1 << 62
_LOOK_AHEAD = 12  #: requests kept back: an NMI response is known by the next three cycles, each of at most two requests
FETCH, READ, WRITE, ACK, GRANTED, UNKNOWN = (
    KIND_INDEX[kind]
    for kind in ("opcode_fetch", "memory_read", "memory_write", "interrupt_acknowledge", "bus_granted", "unknown")
)
REFRESH = len(KIND_INDEX)  #: class of a refresh request, beside the kinds

_M1, _RD, _WR, _RFSH, _HALT, _BUSACK = (np.uint16(1 << BIT[n]) for n in ("M1", "RD", "WR", "RFSH", "HALT", "BUSACK"))


def _per_kind(value: str) -> npt.NDArray[np.float64]:
    table = np.zeros(len(KIND_INDEX) + 1)
    for kind, index in KIND_INDEX.items():
        spec = SPEC.get(kind, SPEC["memory_read"])
        table[index] = getattr(spec, value)
    return table


_ASSERTS_AT, _WIDTH = _per_kind("asserts_at"), _per_kind("width")
_BARE_WIDTH = np.array([bare_width(kind) for kind in KIND_INDEX] + [1.0])
_BARE_AT = np.array([0.5] * (len(KIND_INDEX) + 1))
_BARE_AT[[KIND_INDEX["memory_write"]]] = 1.5
_BARE_AT[[KIND_INDEX["io_read"], KIND_INDEX["io_write"]]] = 1.0


@dataclass
class Batch:
    """A settled stretch of the capture: its requests, each with its class, and its machine cycles.

    request_class: uint8, index into KINDS, or REFRESH; t1: int64, count of the clock edge that starts T1 (only meaningful as a difference).
    """

    requests: Requests
    request_class: npt.NDArray[np.uint8]
    cycles: CycleTable
    request_of_cycle: Int  #: index into requests, -1 for a bus grant


class CycleBuilder:
    """Turn what the blocks gave into machine cycles, batch by batch."""

    def __init__(self, captured: frozenset[str], calibration: Calibration, busack_valid: bool = True) -> None:
        self._captured = captured
        self._calibration = calibration
        self._t = calibration.t_ticks
        self._has_address = captured.issuperset(ADDRESS)
        self._has_data = captured.issuperset(DATA)
        self._grants_count = "BUSACK" in captured and busack_valid
        self._waits_known = self._t is not None and (calibration.samples_per_t or 0) >= TIMING_SAMPLES_MIN
        self._pending: list[Requests] = []
        self._rises: list[Int] = []
        self._rises_base = 0
        self._grants: list[tuple[int, int]] = []
        self._resets: list[tuple[int, int]] = []
        self._reset_since = -1  #: a reset that still lasts began then
        self._trust: int | None = None
        self._group_trusts: list[int] = []
        self._before = (-_NEVER, False, False)  # release of the request before; was it a refresh, and one by the gap before it alone
        self._timed = np.zeros(0, np.bool_)

    def feed(self, events: BlockEvents) -> int:
        """Take a block's events; returns how many requests wait to be processed."""
        if self._grants_count and len(events.requests):
            keep = events.requests.control & _BUSACK != 0
            requests = events.requests if keep.all() else events.requests.select(keep)
        else:
            requests = events.requests
        if len(requests):
            self._pending.append(requests)
        if len(events.clock_rises):
            self._rises.append(events.clock_rises)
        if self._grants_count:
            self._grants.extend(events.grants)
        self._resets.extend(events.resets)
        self._reset_since = events.reset_since
        return sum(len(part) for part in self._pending)

    def build(self, final: bool = False) -> Batch | None:
        """Process what is settled; None when that is nothing. With final=True everything left is settled."""
        requests = Requests.join(self._pending) if self._pending else Requests.empty()
        n = len(requests)
        whole = n if final else max(0, (n - _LOOK_AHEAD) // TRUST_GROUP * TRUST_GROUP)
        if whole == 0 and not (final and self._grants):
            return None
        rises = self._clean_rises()
        refresh, trust = self._refreshes(requests)
        kind, inferred = self._decide(requests, refresh, trust)
        table, owner = self._rows(requests, kind, inferred, refresh, rises)
        # Rows are in order of time; a grant goes out with the request before it.
        out = len(owner) if final else int(np.searchsorted(np.maximum.accumulate(owner), whole))
        classes = np.where(refresh, np.uint8(REFRESH), kind)
        batch = Batch(requests.select(slice(0, whole)), classes[:whole], table[:out], owner[:out])
        self._carry(requests, refresh, whole, rises, int(table.start[out]) if out < len(table) else None)
        return batch

    def _clean_rises(self) -> Int:
        """Return the clock's rising edges at hand, without those that a spike added."""
        if not self._calibration.counts_clock or not self._rises:
            return np.empty(0, np.int64)
        rises = np.concatenate(self._rises) if len(self._rises) > 1 else self._rises[0]
        t = self._t or 0.0
        if t >= 4 * self._calibration.sample_ticks:
            close = np.flatnonzero(np.diff(rises) < 0.5 * t)
            if len(close):
                keep = np.ones(len(rises), np.bool_)
                last = 0
                for k in close.tolist():  # rare: only spikes come here
                    before = k if keep[k] else last
                    if rises[k + 1] - rises[before] < 0.5 * t:
                        keep[k + 1] = False
                        last = before
                rises = rises[keep]
        self._rises = [rises]
        return rises

    def _refreshes(self, requests: Requests) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.uint16]]:
        """Say which requests are the refresh half of the one before, and which strobes each request may rely on.

        The gap and the width of the /MREQ pulse tell; where /RFSH behaved in the last group, it may mark a refresh after a longer gap too.
        """
        n = len(requests)
        if not n:
            return np.zeros(0, np.bool_), np.zeros(0, np.uint16)
        t = self._t if self._t is not None else 1.0
        before, was_refresh, was_timed = self._before
        gap = np.empty(n, np.int64)
        gap[1:] = requests.fall[1:] - requests.rise[:-1]
        gap[0] = requests.fall[0] - before
        narrow = (requests.line == LINE_MREQ) & (requests.rise - requests.fall < REFRESH_WIDTH_MAX * t)
        if self._t is None:
            narrow[:] = False
        timed = narrow & (gap < REFRESH_GAP_MAX * t)
        if before == -_NEVER and not timed[0]:  # the capture may start between a fetch and its refresh
            control = int(requests.control[0])
            alone = narrow[0] and requests.rise[0] - requests.fall[0] < 1.25 * t
            timed[0] = bool(alone and control & int(_RD) and control & int(_WR) and control & int(_M1))
        self._timed = _every_other(timed, was_timed)
        trust = self._trusts(requests, self._timed)
        # A strobe that can be relied on and says "transfer" outweighs a gap that jitter made short.
        transfer = (trust & np.uint16(TRUST_M1) != 0) & (requests.control & _M1 == 0)
        transfer |= (trust & np.uint16(TRUST_RD) != 0) & (requests.control & _RD == 0)
        quiet = _RD | _WR | _M1
        marked = narrow & (trust & np.uint16(TRUST_RFSH) != 0) & (requests.control & (_RFSH | quiet) == quiet)
        marked &= gap < REFRESH_GAP_MARKED * t
        return _every_other(timed & ~transfer | marked, was_refresh), trust

    def _decide(
        self, requests: Requests, refresh: npt.NDArray[np.bool_], trust: npt.NDArray[np.uint16]
    ) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
        asserted = ~requests.control
        bare = requests.line == LINE_BARE
        followed, m1_late = _followers(requests, refresh)
        key = (requests.line == LINE_IORQ) * np.uint16(KEY_IORQ)
        key |= bare * np.uint16(KEY_BARE)
        key |= followed * np.uint16(KEY_REFRESHED)
        key |= (asserted & _M1) << np.uint16(2)  # bit 1 to KEY_M1
        key |= m1_late * np.uint16(KEY_M1_LATE)
        key |= (asserted & (_RD | _WR)) << np.uint16(1)  # bits 4, 5 to KEY_RD, KEY_WR
        key += trust * np.uint16(KEYS)
        kind, inferred = _KIND_OF[key], _INFERRED_OF[key]
        if not self._calibration.mreq_frames and "MREQ" in self._captured:
            seen = asserted & np.uint16(1 << BIT["MREQ"]) != 0
            inferred = inferred & ~(bare & seen & (kind != FETCH))
        return kind, inferred

    def _trusts(self, requests: Requests, refresh: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint16]:
        """Return the trust word of each request: what its predecessor group earned, the first group what it earns itself."""
        n = len(requests)
        asserted = ~requests.control
        m1, rd, wr, rfsh = (asserted & bit != 0 for bit in (_M1, _RD, _WR, _RFSH))
        followed, m1_late = _followers(requests, refresh)
        memory = requests.line == LINE_MREQ
        not_io = requests.line != LINE_IORQ
        fetch = followed & not_io
        columns = (
            memory,
            fetch,
            fetch & m1 & ~m1_late,
            m1 & ~fetch & not_io,
            fetch & rd,
            refresh & rd,
            (refresh | fetch) & wr,
            refresh,
            refresh & rfsh,
            fetch & rfsh,
        )
        starts = np.arange(0, n, TRUST_GROUP)
        sums = np.array([np.add.reduceat(column, starts, dtype=np.int64) for column in columns]).T
        words = [trust_word(TrustCounts(*row), self._captured) for row in sums.tolist()]
        trust = np.zeros(n, np.uint16)
        current = self._trust if self._trust is not None else words[0]
        for group, start in enumerate(starts.tolist()):
            trust[start : start + TRUST_GROUP] = current
            current = words[group]
        self._group_trusts = words
        return trust

    def _rows(
        self,
        requests: Requests,
        kind: npt.NDArray[np.uint8],
        inferred: npt.NDArray[np.bool_],
        refresh: npt.NDArray[np.bool_],
        rises: Int,
    ) -> tuple[CycleTable, Int]:
        """Lay requests that are no refreshes, and bus grants, into one sequence of cycles."""
        owner = np.flatnonzero(~refresh)
        fall, rise = requests.fall[owner], requests.rise[owner]
        kinds = kind[owner]
        bare = requests.line[owner] == LINE_BARE
        at = np.where(bare, _BARE_AT[kinds], _ASSERTS_AT[kinds])
        start, count = self._t1(fall, at, rises)
        waits = self._waits(fall, rise, kinds, bare)
        address = requests.address[owner].astype(np.int32) if self._has_address else None
        data = np.where(requests.unknown[owner], NOT_KNOWN, requests.data[owner].astype(np.int16)) if self._has_data else None
        note = np.where((kinds == FETCH) & (requests.control[owner] & _HALT == 0), NOTE_INDEX["halt"], 0)
        none = np.full(len(owner), NOT_KNOWN)
        columns: list[_Column] = [
            start, count, fall, rise, kinds, waits,
            none if address is None else address, none if data is None else data,
            inferred[owner], note, owner,
        ]  # fmt: skip
        if self._grants:
            columns = self._with_grants(columns, rises)
        return self._finish(columns)

    def _with_grants(self, columns: list[_Column], rises: Int) -> list[_Column]:
        fall = np.array([grant[0] for grant in self._grants], np.int64)
        rise = np.array([grant[1] for grant in self._grants], np.int64)
        start, count = self._t1(fall, np.zeros(len(fall)), rises)
        none = np.full(len(fall), NOT_KNOWN)
        kinds = np.full(len(fall), GRANTED, np.uint8)
        no = np.zeros(len(fall), np.bool_)
        rows: list[_Column] = [start, count, fall, rise, kinds, none, none, none, no, none * 0, none]
        merged: list[_Column] = [np.concatenate(pair) for pair in zip(columns, rows, strict=True)]
        order = np.argsort(merged[2], kind="stable")
        return [column[order] for column in merged]

    def _t1(self, fall: Int, at: npt.NDArray[np.float64], rises: Int) -> tuple[Int, Int]:
        """Return the tick of T1's rising edge and that edge's running number, for edges `at` T-states into their cycle."""
        t = self._t or 0.0
        if not self._calibration.counts_clock or not len(rises):
            return fall - np.round(at * t).astype(np.int64), np.zeros(len(fall), np.int64)
        whole = np.floor(at).astype(np.int64)
        # Expected this far behind a rising edge; accept half a clock either way.
        lead = ((at - whole + CLOCK_DELAY_T - 0.5) * t).astype(np.int64)
        index = np.searchsorted(rises, fall - lead, "right") - 1 - whole
        inside = np.clip(index, 0, len(rises) - 1)
        start = rises[inside] + np.round((index - inside) * t).astype(np.int64)
        return start, index + self._rises_base

    def _waits(
        self, fall: Int, rise: Int, kinds: npt.NDArray[np.uint8], bare: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.int64]:
        if not self._waits_known or self._t is None:
            return np.full(len(fall), NOT_KNOWN)
        nominal = np.where(bare, _BARE_WIDTH[kinds], _WIDTH[kinds])
        waits = np.maximum(np.round((rise - fall) / self._t - nominal), 0).astype(np.int64)
        waits[kinds == UNKNOWN] = NOT_KNOWN
        return waits

    def _finish(self, columns: list[_Column]) -> tuple[CycleTable, Int]:
        start, count, fall, rise, kinds, waits, address, data, inferred, note, owner = (np.asarray(c) for c in columns)
        n = len(start)
        end = np.empty(n, np.int64)
        t_states = np.full(n, NOT_KNOWN, np.int64)
        if n:
            end[:-1], end[-1] = start[1:], rise[-1]
            if self._calibration.counts_clock:
                t_states[:-1] = np.diff(count)
            elif self._t is not None:
                t_states[:-1] = np.round(np.diff(start) / self._t)
        t_states[t_states < 0] = NOT_KNOWN  # nonsense on the lines, and none of it a length
        lasting = [(self._reset_since, _NEVER)] if self._reset_since >= 0 else []
        for low, high in (*self._resets, *lasting):
            k = int(np.searchsorted(fall, low)) - 1  # the cycle that the reset broke off or followed
            if 0 <= k < n and end[k] >= low:
                t_states[k] = NOT_KNOWN
                end[k] = max(low, min(int(rise[k]), high))
                if rise[k] >= low:
                    note[k] = NOTE_INDEX["cut_short"]
        self._mark_nmi(kinds, address, data, note)
        table = CycleTable.build(
            start, end, kinds, t_states=t_states, wait_states=waits, address=address, data=data, inferred=inferred, note=note
        )
        return table, owner.astype(np.int64)

    def _mark_nmi(
        self,
        kinds: npt.NDArray[np.uint8],
        address: npt.NDArray[np.int32],
        data: npt.NDArray[np.int16],
        note: npt.NDArray[np.uint8],
    ) -> None:
        """Mark fetches whose byte was thrown away: two pushes of their own address and a fetch at 0066h follow."""
        if not self._has_address or len(kinds) < 4:
            return
        hit = (kinds[:-3] == FETCH) & (kinds[1:-2] == WRITE) & (kinds[2:-1] == WRITE) & (kinds[3:] == FETCH)
        hit &= (address[3:] == NMI_ADDRESS) & (address[2:-1] == (address[1:-2] - 1) & 0xFFFF)
        if self._has_data:
            hit &= (data[1:-2].astype(np.int32) << 8 | data[2:-1]) == address[:-3]
        note[:-3][hit] = NOTE_INDEX["nmi_response"]

    def _carry(
        self, requests: Requests, refresh: npt.NDArray[np.bool_], whole: int, rises: Int, horizon: int | None
    ) -> None:
        """Keep what the next batch needs; horizon is the start of the first cycle that was not handed out."""
        if whole:
            self._before = (int(requests.rise[whole - 1]), bool(refresh[whole - 1]), bool(self._timed[whole - 1]))
            if whole >= TRUST_GROUP:
                self._trust = self._group_trusts[whole // TRUST_GROUP - 1]
        self._pending = [requests.select(slice(whole, None))] if whole < len(requests) else []
        limit = horizon if horizon is not None else _NEVER
        self._grants = [grant for grant in self._grants if grant[0] >= limit]
        self._resets = [reset for reset in self._resets if reset[1] >= limit - 1]
        if len(rises):
            keep_from = max(0, int(np.searchsorted(rises, limit)) - 8)
            self._rises = [rises[keep_from:]]
            self._rises_base += keep_from


def _every_other(candidate: npt.NDArray[np.bool_], first_was: bool) -> npt.NDArray[np.bool_]:
    """Return the candidates but those directly behind one that stays: a refresh is never the refresh of a refresh.

    first_was: the request before the first was a refresh.
    """
    index = np.arange(len(candidate))
    start = np.maximum.accumulate(np.where(candidate, -1, index))  # the last request before each run of candidates
    place = index - start - 1
    if first_was:
        place[start < 0] += 1
    return np.asarray(candidate & (place % 2 == 0))


def _followers(requests: Requests, refresh: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Say which requests a refresh follows, and in which of those /M1 is still asserted then."""
    followed = np.zeros(len(requests), np.bool_)
    m1_late = np.zeros(len(requests), np.bool_)
    followed[:-1] = refresh[1:]
    m1_late[:-1] = refresh[1:] & (requests.control[1:] & _M1 == 0)
    bare = requests.line == LINE_BARE
    if bare.any():  # where /MREQ does not show the refresh, /RFSH behind the release does
        followed |= bare & (requests.control & _RD == 0) & (requests.after & _RFSH == 0)
        m1_late |= bare & (requests.after & _M1 == 0)
    return followed, m1_late
