"""Fetches, and returns, from memory that nothing has written since the reset, where it is known to be RAM: a CPU that has lost its way.

RAM is what the profile calls so; without one, a page in which a byte that was written came back, where another had been before. What is
written later as it was fetched is no RAM for all that: boot programs copy a ROM onto the RAM under it (common practice).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import RESET_ADDRESS
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..cycles.table import NOT_KNOWN
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.unwritten import Unwritten
from .memory import returned
from .part import Part
from .unseen import hidden_writes, may_write, surely_told

_FETCH, _WRITE, _GRANTED = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_write", "bus_granted"))
_RESET, _HALT = NOTE_INDEX["after_reset"], NOTE_INDEX["halt"]
_NEVER = np.iinfo(np.int64).max
RETURNS_KEPT = 256  #: returns from where nothing was written, of which those from RAM count
RIGHT = 8  #: bytes of a page that came back as they were written, from which on it is RAM

Times = npt.NDArray[np.int64]


class UnwrittenPart(Part):
    """Collects :class:`Unwritten`."""

    def __init__(self, tick_s: float, has_rom_disable: bool = False) -> None:
        self._tick_s = tick_s
        self._rom_disable = np.uint16(1 << BIT["ROMDIS"]) if has_rom_disable else None
        self._returns: list[tuple[int, int]] = []  #: (start, address) of the first byte
        self._armed = self._begun = False
        self._hidden = _NEVER  #: from then on something may have been written unseen
        self._fetched, self._written = np.full(65536, _NEVER, np.int64), np.full(65536, _NEVER, np.int64)
        self._byte, self._stored = np.full(65536, -1, np.int16), np.full(65536, -1, np.int16)
        self._before = np.full(65536, -1, np.int32)
        self._last = -1

    def feed(self, batch: Batch) -> None:
        """Take a batch of cycles."""
        cycles = surely_told(batch)
        first = 0
        if not self._armed:
            resets = np.flatnonzero(cycles.note == _RESET)
            begins = not self._begun and len(cycles) > 0 and cycles.kind[0] == _FETCH and cycles.address[0] == RESET_ADDRESS
            self._begun = self._begun or len(cycles) > 0
            if not len(resets) and not begins:
                return
            first, self._armed = 0 if begins else int(resets[0]), True
        table = cycles[first:]
        hidden = hidden_writes(table, None if batch.blind is None else batch.blind[first:])
        if hidden is not None:
            self._hidden = min(self._hidden, int(table.start[hidden.argmax()]))
        known = (table.address >= 0) & (table.data >= 0)
        own = known  #: what the machine's own memory gave, for all that is known
        if self._rom_disable is not None:
            rows = np.flatnonzero(known & (table.kind != _GRANTED))
            own = np.zeros(len(table), np.bool_)
            own[rows] = batch.requests.control[batch.request_of_cycle[first:][rows]] & self._rom_disable == 0
        writes = may_write(table.kind) & (table.address >= 0)
        stored = np.where(table.kind == _WRITE, table.data, NOT_KNOWN).astype(np.int16)
        self._note(table.start, table.address, stored, np.flatnonzero(writes), self._written, self._stored)
        back = returned(table.kind, table.data)
        low = np.flatnonzero(own & back & np.r_[back[1:], False] & ~np.r_[False, back[:-1]])
        low = low[self._written[table.address[low]] > table.start[low]][: RETURNS_KEPT - len(self._returns)]
        self._returns.extend(zip(table.start[low].tolist(), table.address[low].tolist(), strict=True))
        fetches = np.flatnonzero(own & (table.kind == _FETCH) & (table.note != _HALT))
        if not len(fetches):
            return
        address = table.address[fetches]
        before = np.concatenate([[self._last], address[:-1]])
        new = self._fetched[address] == _NEVER
        self._before[address[new][::-1]] = before[new][::-1]
        self._note(table.start, table.address, table.data, fetches[new], self._fetched, self._byte)
        self._last = int(address[-1])

    @staticmethod
    def _note(
        start: Times, address: npt.NDArray[np.int32], data: npt.NDArray[np.int16], rows: npt.NDArray[np.intp], times: Times,
        bytes_: npt.NDArray[np.int16],
    ) -> None:  # fmt: skip
        """Keep the first time and byte of each address that has none yet; rows: in order of time."""
        rows = rows[times[address[rows]] == _NEVER][::-1]  # of several the last assignment stays: the earliest
        times[address[rows]] = start[rows]
        bytes_[address[rows]] = data[rows]

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        if not self._armed:
            return
        ram = _ram(evidence)
        told = (self._stored >= 0) | (self._written == _NEVER)  # else what was written there is not known
        odd = np.flatnonzero(ram & told & (self._fetched < np.minimum(self._written, self._hidden)) & (self._byte != self._stored))
        returns = [(start, address) for start, address in self._returns if ram[address] and start < self._hidden]
        back = (len(returns), returns[0][0] * self._tick_s, returns[0][1]) if returns else (0, None, -1)
        if not len(odd):
            evidence.unwritten = Unwritten(0, -1, None, -1, *back)
            return
        first = int(odd[self._fetched[odd].argmin()])
        evidence.unwritten = Unwritten(len(odd), first, float(self._fetched[first] * self._tick_s), int(self._before[first]), *back)


def _ram(evidence: BusEvidence) -> npt.NDArray[np.bool_]:
    """Return which addresses are RAM."""
    ram = np.zeros(65536, np.bool_)
    if evidence.regions:
        for region in evidence.regions:
            ram[region.start : region.end + 1] = region.kind == "ram"
        return ram
    for page in evidence.memory.pages if evidence.memory is not None else ():
        ram[page.start : page.end + 1] = page.compared - page.wrong >= max(RIGHT, page.wrong)
    return ram


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> UnwrittenPart | None:
    """Return the part where both buses and the strobes were captured, and nothing switches memory that is not told."""
    return UnwrittenPart(tick_s, "ROMDIS" in captured) if captured.issuperset(("MREQ", "RD", "WR", "RESET", *ADDRESS, *DATA)) else None
