"""Reads that differ from what stands there, one by one, among others that are right.

A byte must come as it was written, or as it was read before (common practice). Whole stretches that differ are another memory, paged in;
what another bus master may have written since, and what an expansion device gives in place of the ROM, is not compared.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import KIND_INDEX
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..cycles.table import NOT_KNOWN, CycleTable
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.odd_reads import OddRead, OddReads
from .part import Part
from .unseen import hidden_writes, may_write, surely_told

_FETCH, _READ, _WRITE, _GRANTED = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "bus_granted"))
KEPT = 64  #: of each sort
TOGETHER = 2  #: that differ one behind the other: the two bytes of a word; more of them are another memory
ENOUGH = 4096  #: that differ, from which on a few are not the question

Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


class OddReadsPart(Part):
    """Collects :class:`OddReads`."""

    def __init__(self, tick_s: float, has_rom_disable: bool) -> None:
        self._tick_s = tick_s
        self._rom_disable = np.uint16(1 << BIT["ROMDIS"]) if has_rom_disable else None
        self._content = np.full(65536, -1, np.int16)
        self._stored = np.zeros(65536, np.bool_)
        self._differed = np.zeros(65536, np.bool_)  #: in the last access of each address
        self._when = np.full(65536, -1, np.int64)
        self._granted = -1  #: when another master had the bus last
        self._wrong = 0
        self._open: list[tuple[bool, OddRead]] = []  #: the last reads, where they differ
        self._record = OddReads()

    def feed(self, batch: Batch) -> None:
        """Take a batch of cycles."""
        self.take(surely_told(batch), lambda rows: batch.requests.control[batch.request_of_cycle[rows]], batch.blind)

    def take(
        self, cycles: CycleTable, control: Callable[[npt.NDArray[np.intp]], npt.NDArray[np.uint16]], blind: Flags | None = None
    ) -> None:
        """Take cycles; control: returns the control lines in rows. blind: see Batch."""
        kind, write = cycles.kind, may_write(cycles.kind)
        hidden = hidden_writes(cycles, blind)
        given = kind == _GRANTED if hidden is None else (kind == _GRANTED) | hidden  # as bad as another master
        granted = np.maximum.accumulate(np.where(given, cycles.end, self._granted)) if given.any() else np.full(len(kind), self._granted)
        # What was written while a data line was not known is not known either, and no read is held against what stood there before.
        wanted = (cycles.address >= 0) & (write | ((cycles.data >= 0) & ((kind == _FETCH) | (kind == _READ))))
        rows = np.flatnonzero(wanted)
        if self._rom_disable is not None:
            rows = rows[control(rows) & self._rom_disable == 0]
        if len(rows) and self._wrong < ENOUGH:
            data = np.where(write & (kind != _WRITE), NOT_KNOWN, cycles.data).astype(np.int16)
            address = cycles.address[rows].astype(np.uint16)
            self._compare(address, data[rows], write[rows], cycles.start[rows], granted[rows].astype(np.int64))
        if len(granted):
            self._granted = int(granted[-1])

    def _compare(self, address: npt.NDArray[np.uint16], data: npt.NDArray[np.int16], write: Flags, time: Ints, granted: Ints) -> None:
        """Compare each read with the access before it at the same address; the arrays are in order of time."""
        order = np.argsort(address, kind="stable")
        own, wrote = address[order], write[order]
        first = np.r_[True, own[1:] != own[:-1]]
        last = np.r_[first[1:], True]
        before = np.r_[0, order[:-1]]
        expected = np.where(first, self._content[own], data[before])
        when = np.where(first, self._when[own], time[before])
        sure = ~wrote & (expected >= 0) & (when >= granted[order])
        differs = sure & (expected != data[order])
        # Behind one that differs the next may well differ from it, where it gives the right byte again.
        again = np.where(first, self._differed[own], np.r_[False, differs[:-1]])
        self._record.compared += int(np.count_nonzero(sure))
        state = np.zeros(len(order), np.int8)
        state[order[sure & ~differs]], state[order[differs & ~again]] = 1, 2
        writes = np.cumsum(wrote)
        start = np.flatnonzero(first)
        inside: Ints = writes - np.repeat(writes[start] - wrote[start], np.diff(np.r_[start, len(own)]))  # up to and with each
        stored = self._stored[own] | (inside - wrote > 0)
        found = np.flatnonzero(differs & ~again)
        if len(found) or self._open:
            details = {int(order[k]): (bool(stored[k]), int(expected[k])) for k in found[:ENOUGH].tolist()}
            self._single_out(state, address, data, time, details)
        self._content[own[last]], self._when[own[last]] = data[order[last]], time[order[last]]
        self._stored[own[last]] |= inside[last] > 0
        self._differed[own[last]] = differs[last]

    def _single_out(
        self, state: npt.NDArray[np.int8], address: npt.NDArray[np.uint16], data: npt.NDArray[np.int16], time: Ints,
        details: dict[int, tuple[bool, int]],
    ) -> None:  # fmt: skip
        """Walk over the reads that differ, in order of time, and note those that stand alone."""
        compared = np.flatnonzero(state)
        place = -2
        for at in np.flatnonzero(state[compared] == 2).tolist():
            row = int(compared[at])
            if at != place + 1 and not (at == 0 and place == -2):
                self._close()
            place = at
            if row in details:
                stored, expected = details[row]
                self._wrong += 1
                if len(self._open) <= TOGETHER:
                    self._open.append((stored, OddRead(float(time[row] * self._tick_s), int(address[row]), expected, int(data[row]))))
        if len(compared) and place != len(compared) - 1:
            self._close()

    def _close(self) -> None:
        """End a run of reads that differ."""
        run, self._open = self._open, []
        for stored, odd in run:
            kept = self._record.stored if stored else self._record.kept
            if len(run) <= (TOGETHER if stored else 1) and len(kept) < KEPT:
                kept.append(odd)

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.odd_reads = self.record()

    def record(self) -> OddReads:
        """Return the record."""
        self._close()
        return self._record


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> OddReadsPart | None:
    """Return the part where both buses were captured."""
    return OddReadsPart(tick_s, "ROMDIS" in captured) if captured.issuperset((*ADDRESS, *DATA)) else None
