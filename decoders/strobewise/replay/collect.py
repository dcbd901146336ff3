"""Keeps a program's first cycles, with the levels that the leads showed in each."""

from __future__ import annotations

from typing import List, Optional

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import NOTE_INDEX
from ..bus.units import NEVER
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.pipeline import Onlooker
from ..records.evidence import BusEvidence
from .observed import ANY, FETCH, GRANTED, NOT_KNOWN, PAUSE, RESET, SILENCE, Observed

MOST_CYCLES = 12_000  #: kept from the begin of the program on: some 10 ms of bus
COARSE_SAMPLES = 8.0  #: samples per T-state below which a cycle's length is off by one now and then, where the clock itself is not counted
SILENT_T = 1000.0  #: a capture whose first request comes later than this shows the machine coming out of reset, or out of power
PAUSE_T = 6.0  #: a shorter pause may be a bus grant as well: the program's rhythm has to say so too
BROKEN_T = 10  #: a first cycle at least this long was broken off by the reset that it stood in
_CUT = NOTE_INDEX["cut_short"]
_RESET_BIT = np.uint64(1 << BIT["RESET"])
Rows = npt.NDArray[np.int64]  #: a cycle a row: see Cycles.feed
_INPUTS = ("INT", "NMI", "WAIT", "BUSREQ")


class Cycles(Onlooker):
    """Collects `Observed`, batch by batch."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self._captured, self._tick_s = captured, tick_s
        self._rows: List[npt.NDArray[np.int64]] = []
        self._count = 0
        self._releases: List[int] = []  # ticks at which /RESET rose
        self._falls: List[int] = []
        self._level: Optional[bool] = None
        self._low = 0
        self._first_tick: Optional[int] = None
        self._address_mask = sum(1 << i for i, name in enumerate(ADDRESS) if name in captured)
        self._data_mask = sum(1 << i for i, name in enumerate(DATA) if name in captured)

    def block(self, block: Block) -> None:
        """Look for the edges of /RESET."""
        if not len(block.times):
            return
        if self._first_tick is None:
            self._first_tick = int(block.times[0])
        self._low |= int(np.bitwise_or.reduce(~block.words))
        if "RESET" not in self._captured:
            return
        high = block.words & _RESET_BIT != 0
        before = np.concatenate(([high[0] if self._level is None else self._level], high[:-1]))
        self._level = bool(high[-1])
        self._releases += block.times[high & ~before].tolist()
        self._falls += block.times[~high & before].tolist()

    def feed(self, batch: Batch) -> None:
        """Keep a batch's cycles."""
        cycles = batch.cycles
        if not len(cycles) or (self._count >= MOST_CYCLES and not self._restarted_after(int(cycles.start[0]))):
            return
        if self._releases and self._count and self._falls and self._rows[0][0, 0] < self._releases[0]:
            self._drop_before(self._releases[0])
        owner = batch.request_of_cycle
        of = np.maximum(owner, 0)
        requests = batch.requests

        def of_request(values: npt.NDArray[np.generic]) -> Rows:
            return values[of].astype(np.int64) if len(values) else np.zeros(len(of), np.int64)  # cycles of no request at all

        data_mask = np.where((owner < 0) | (of_request(requests.unknown) != 0), 0, self._data_mask)
        columns = [
            cycles.start, cycles.end, cycles.kind, cycles.t_states, cycles.wait_states, of_request(requests.address),
            of_request(requests.data), data_mask, of_request(requests.control), cycles.note, of_request(requests.after),
        ]  # fmt: skip
        rows = np.array(columns, np.int64).T
        self._rows.append(rows[: MOST_CYCLES])
        self._count += len(rows)

    def take(self, rows: npt.NDArray[np.int64]) -> None:
        """Keep cycles that were found some other way; columns as `feed` makes them."""
        if len(rows):
            self._rows.append(rows[:MOST_CYCLES])
            self._count += len(rows)

    def _restarted_after(self, tick: int) -> bool:
        """Whether a first reset came only now, so that what was kept is of no use."""
        if self._releases and self._rows and self._rows[-1][-1, 0] < self._releases[0]:
            self._rows, self._count = [], 0
            return True
        return False

    def _drop_before(self, tick: int) -> None:
        rows = np.concatenate(self._rows)
        rows = rows[rows[:, 0] >= tick]
        self._rows, self._count = ([rows], len(rows)) if len(rows) else ([], 0)

    def observed(self, evidence: BusEvidence) -> Observed:
        """Return the cycles from the first reset on."""
        seen = Observed(self._captured, address_mask=self._address_mask)
        seen.asserted = {name: bool(self._low >> BIT[name] & 1) for name in _INPUTS if name in self._captured}
        seen.truncated = self._count > MOST_CYCLES
        samples = evidence.samples_per_t
        seen.coarse = evidence.clock.source != "CLK" and (samples is None or samples < COARSE_SAMPLES)
        if not self._rows:
            return seen
        rows = np.concatenate(self._rows)[:MOST_CYCLES]
        rows = self._from_reset(rows, seen, 1.0 / evidence.clock.hz / self._tick_s if evidence.clock.hz else None)
        self._fill(rows, seen)
        return seen

    def _from_reset(self, rows: Rows, seen: Observed, t_ticks: Optional[float]) -> Rows:
        """Cut off what lies before the first reset, and say how that was found."""
        slack = int((t_ticks or 0) * 2)
        if self._releases:
            rows = rows[rows[:, 0] >= self._releases[0] - slack]
            seen.found_by = RESET
            return rows
        if not len(rows) or self._first_tick is None or not t_ticks:
            return rows
        silent = (rows[0, 0] - self._first_tick) / t_ticks
        head = rows[:3]
        broken = np.flatnonzero((head[:, 3] >= BROKEN_T) | (head[:, 1] - head[:, 0] >= BROKEN_T * t_ticks))
        if silent >= SILENT_T:
            seen.found_by = SILENCE
        elif silent >= PAUSE_T or len(broken):
            seen.found_by = PAUSE
        if len(broken) and seen.address_mask != 0xFFFF:
            return rows[int(broken[-1]) + 1 :]
        return rows

    def _fill(self, rows: Rows, seen: Observed) -> None:
        """Turn the rows into lists; resets and grants become marks between them."""
        released = self._releases[1:] if self._releases else []
        fell = [tick for tick in self._falls if not self._releases or tick > self._releases[0]]
        keep = np.ones(len(rows), np.bool_)
        kind, t_states, waits, note = rows[:, 2].copy(), rows[:, 3].copy(), rows[:, 4].copy(), rows[:, 9]
        for tick in fell:  # the cycles that a reset broke off, and those before its end
            end = next((up for up in released if up > tick), NEVER)
            keep &= ~((rows[:, 0] >= tick) & (rows[:, 0] < end))
            last = int(np.searchsorted(rows[:, 0], tick)) - 1
            if last >= 0:
                kind[last], t_states[last] = ANY, NOT_KNOWN
        granted = rows[:, 2] == GRANTED
        t_states[:-1][granted[1:]] = NOT_KNOWN
        kind[note == _CUT] = ANY
        known = t_states != NOT_KNOWN
        less = np.where(known, t_states - np.maximum(waits, 0), NOT_KNOWN)
        less[less < 0] = NOT_KNOWN
        keep &= ~granted
        index = np.cumsum(keep) - 1  # the new place of each row
        seen.grants = sorted({int(index[i]) + 1 for i in np.flatnonzero(granted)})
        starts = rows[keep, 0]
        seen.resets = sorted({int(np.searchsorted(starts, tick)) for tick in released})
        rows = rows[keep]
        seen.kinds, seen.t_states, seen.waits = kind[keep].tolist(), less[keep].tolist(), waits[keep].tolist()
        seen.address, seen.data, seen.data_mask, seen.control, seen.after = (rows[:, column].tolist() for column in (5, 6, 7, 8, 10))
        seen.start_s = (rows[:, 0] * self._tick_s).tolist()
        seen.last_s = float(rows[-1, 1] * self._tick_s) if len(rows) else 0.0


def first_fetches(seen: Observed, count: int) -> List[int]:
    """Return the first cycles that are opcode fetches."""
    return [row for row, kind in enumerate(seen.kinds[:8]) if kind == FETCH][:count]
