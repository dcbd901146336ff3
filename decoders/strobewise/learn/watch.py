"""What a healthy capture shows of its machine: bytes, ports, wait states, and which fetches a line answers to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import KIND_INDEX
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.table import CycleTable
from ..evidence.part import Part
from ..profile.options import Options
from ..records.evidence import BusEvidence

ANSWER_T = 16.0  #: T-states behind the start of a fetch within which a line is taken to answer it
PAGE = 0x100  #: memory is told page by page: chips begin and end at far rounder addresses
NOTHING = -1  #: no byte was read there
TWO_VALUES = -2  #: more than one byte was
WAITED_IN = ("opcode_fetch", "memory_read", "memory_write", "io_read", "io_write")
MOVES_T = 2.0  #: T-states into a cycle by which it is decided who answers it: data move in T3 (UM0080)
PAGING_LINE = "ROMDIS"
_FETCH, _READ, _WRITE, _IN, _OUT = (
    KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "io_read", "io_write")
)
Flags = npt.NDArray[np.bool_]


@dataclass
class Seen:
    """What one capture, or several, showed."""

    fetched: Flags = field(default_factory=lambda: np.zeros(0x10000, np.bool_))
    read: Flags = field(default_factory=lambda: np.zeros(0x10000, np.bool_))
    written: Flags = field(default_factory=lambda: np.zeros(0x10000, np.bool_))
    kept: Flags = field(default_factory=lambda: np.zeros(0x10000, np.bool_))  #: gave back what had been written
    lost: Flags = field(default_factory=lambda: np.zeros(0x10000, np.bool_))  #: gave another byte than had been written
    #: what each address gave while it was never written: a byte, NOTHING, or TWO_VALUES
    byte: npt.NDArray[np.int16] = field(default_factory=lambda: np.full(0x10000, NOTHING, np.int16))
    ports_read: Counter[int] = field(default_factory=Counter)  #: low byte of the address -> times
    ports_written: Counter[int] = field(default_factory=Counter)
    waits: dict[str, Counter[int]] = field(default_factory=dict)  #: kind -> wait states -> cycles
    answered: Counter[int] = field(default_factory=Counter)  #: address of a fetch -> times that the line answered it
    passed: Counter[int] = field(default_factory=Counter)  #: address of a fetch -> times that it did not, although it was at rest
    let_go: Counter[int] = field(default_factory=Counter)  #: address of the fetch at which the line went back -> times
    longest_answer_t: float = 0.0
    addresses: bool = False  #: all address lines were captured
    data: bool = False
    line_captured: bool = False

    def add(self, other: Seen) -> None:
        """Add what another capture of the same machine showed."""
        self.fetched |= other.fetched
        self.read |= other.read
        self.written |= other.written
        self.kept |= other.kept
        self.lost |= other.lost
        _join_bytes(self.byte, np.arange(0x10000), other.byte)
        for name in ("ports_read", "ports_written", "answered", "passed", "let_go"):
            getattr(self, name).update(getattr(other, name))
        for kind, counts in other.waits.items():
            self.waits.setdefault(kind, Counter()).update(counts)
        self.longest_answer_t = max(self.longest_answer_t, other.longest_answer_t)
        self.addresses |= other.addresses
        self.data |= other.data
        self.line_captured |= other.line_captured

    def rom_bytes(self) -> npt.NDArray[np.int16]:
        """Return the bytes of addresses that were never written, or in vain; NOTHING where none was seen, TWO_VALUES where they changed."""
        found: npt.NDArray[np.int16] = np.where(self.written & ~self.lost, np.int16(TWO_VALUES), self.byte)
        return found


def _join_bytes(known: npt.NDArray[np.int16], at: npt.NDArray[np.int64], values: npt.NDArray[np.int16]) -> None:
    """Put bytes to their addresses; an address that has another one already has two."""
    at, values = at[values != NOTHING], values[values != NOTHING]
    before = known[at]
    known[at] = np.where((before == NOTHING) | (before == values), values, np.int16(TWO_VALUES))
    differing = at[known[at] != values]  # the same address more than once, with more than one value
    known[differing] = TWO_VALUES


class Learner(Part):
    """A part that looks on, and fills a record of its own."""

    def __init__(self) -> None:
        self.seen = Seen()
        self._t = 0.0
        self._stored = np.full(0x10000, NOTHING, np.int16)  #: the byte that was written last
        self._bit: np.uint64 | None = None
        self._level: int | None = None
        self._edges: list[tuple[int, int]] = []  #: time and level of each edge of the line, ahead of the cycles

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> Learner:
        """Take note of the capture that is being opened."""
        self.seen.addresses, self.seen.data = captured.issuperset(ADDRESS), captured.issuperset(DATA)
        self.seen.line_captured = PAGING_LINE in captured
        self._bit = np.uint64(BIT[PAGING_LINE]) if PAGING_LINE in captured else None
        return self

    def settled(self, calibration: Calibration) -> None:
        """Take the time base."""
        self._t = calibration.t_ticks or 0.0

    def block(self, block: Block) -> None:
        """Note the edges of the line that a paging device drives."""
        if self._bit is None or not len(block.times):
            return
        levels = (block.words >> self._bit & np.uint64(1)).astype(np.int8)
        before = np.concatenate([[levels[0] if self._level is None else self._level], levels[:-1]])
        at = np.flatnonzero(levels != before)
        self._edges += zip(block.times[at].tolist(), levels[at].tolist(), strict=True)
        self._level = int(levels[-1])

    def feed(self, batch: Batch) -> None:
        """Take some machine cycles."""
        table, seen = batch.cycles, self.seen
        memory = np.isin(table.kind, (_FETCH, _READ)) & (table.address >= 0)
        for flags, kinds in ((seen.fetched, (_FETCH,)), (seen.read, (_READ,)), (seen.written, (_WRITE,))):
            flags[table.address[np.isin(table.kind, kinds) & (table.address >= 0)]] = True
        quiet = memory & (table.data >= 0) & (table.note == 0) & ~self._overlaid(table)
        _join_bytes(seen.byte, table.address[quiet].astype(np.int64), table.data[quiet].astype(np.int16))
        self._compare(table, quiet)
        for kind, ports in ((_IN, seen.ports_read), (_OUT, seen.ports_written)):
            ports.update((table.address[(table.kind == kind) & (table.address >= 0)] & 0xFF).tolist())
        for name in WAITED_IN:
            waits = table.wait_states[(table.kind == KIND_INDEX[name]) & (table.wait_states >= 0)]
            if len(waits):
                seen.waits.setdefault(name, Counter()).update(waits.tolist())
        if self._bit is not None and self._t:
            self._answers(table)

    def _compare(self, table: CycleTable, reads: Flags) -> None:
        """Hold what is read against what was written there; where a page is known to keep what is written, no more."""
        seen = self.seen
        writes = (table.kind == _WRITE) & (table.address >= 0) & (table.data >= 0)
        open_pages = ~np.logical_or.reduce(seen.kept.reshape(-1, PAGE), axis=1)
        at = np.flatnonzero((writes | reads) & open_pages[np.maximum(table.address, 0) // PAGE])
        at = at[np.argsort(table.address[at], kind="stable")]  # address by address, in order of time
        address, data, write = table.address[at], table.data[at], writes[at]
        place = np.arange(len(at))
        first = np.searchsorted(address, address)  # of the same address
        last = np.maximum.accumulate(np.where(write, place, -1))
        stored = np.where(last >= first, data[np.maximum(last, 0)], self._stored[address])
        known = ~write & (stored != NOTHING)
        seen.kept[address[known & (data == stored)]] = True
        seen.lost[address[known & (data != stored)]] = True
        ends = np.flatnonzero(np.append(address[1:] != address[:-1], len(at) > 0)[: len(at)])
        written = ends[last[ends] >= first[ends]]
        self._stored[address[written]] = data[last[written]]

    def _overlaid(self, table: CycleTable) -> Flags:
        """Say which cycles a paging device answers in place of the machine's own memory: its bytes are not those of the ROM."""
        if self._bit is None or not self._t:
            return np.zeros(len(table), np.bool_)
        times = np.array([time for time, _ in self._edges], np.int64)
        levels = np.array([1 - self._edges[0][1] if self._edges else self._level or 0, *(level for _, level in self._edges)])
        found: Flags = levels[np.searchsorted(times, table.start + int(MOVES_T * self._t), "right")] != 0
        return found

    def _answers(self, table: CycleTable) -> None:
        """Find for each edge of the line the fetch that it followed; edges behind the last fetch wait for the next batch."""
        fetches = np.flatnonzero((table.kind == _FETCH) & (table.address >= 0))
        if not len(fetches):
            return
        starts, addresses = table.start[fetches], table.address[fetches]
        until = int(table.start[-1])
        edges = [edge for edge in self._edges if edge[0] < until]
        self._edges = self._edges[len(edges) :]
        answered = np.zeros(len(starts), np.bool_)
        active = np.zeros(len(starts), np.bool_)
        for number, (time, level) in enumerate(edges):
            place = int(np.searchsorted(starts, time, "right")) - 1
            if level:
                end = edges[number + 1][0] if number + 1 < len(edges) else until
                active |= (starts > time) & (starts < end)
            if place < 0:
                continue
            address, after = int(addresses[place]), (time - int(starts[place])) / self._t
            if level and after <= ANSWER_T:
                self.seen.answered[address] += 1
                self.seen.longest_answer_t = max(self.seen.longest_answer_t, after)
                answered[place] = True
            elif not level:
                self.seen.let_go[address] += 1
        self.seen.passed.update(addresses[~answered & ~active].tolist())

    def fill(self, evidence: BusEvidence) -> None:
        """Leave the evidence as it is: this part is asked itself."""
