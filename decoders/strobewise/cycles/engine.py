"""Requests to machine cycles, vectorised: which request is which, where T1 began, how long it took.

The meaning of the strobes comes from :mod:`strobewise.bus.semantics`; the streaming engine reads the same table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, ADDRESS_MASK, BIT, DATA, DATA_MASK
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import (
    CLOCK_DELAY_T,
    KEY_BARE,
    KEY_IORQ,
    KEY_M1_LATE,
    KEY_REFRESHED,
    KEYS,
    REFRESH_GAP_MARKED,
    REFRESH_GAP_MAX,
    REFRESH_GAP_NARROW,
    REFRESH_WIDTH_ALONE,
    REFRESH_WIDTH_MAX,
    SILENT_STROBE,
    TIMING_SAMPLES_MIN,
    TRUST_GROUP,
    TRUST_M1,
    TRUST_RD,
    TRUST_RFSH,
    TrustCounts,
    compile_decisions,
    trust_word,
)
from ..bus.units import NEVER
from .breaks import Breaks
from .ending import Columns, ended
from .placing import ASSERTS_AT, BARE_AT, BARE_WIDTH, WIDTH
from .pulses import Int
from .refreshes import every_other, followers
from .requests import LINE_BARE, LINE_IORQ, LINE_MREQ, BlockEvents, Requests
from .table import NOT_KNOWN, CycleTable, Flags

_KIND_OF, _INFERRED_OF = (np.array(column) for column in compile_decisions())
_KIND_OF = _KIND_OF.astype(np.uint8)
_Column = npt.NDArray[Any]

BATCH_REQUESTS = 3 << 13  #: requests to a batch: large enough that array overhead does not count, small enough for the cache
_LOOK_AHEAD = 12  #: requests kept back: an NMI response is known by the next three cycles, each of at most two requests
FETCH, READ, WRITE, ACCESS, ACK, GRANTED, UNKNOWN = (
    KIND_INDEX[kind]
    for kind in ("opcode_fetch", "memory_read", "memory_write", "memory_access", "interrupt_acknowledge", "bus_granted", "unknown")
)
_ADDRESS_BITS, _DATA_BITS = np.uint64(ADDRESS_MASK), np.uint64(DATA_MASK)
REFRESH = len(KIND_INDEX)  #: class of a refresh request, beside the kinds

_M1, _RD, _WR, _RFSH, _HALT, _BUSACK = (np.uint16(1 << BIT[n]) for n in ("M1", "RD", "WR", "RFSH", "HALT", "BUSACK"))

_SILENT = np.array([SILENT_STROBE.get(kind, 0) for kind in KIND_INDEX], np.uint64)


@dataclass
class Batch:
    """A settled stretch of the capture: its requests, each with its class, and its machine cycles."""

    requests: Requests
    request_class: npt.NDArray[np.uint8]  #: index into KINDS, or REFRESH
    cycles: CycleTable
    request_of_cycle: Int  #: index into requests, -1 for a bus grant
    blind: Flags | None = None  #: cycles in or behind which others may have gone by unseen: a line they hang on was not known; None: none


class CycleBuilder:
    """Turn what the blocks gave into machine cycles, batch by batch."""

    def __init__(self, captured: frozenset[str], calibration: Calibration, busack_valid: bool = True, began: int = -NEVER) -> None:
        """captured: canonical names. busack_valid: /BUSACK is believed. began: first tick of the capture."""
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
        self._breaks = Breaks(self._t or 0.0, began)
        self._latest = self._latest_t1 = -NEVER  #: start of the last row that was handed out, and of the last cycle
        self._trust: int | None = None
        self._group_trusts: list[int] = []
        #: release of the request before; was it a refresh, and one by the gap before it alone; /M1 asserted
        self._before = (-NEVER, False, False, False)
        self._is_first = True  #: nothing has been handed out
        self._directions = captured.issuperset(("RD", "WR"))
        self._timed = np.zeros(0, np.bool_)

    @property
    def is_full(self) -> bool:
        """Return whether a whole batch waits to be processed."""
        return sum(len(part) for part in self._pending) >= BATCH_REQUESTS + _LOOK_AHEAD

    def feed(self, events: BlockEvents) -> None:
        """Take a block's events."""
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
        self._breaks.feed(events, self._grants_count)
        if events.first_release is not None:
            self._before = (events.first_release, False, False, False)

    def build(self, final: bool = False) -> Batch | None:
        """Process what is settled, a batch of it at most; None when that is nothing. With final=True everything left is settled."""
        pending = Requests.join(self._pending) if self._pending else Requests.empty()
        requests = pending if final else pending.select(slice(0, BATCH_REQUESTS + _LOOK_AHEAD))  # however the blocks come
        n = len(requests)
        whole = n if final else max(0, (n - _LOOK_AHEAD) // TRUST_GROUP * TRUST_GROUP)
        if whole == 0 and not (final and self._grants):
            return None
        rises = self._clean_rises()
        refresh, lone, trust = self._refreshes(requests)
        kind, inferred = self._decide(requests, refresh, trust)
        refresh |= lone
        table, owner, blind = self._rows(requests, kind, inferred, refresh, rises)
        # Rows are in order of time; a grant goes out with the request before it.
        out = len(owner) if final else int(np.searchsorted(np.maximum.accumulate(owner), whole))
        classes = np.where(refresh, np.uint8(REFRESH), kind)
        batch = Batch(requests.select(slice(0, whole)), classes[:whole], table[:out], owner[:out], None if blind is None else blind[:out])
        self._carry(pending, refresh & ~lone, whole, rises, int(table.start[out]) if out < len(table) else None)
        self._latest = int(table.start[out - 1]) if out else self._latest
        self._latest_t1 = int(np.max(table.start[:out][owner[:out] >= 0], initial=self._latest_t1))
        return batch

    def _clean_rises(self) -> Int:
        """Return the clock's rising edges at hand, without those that a spike added."""
        if not self._calibration.counts_clock or not self._rises:
            return np.empty(0, np.int64)
        rises = np.concatenate(self._rises) if len(self._rises) > 1 else self._rises[0]
        spike = self._calibration.spike_ticks
        close = np.flatnonzero(np.diff(rises) < spike) if spike else ()
        if len(close):
            keep = np.ones(len(rises), np.bool_)
            last = 0
            for k in map(int, close):  # rare: only spikes come here
                before = k if keep[k] else last
                if rises[k + 1] - rises[before] < spike:
                    keep[k + 1] = False
                    last = before
            rises = rises[keep]
        self._rises = [rises]
        return rises

    def _refreshes(self, requests: Requests) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_], npt.NDArray[np.uint16]]:
        """Say which requests are the refresh half of the one before, which are refreshes apart from it, and which strobes each may rely on.

        The gap and the width of the /MREQ pulse tell, and, whatever the clock did meanwhile, /RFSH where it behaved in the last group, /M1
        in the request before, or a width that nothing else has. One far from the request before tells nothing of that one: its fetch
        shows by /M1 itself, and its acknowledge may lie on an /IORQ that was not captured.
        """
        n = len(requests)
        if not n:
            return np.zeros(0, np.bool_), np.zeros(0, np.bool_), np.zeros(0, np.uint16)
        t = self._t if self._t is not None else 1.0
        before, was_refresh, was_timed, was_m1 = self._before
        gap = np.empty(n, np.int64)
        gap[1:] = requests.fall[1:] - requests.rise[:-1]
        gap[0] = requests.fall[0] - before
        narrow = (requests.line == LINE_MREQ) & (requests.rise - requests.fall < REFRESH_WIDTH_MAX * t)
        if self._t is None:
            narrow[:] = False
        doubt = 0.5 * self._calibration.sample_ticks
        narrower = narrow & (requests.rise - requests.fall < REFRESH_WIDTH_ALONE * t - doubt)
        timed = narrow & (gap < REFRESH_GAP_MAX * t) | narrower & (gap < REFRESH_GAP_NARROW * t - doubt)
        surely = narrow & (requests.rise - requests.fall < REFRESH_WIDTH_ALONE * t - 2 * doubt)  # also where the samples made it shorter
        timed |= surely & (gap < REFRESH_GAP_NARROW * t + doubt)
        if self._is_first and not timed[0]:  # the capture may start between a fetch and its refresh
            control = int(requests.control[0])
            alone = narrow[0] and requests.rise[0] - requests.fall[0] < REFRESH_WIDTH_ALONE * t
            timed[0] = bool(alone and control & int(_RD) and control & int(_WR) and control & int(_M1))
        self._timed = every_other(timed, was_timed)
        trust = self._trusts(requests, self._timed)
        # A strobe that can be relied on and says "transfer" outweighs a gap that jitter made short.
        transfer = (trust & np.uint16(TRUST_M1) != 0) & (requests.control & _M1 == 0)
        transfer |= (trust & np.uint16(TRUST_RD) != 0) & (requests.control & _RD == 0)
        sure = (requests.rise - requests.fall < REFRESH_WIDTH_ALONE * t) & (self._directions and self._t is not None)
        sure |= (trust & np.uint16(TRUST_RFSH) != 0) & (requests.control & _RFSH == 0)
        m1_before = np.concatenate([[was_m1], requests.control[:-1] & _M1 == 0])
        sure |= m1_before & (trust & np.uint16(TRUST_M1 | TRUST_RD) == TRUST_M1 | TRUST_RD)
        quiet = _RD | _WR | _M1
        sure &= (requests.line == LINE_MREQ) & (requests.control & quiet == quiet)
        near = gap < REFRESH_GAP_MARKED * t
        return every_other(timed & ~transfer | sure & near, was_refresh), sure & ~near, trust

    def _decide(
        self, requests: Requests, refresh: npt.NDArray[np.bool_], trust: npt.NDArray[np.uint16]
    ) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
        asserted = ~requests.control
        bare = requests.line == LINE_BARE
        followed, m1_late = followers(requests, refresh)
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
        if requests.unknown.any():  # what a strobe that is not known did not say proves nothing
            unsure = inferred & ~bare & (requests.unknown & _SILENT[kind] != 0)
            kind = np.where(unsure, np.where(requests.line == LINE_IORQ, np.uint8(UNKNOWN), np.uint8(ACCESS)), kind)
            unsure |= bare & (kind == READ) & (requests.control & _M1 == 0) & (requests.unknown & np.uint64(_RFSH) != 0)
            kind[unsure & bare] = UNKNOWN  # a fetch, where /RFSH came behind it
            inferred = inferred & ~unsure
        return kind, inferred

    def _trusts(self, requests: Requests, refresh: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint16]:
        """Return the trust word of each request: what its predecessor group earned, the first group what it earns itself."""
        n = len(requests)
        asserted = ~requests.control
        m1, rd, wr, rfsh = (asserted & bit != 0 for bit in (_M1, _RD, _WR, _RFSH))
        followed, m1_late = followers(requests, refresh)
        memory = requests.line == LINE_MREQ
        not_io = requests.line != LINE_IORQ
        fetch = followed & not_io
        bare = requests.line == LINE_BARE
        columns: tuple[npt.NDArray[np.bool_], ...] = (
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
        if bare.any():
            alone = bare & rd & m1 & ~m1_late
            columns += (bare, bare & rd, alone, bare & m1 & ~alone)
        starts = np.arange(0, n, TRUST_GROUP)
        sums = np.array([np.add.reduceat(column, starts, dtype=np.int64) for column in columns]).T
        words = [trust_word(TrustCounts(*row), self._captured) for row in sums.tolist()]
        self._group_trusts = words
        before = self._trust if self._trust is not None else words[0]
        return np.repeat(np.array([before, *words[:-1]], np.uint16), TRUST_GROUP)[:n]

    def _rows(
        self,
        requests: Requests,
        kind: npt.NDArray[np.uint8],
        inferred: npt.NDArray[np.bool_],
        refresh: npt.NDArray[np.bool_],
        rises: Int,
    ) -> tuple[CycleTable, Int, Flags | None]:
        """Lay requests that are no refreshes, and bus grants, into one sequence of cycles."""
        owner = np.flatnonzero(~refresh)
        fall, rise = requests.fall[owner], requests.rise[owner]
        kinds = kind[owner]
        bare = requests.line[owner] == LINE_BARE
        at = np.where(bare, BARE_AT[kinds], ASSERTS_AT[kinds])
        start, count = self._t1(fall, at, rises)
        in_reset = np.zeros(len(owner), np.bool_)
        cut = self._breaks.cut(start, fall, rise, kinds, inferred[owner], self._latest_t1)
        if cut is not None:
            in_reset = cut.in_reset
            lost = owner[cut.unknown]
            kind[lost], inferred[lost] = UNKNOWN, False
            kinds = kind[owner]
        waits = self._waits(fall, rise, kinds, bare)
        unknown = requests.unknown[owner]
        address = np.where(unknown & _ADDRESS_BITS, NOT_KNOWN, requests.address[owner].astype(np.int32)) if self._has_address else None
        data = np.where(unknown & _DATA_BITS, NOT_KNOWN, requests.data[owner].astype(np.int16)) if self._has_data else None
        note = np.where((kinds == FETCH) & (requests.control[owner] & _HALT == 0), NOTE_INDEX["halt"], 0)
        none = np.full(len(owner), NOT_KNOWN)
        columns: list[_Column] = [
            start, count, fall, rise, kinds, waits,
            none if address is None else address, none if data is None else data,
            inferred[owner], np.where(in_reset, NOTE_INDEX["cut_short"], note), owner,
        ]  # fmt: skip
        if self._grants:
            columns = self._with_grants(columns, rises)
        laid = Columns(*columns)
        blind = self._breaks.behind(laid.fall, laid.rise)
        return ended(laid, self._latest, self._breaks, blind, self._calibration, self._has_data), laid.owner.astype(np.int64), blind

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
        reckoned = fall - np.round(at * t).astype(np.int64)
        if not self._calibration.counts_clock or not len(rises):
            return reckoned, np.zeros(len(fall), np.int64)
        whole = np.floor(at).astype(np.int64)
        # Expected this far behind a rising edge; accept half a clock either way.
        lead = ((at - whole + CLOCK_DELAY_T - 0.5) * t).astype(np.int64)
        index = np.searchsorted(rises, fall - lead, "right") - 1 - whole
        inside = np.clip(index, 0, len(rises) - 1)
        start = rises[inside] + np.round((index - inside) * t).astype(np.int64)
        if self._breaks.is_blind:  # CLK is not known there: the nearest edge that is may be far away
            start = np.where(self._breaks.in_blind(fall, fall), reckoned, start)
        return start, index + self._rises_base

    def _waits(
        self, fall: Int, rise: Int, kinds: npt.NDArray[np.uint8], bare: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.int64]:
        if not self._waits_known or self._t is None:
            return np.full(len(fall), NOT_KNOWN)
        nominal = np.where(bare, BARE_WIDTH[kinds], WIDTH[kinds])
        waits = np.maximum(np.round((rise - fall) / self._t - nominal), 0).astype(np.int64)
        waits[kinds == UNKNOWN] = NOT_KNOWN
        return waits

    def _carry(
        self, requests: Requests, refresh: npt.NDArray[np.bool_], whole: int, rises: Int, horizon: int | None
    ) -> None:
        """Keep what the next batch needs; horizon is the start of the first cycle that was not handed out."""
        if whole:
            self._is_first = False
            m1 = not int(requests.control[whole - 1]) & int(_M1)
            self._before = (int(requests.rise[whole - 1]), bool(refresh[whole - 1]), bool(self._timed[whole - 1]), m1)
            if whole >= TRUST_GROUP:
                self._trust = self._group_trusts[whole // TRUST_GROUP - 1]
        self._pending = [requests.select(slice(whole, None))] if whole < len(requests) else []
        limit = horizon if horizon is not None else NEVER
        self._grants = [grant for grant in self._grants if grant[0] >= limit]
        self._breaks.forget(limit)
        if len(rises):
            keep_from = max(0, int(np.searchsorted(rises, limit)) - 8)
            self._rises = [rises[keep_from:]]
            self._rises_base += keep_from
