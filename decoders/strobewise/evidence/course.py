"""What a run comes to: the reads and cycles at its end that are all alike, and starts at 0000h out of nowhere.

Sources: UM0080, instruction set (what leads to an address), reset; that a CPU which has lost its way reads one byte for ever: common
practice.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import MODE_1_ADDRESS, RESET_ADDRESS
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..cycles.table import CycleTable
from ..profile.options import Options
from ..records.course import AlikeReads, CourseRecord, LastRead, Tail, Walk
from ..records.evidence import BusEvidence
from .part import Part

_FETCH, _READ, _WRITE, _ACK = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "interrupt_acknowledge"))
_HALT, _NMI, _RESET = (NOTE_INDEX[note] for note in ("halt", "nmi_response", "after_reset"))
STARTS_KEPT = 4096  #: starts of the program that are kept: bounds memory in a capture of a machine that resets all the time
LOOK_BACK = 8  #: cycles of the longest instruction that could end behind FFFFh, and of one that repeats itself
_RELATIVE = (0x10, 0x18, 0x20, 0x28, 0x30, 0x38)  # DJNZ, JR
_TO_REGISTER, _RESTART_0 = 0xE9, 0xC7  # JP (HL), RST 00h
_NEAR_START = 4  #: fetched there just before, an instruction at 0000h repeats itself or is halted

Flags = npt.NDArray[np.bool_]
Rows = Sequence[tuple[int, int, int, int]]  #: (kind, address, data, note)


class _Run:
    """How many of the last items go on alike, block after block."""

    def __init__(self) -> None:
        self.count = 0
        self.start = 0

    def feed(self, alike: Flags, start: npt.NDArray[np.int64]) -> int:
        """Take items: whether each goes on as the one before. Returns the index of the first that the run counts, -1: an older one."""
        breaks = np.flatnonzero(~alike)
        if not len(breaks):
            if not self.count:
                self.start = int(start[0])
            self.count += len(alike)
            return -1
        first = int(breaks[-1]) + 1
        self.count = len(alike) - first
        if self.count:
            self.start = int(start[first])
        return first

    def record(self, tick_s: float) -> Tail:
        return Tail(self.count, self.start * tick_s if self.count else None)


class _AlikeRun(_Run):
    """The same of reads, with what they read."""

    def __init__(self, led: bool) -> None:
        """led: the read that breaks a run is the first of the next one, which goes on with what it gave."""
        super().__init__()
        self._led = led
        self._seen = np.zeros(65536, np.bool_)
        self._value = -1
        self._fetches = self._at_38 = 0
        self._before: LastRead | None = None

    def take(self, alike: Flags, reads: CycleTable, before: LastRead | None) -> None:
        """Take reads; before: the read before the first of them."""
        first = self.feed(alike, reads.start)
        if first >= 0:
            self._seen[:] = False
            self._fetches = self._at_38 = 0
            if self._led:
                first -= 1
                self.count += 1
                self.start = int(reads.start[first])
            self._before = _last_read(reads, first - 1) if first else before
        own = reads[max(first, 0) :]
        if len(own):
            self._value = int(own.data[-1])
            known = own.address[own.address >= 0]
            self._seen[known] = True
            fetched = own.kind == _FETCH
            self._fetches += int(np.count_nonzero(fetched))
            self._at_38 += int(np.count_nonzero(fetched & (own.address == MODE_1_ADDRESS)))

    def alike(self, tick_s: float) -> AlikeReads:
        addresses = int(np.count_nonzero(self._seen))
        start = self.start * tick_s if self.count else None
        return AlikeReads(self.count, start, self._value, addresses, self._fetches, self._at_38, self._before)


class _Walks:
    """The longest walks through memory that gives one byte, fetch by fetch; kept apart for 00h, which RAM may well hold."""

    def __init__(self) -> None:
        self._last: tuple[int, int, int, int] | None = None  #: address, byte and start of the walk under way, and its length
        self._address = -1  #: of the last fetch
        self.longest = [(0, 0, -1, -1), (0, 0, -1, -1)]  #: of 00h, of others: length, start, byte, first address

    def feed(self, fetches: CycleTable) -> None:
        """Take fetches whose address and byte are known."""
        if not len(fetches):
            return
        address, data = fetches.address, fetches.data
        goes_on = np.r_[False, (address[1:] == (address[:-1] + 1 & 0xFFFF)) & (data[1:] == data[:-1])]
        if self._last is not None:
            goes_on[0] = int(address[0]) == self._address + 1 & 0xFFFF and int(data[0]) == self._last[1]
        heads = np.flatnonzero(~goes_on)
        carried = int(heads[0]) if len(heads) else len(goes_on)
        if self._last is not None:
            first, value, start, count = self._last
            self._last = (first, value, start, count + carried)
            self._note(count + carried, start, value, first)
        if len(heads):
            lengths = np.diff(np.r_[heads, len(goes_on)])
            for zero in (True, False):
                some = np.flatnonzero((data[heads] == 0) == zero)
                if len(some):
                    k = int(some[lengths[some].argmax()])
                    self._note(int(lengths[k]), int(fetches.start[heads[k]]), int(data[heads[k]]), int(address[heads[k]]))
            k = int(heads[-1])
            self._last = (int(address[k]), int(data[k]), int(fetches.start[k]), len(goes_on) - k)
        self._address = int(address[-1])

    def _note(self, count: int, start: int, value: int, first: int) -> None:
        kind = int(value != 0)
        if count > self.longest[kind][0]:
            self.longest[kind] = (count, start, value, first)

    def record(self, zero: bool, tick_s: float) -> Walk:
        count, start, value, first = self.longest[0 if zero else 1]
        return Walk(count, start * tick_s, value, first) if count else Walk()


def _last_read(reads: CycleTable, at: int) -> LastRead:
    fetched = np.flatnonzero(reads.kind[: at + 1] == _FETCH)
    k = int(fetched[-1]) if len(fetched) else -1
    where, opcode = (int(reads.address[k]), int(reads.data[k])) if k >= 0 else (-1, -1)
    return LastRead(int(reads.address[at]), int(reads.data[at]), where, opcode)


class CoursePart(Part):
    """Collects :class:`CourseRecord`."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self._tick_s = tick_s
        self._data = captured.issuperset(DATA)
        self._whole = self._data and captured.issuperset(ADDRESS)
        self._same, self._echo = _AlikeRun(led=True), _AlikeRun(led=False)
        self._lonely, self._pushing = _Run(), _Run()
        self._last: LastRead | None = None
        self._left = -1  #: the byte that the last cycle left on the bus
        self._kinds = np.full(2, _READ, np.uint8)  # of the last two cycles
        self._values = np.zeros(256, np.bool_)
        self._reads = self._fetches = self._restarts = 0
        self._behind: list[tuple[int, int, int, int]] = []
        self._starts: list[int] = []
        self._returns: list[int] = []
        self._walks = _Walks()

    def feed(self, batch: Batch) -> None:
        """Take a batch of cycles."""
        cycles = batch.cycles
        if not len(cycles):
            return
        halted = cycles.note == _HALT
        fetch = cycles.kind == _FETCH
        self._fetches += int(np.count_nonzero(fetch))
        self._lonely.feed(fetch & ~halted, cycles.start)
        self._follow_pushes(cycles, fetch)
        if self._data:
            self._find_returns(cycles, fetch)
            self._follow_reads(cycles, (fetch | (cycles.kind == _READ)) & ~halted)
        if self._whole:
            self._find_starts(cycles, fetch)
            self._walks.feed(cycles[np.flatnonzero(fetch & ~halted & (cycles.data >= 0) & (cycles.address >= 0))])
        self._behind = (self._behind + _rows(cycles, max(0, len(cycles) - LOOK_BACK), len(cycles)))[-LOOK_BACK:]

    def _follow_pushes(self, cycles: CycleTable, fetch: Flags) -> None:
        """Follow fetches with two writes behind each: restarts, or pushes."""
        kind = np.concatenate([self._kinds, cycles.kind])
        write = kind == _WRITE
        plain = kind == _FETCH
        now, before, earlier = slice(2, None), slice(1, -1), slice(0, -2)
        fits = (plain[now] & (cycles.note != _NMI) & write[before] & write[earlier]) | (
            write[now] & (plain[before] | (write[before] & plain[earlier]))
        )
        first = self._pushing.feed(fits, cycles.start)
        if first >= 0:
            self._restarts = 0
        own = slice(max(first, 0), None)
        self._restarts += int(np.count_nonzero(fetch[own] & (cycles.data[own] >= 0) & (cycles.data[own] & 0xC7 == 0xC7)))
        self._kinds = kind[-2:]

    def _follow_reads(self, cycles: CycleTable, wanted: Flags) -> None:
        """Follow reads that give one byte, or what the bus carried before."""
        at = np.flatnonzero(wanted & (cycles.data >= 0))
        left = np.concatenate([[self._left], cycles.data[:-1]])
        self._left = int(cycles.data[-1])
        if not len(at):
            return
        reads = cycles[at]
        data = reads.data
        previous = np.concatenate([[-1 if self._last is None else self._last.data], data[:-1]])
        self._same.take(data == previous, reads, self._last)
        self._echo.take(data == left[at], reads, self._last)
        self._last = _last_read(reads, len(reads) - 1)
        self._values[data] = True
        self._reads += len(reads)

    def _find_starts(self, cycles: CycleTable, fetch: Flags) -> None:
        """Find the fetches of 0000h that nothing in the program leads to."""
        for k in np.flatnonzero(fetch & (cycles.address == RESET_ADDRESS)).tolist():
            if len(self._starts) >= STARTS_KEPT:
                break
            low = max(0, k - LOOK_BACK)
            before = _rows(cycles, low, k)
            before = (self._behind + before)[-LOOK_BACK:]
            if len(before) == LOOK_BACK and not led_to_start(before):
                self._starts.append(int(cycles.start[k]))

    def _find_returns(self, cycles: CycleTable, fetch: Flags) -> None:
        """Find the fetches of 0000h, for all that the addresses tell, to which a return from the stack led."""
        zero = np.r_[[row[0] == _READ and row[2] == 0 for row in self._last_two()], (cycles.kind == _READ) & (cycles.data == 0)]
        for k in np.flatnonzero(fetch & (cycles.address <= RESET_ADDRESS) & zero[1:-1] & zero[:-2]).tolist():
            before = (self._behind + _rows(cycles, max(0, k - LOOK_BACK), k))[-LOOK_BACK:]
            if returned_to_start(before) and len(self._returns) < STARTS_KEPT:
                self._returns.append(int(cycles.start[k]))

    def _last_two(self) -> Rows:
        """Return the two cycles before this batch."""
        return ([(_FETCH, 0, 0, 0)] * 2 + self._behind)[-2:]

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        tick_s = self._tick_s
        pushing = self._pushing.record(tick_s)
        evidence.course = CourseRecord(
            self._reads, int(np.count_nonzero(self._values)), self._same.alike(tick_s), self._echo.alike(tick_s),
            self._lonely.record(tick_s), Tail(pushing.count // 3, pushing.start_s), self._restarts, self._fetches,
            [tick * tick_s for tick in self._starts], [tick * tick_s for tick in self._returns], self._walks.record(False, tick_s),
            self._walks.record(True, tick_s),
        )  # fmt: skip


def _rows(cycles: CycleTable, low: int, high: int) -> list[tuple[int, int, int, int]]:
    part = cycles[low:high]
    return list(zip(part.kind.tolist(), part.address.tolist(), part.data.tolist(), part.note.tolist(), strict=True))


def led_to_start(before: Rows) -> bool:
    """Say whether the program may have led to a fetch of 0000h, or the bus does not tell.

    before: (kind, address, data, note) of the last LOOK_BACK cycles. Source: UM0080, instruction set.
    """
    for kind, address, data, _ in before:
        if address < 0 or data < 0 or kind == _ACK:
            return True
        if kind in (_FETCH, _READ) and address == 0xFFFF:
            return True  # PC counts on from there
        if kind == _FETCH and address < _NEAR_START:
            return True
    (kind, address, data, note), (kind_1, _, data_1, _), (kind_2, _, data_2, _), (_, _, data_3, _) = before[:-5:-1]
    if kind == _FETCH:
        return data == _TO_REGISTER and note != _HALT
    if kind == _READ:
        relative = kind_1 == _FETCH and data_1 in _RELATIVE and address + 1 + data - (data >> 7 << 8) & 0xFFFF == RESET_ADDRESS
        return relative or (kind_1 == _READ and data == data_1 == 0)
    if kind == kind_1 == _WRITE:  # RST 00h, CALL 0000h
        return (kind_2 == _FETCH and data_2 == _RESTART_0) or (kind_2 == _READ and data_2 == data_3 == 0)
    return False


def returned_to_start(before: Rows) -> bool:
    """Say whether a return led to a fetch of 0000h: its two reads gave 00h.

    before: as led_to_start takes. Source: UM0080, instruction set.
    """
    if len(before) < LOOK_BACK or any((kind, data) != (_READ, 0) for kind, _, data, _ in before[-2:]):
        return False
    (prefix, _, before_it, _), (kind, _, data, _) = before[-4:-2]
    plain = data == 0xC9 or data & 0xC7 == 0xC0
    return kind == _FETCH and (plain or (data in (0x45, 0x4D) and prefix == _FETCH and before_it == 0xED))


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> CoursePart | None:
    """Return the part where strobes tell fetches from reads and writes."""
    return CoursePart(captured, tick_s) if "MREQ" in captured or captured.issuperset(("RD", "WR")) else None
