"""What memory gave back: reads against earlier writes, reads against ROM images, and a map of the 64 K address space.

All per batch with arrays: accesses sorted by address, so that each read stands behind the access to the same address before it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from bitarray import bitarray

from ..bus.lines import ADDRESS, BIT, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import MODE_1_ADDRESS
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import distinct
from ..cycles.engine import Batch
from ..cycles.table import NOT_KNOWN, CycleTable
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.memory import Levels, MemoryRecord, Popped, ReadBack
from .own_bytes import own_bytes
from .part import Part
from .rom_images import RomPart, bit_sums, likeliest_versions, rom_images
from .unseen import hidden_writes, may_write, surely_told

PAGE_BITS = 10  #: pages of 1 KB: small enough for any board's decoding, large enough to count in
PAGES = 1 << (16 - PAGE_BITS)
POPPED_KEPT = 64  #: differing return addresses that are kept: the finding names the first ones
SAMPLES_KEPT = 4096  #: mismatches kept one by one, for the hypotheses about address lines

_FETCH, _READ, _WRITE = KIND_INDEX["opcode_fetch"], KIND_INDEX["memory_read"], KIND_INDEX["memory_write"]
_IO_READ, _IO_WRITE = KIND_INDEX["io_read"], KIND_INDEX["io_write"]

Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


class MemoryPart(Part):
    """Collects :class:`MemoryRecord`."""

    def __init__(self, options: Options, tick_s: float, has_rom_disable: bool) -> None:
        self._tick_s = tick_s
        self._rom_disable = np.uint16(1 << BIT["ROMDIS"]) if has_rom_disable else None
        self._content = np.full(65536, -1, np.int16)
        self._was_write = np.zeros(65536, np.bool_)
        self._stale: Flags | None = None  #: what may have been overwritten unseen since, None: nothing anywhere
        self._fetched, self._read, self._written, self._mismatched = (np.zeros(65536, np.bool_) for _ in range(4))
        self._counts = np.zeros((PAGES, 8, 4), np.int64)
        self._compared, self._wrong, self._read_ff = (np.zeros(PAGES, np.int64) for _ in range(3))
        self._first, self._last = np.full(PAGES, -1, np.int64), np.full(PAGES, -1, np.int64)
        self._page_or = np.zeros(PAGES, np.uint8)
        self._page_and = np.full(PAGES, 0xFF, np.uint8)
        self._page_reads = np.zeros(PAGES, np.int64)
        self._io, self._writes = Levels(), Levels()
        self._samples: list[tuple[int, int, int]] = []  # (address, expected, got)
        self._reads = self._ff = self._zero = self._at_38 = self._fetches = 0
        self._repeated = self._unstable = 0
        self._values = np.zeros(256, np.int64)
        self._unstable_bits = np.zeros(8, np.int64)
        self._popped = 0
        self._popped_wrong: list[Popped] = []
        self._roms = [RomPart(name, address, content) for name, address, content in rom_images(options)]

    def feed(self, batch: Batch) -> None:
        """Take a batch of cycles."""
        self.take(surely_told(batch), lambda rows: self._switched_off(batch, rows), batch.blind)

    def take(self, cycles: CycleTable, switched_off: Callable[[npt.NDArray[np.intp]], Flags], blind: Flags | None = None) -> None:
        """Take cycles; switched_off: says for which rows an expansion device had switched the host's ROM off. blind: see Batch."""
        known = (cycles.data >= 0) & (cycles.address >= 0)
        kind = cycles.kind
        io = known & ((kind == _IO_READ) | (kind == _IO_WRITE))
        if io.any():
            _add(self._io, cycles.data[io & (kind == _IO_READ)].astype(np.uint8))
        memory = np.flatnonzero(known & ((kind == _FETCH) | (kind == _READ) | (kind == _WRITE)))
        if len(memory):
            self._count_all(cycles, memory, switched_off)
        self._compare_all(cycles, memory, hidden_writes(cycles, blind))

    def _count_all(self, cycles: CycleTable, memory: npt.NDArray[np.intp], switched_off: Callable[[npt.NDArray[np.intp]], Flags]) -> None:
        """Count accesses in these rows, of which all is known."""
        kind = cycles.kind
        address = cycles.address[memory].astype(np.uint16)
        data = cycles.data[memory].astype(np.uint8)
        write = kind[memory] == _WRITE
        fetch = kind[memory] == _FETCH
        time = cycles.start[memory]
        _add(self._writes, data[write])
        reads = data[~write]
        thrown_away = cycles.note[memory][~write] == NOTE_INDEX["halt"]  # a halted CPU reads one byte for ever
        if thrown_away.any():
            reads = reads[~thrown_away]
        self._reads += len(reads)
        self._values += np.bincount(reads, minlength=256)
        self._ff += int(np.count_nonzero(reads == 0xFF))
        self._zero += int(np.count_nonzero(reads == 0))
        self._fetches += int(np.count_nonzero(fetch))
        self._at_38 += int(np.count_nonzero(fetch & (address == MODE_1_ADDRESS)))
        self._fetched[address[fetch]] = True
        self._read[address[~write]] = True
        self._written[address[write]] = True
        if self._roms:
            own = ~write & ~switched_off(memory)
            for rom in self._roms:
                rom.feed(address[own], data[own], time[own])

    def _compare_all(self, cycles: CycleTable, memory: npt.NDArray[np.intp], hidden: Flags | None) -> None:
        """Compare accesses in these rows; a byte written while a data line was not known takes the place of what stood there, too.

        hidden: cycles behind which any byte may be another (unseen.py).
        """
        write, data = may_write(cycles.kind), cycles.data
        unknown = np.flatnonzero(write & (cycles.address >= 0) & ((cycles.kind != _WRITE) | (data < 0)))
        rows = memory
        if len(unknown):
            rows, data = np.sort(np.concatenate([memory, unknown])), data.copy()
            data[unknown] = NOT_KNOWN
        address = cycles.address[rows].astype(np.uint16)
        order = np.argsort(address, kind="stable")
        rows, popped = rows[order], returned(cycles.kind, cycles.data)
        ages: Counts | None = None
        if hidden is not None:
            self._stale = np.zeros(65536, np.bool_) if self._stale is None else self._stale
            ages = (np.cumsum(hidden) - hidden)[rows]
        if len(rows):
            self._compare(address[order], data[rows], write[rows], cycles.start[rows], popped[rows], ages)
        if hidden is not None and self._stale is not None:
            fresh = address[order][ages == np.count_nonzero(hidden)]
            self._stale[:] = True
            self._stale[fresh] = False

    def _switched_off(self, batch: Batch, rows: npt.NDArray[np.intp]) -> npt.NDArray[np.bool_]:
        """Say for which cycles an expansion device had switched the host's ROM off."""
        if self._rom_disable is None:
            return np.zeros(len(rows), np.bool_)
        owner = batch.request_of_cycle[rows]
        return np.asarray(batch.requests.control[owner] & self._rom_disable != 0)

    def _compare(
        self, address: npt.NDArray[np.uint16], data: npt.NDArray[np.int16], write: Flags, time: Counts, popped: Flags, ages: Counts | None
    ) -> None:
        """Compare each access with the one before it at the same address; the arrays are sorted by address, then time; -1 is not known.

        ages: how often before, among these, all may have been overwritten unseen; None: not once.
        """
        first = np.empty(len(address), np.bool_)
        first[0] = True
        np.not_equal(address[1:], address[:-1], out=first[1:])
        last = np.roll(first, -1)
        last[-1] = True
        expected = np.empty(len(address), np.int16)
        expected[1:] = data[:-1]
        expected[first] = self._content[address[first]]
        if self._stale is not None:
            expected[first & self._stale[address]] = NOT_KNOWN
            self._stale[address] = False
        if ages is not None:
            expected[ages != np.where(first, 0, np.roll(ages, 1))] = NOT_KNOWN
        written = np.empty(len(address), np.bool_)
        written[1:] = write[:-1]
        written[first] = self._was_write[address[first]]
        self._pages(address, data.astype(np.uint8), write)
        check = ~write & written & (expected >= 0)
        if check.any():
            self._count(address[check], data[check].astype(np.uint8), expected[check].astype(np.uint8), time[check])
            popped &= check
            self._popped += int(np.count_nonzero(popped))
            for k in np.flatnonzero(popped & (expected != data)).tolist():
                if len(self._popped_wrong) < POPPED_KEPT:
                    self._popped_wrong.append(Popped(int(time[k]) * self._tick_s, int(address[k]), int(expected[k]), int(data[k])))
        again = ~write & ~written & (expected >= 0)
        changed = again & (expected != data)
        self._repeated += int(np.count_nonzero(again))
        if changed.any():
            flipped = (expected[changed] ^ data[changed]).astype(np.uint8)
            self._unstable += len(flipped)
            self._unstable_bits += bit_sums(flipped)
        ends = np.flatnonzero(last)
        self._content[address[ends]] = data[ends]
        self._was_write[address[ends]] = write[ends]

    def _pages(self, address: npt.NDArray[np.uint16], data: npt.NDArray[np.uint8], write: npt.NDArray[np.bool_]) -> None:
        page = (address[~write] >> PAGE_BITS).astype(np.intp)
        values = data[~write]
        if not len(page):
            return
        starts = np.flatnonzero(np.r_[True, page[1:] != page[:-1]])
        where = page[starts]
        self._page_or[where] |= np.bitwise_or.reduceat(values, starts)
        self._page_and[where] &= np.bitwise_and.reduceat(values, starts)
        self._page_reads += np.bincount(page, minlength=PAGES)

    def _count(
        self, address: npt.NDArray[np.uint16], got: npt.NDArray[np.uint8], expected: npt.NDArray[np.uint8], time: Counts
    ) -> None:
        page = (address >> PAGE_BITS).astype(np.intp)
        self._compared += np.bincount(page, minlength=PAGES)
        wrong = got != expected
        for bit in range(8):
            level = expected >> np.uint8(bit) & 1
            flipped = (got ^ expected) >> np.uint8(bit) & 1
            key = page * 4 + level * 2 + flipped
            counts = np.bincount(key, minlength=PAGES * 4).reshape(PAGES, 2, 2)
            self._counts[:, bit, 0::2] += counts.sum(axis=2)
            self._counts[:, bit, 1::2] += counts[:, :, 1]
        if not wrong.any():
            return
        at = np.flatnonzero(wrong)
        pages = page[at]
        self._wrong += np.bincount(pages, minlength=PAGES)
        self._read_ff += np.bincount(pages[got[at] == 0xFF], minlength=PAGES)
        self._mismatched[address[at]] = True
        for k in at[: max(0, SAMPLES_KEPT - len(self._samples))].tolist():
            self._samples.append((int(address[k]), int(expected[k]), int(got[k])))
        times = time[at]
        for which in distinct(pages).tolist():
            own = times[pages == which]
            low, high = int(own.min()), int(own.max())
            self._first[which] = low if self._first[which] < 0 else min(low, int(self._first[which]))
            self._last[which] = max(high, int(self._last[which]))

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.memory = self.record()

    def record(self) -> MemoryRecord:
        """Return the record."""
        written_pages = np.asarray(self._written.reshape(PAGES, -1).any(axis=1))
        rom, ram = Levels(), Levels()
        for page in np.flatnonzero(self._page_reads).tolist():
            levels = ram if written_pages[page] else rom
            levels.transfers += int(self._page_reads[page])
            levels.ever_high |= int(self._page_or[page])
            levels.always_high &= int(self._page_and[page])
        mirror, chance = self._mirrors()
        fetched, read, written, mismatched = (_bits(flags) for flags in (self._fetched, self._read, self._written, self._mismatched))
        return MemoryRecord(
            fetched, read, written, mismatched, rom, ram, self._io, self._writes,
            [self._page(page) for page in np.flatnonzero(self._compared).tolist()],
            self._reads, self._ff, self._zero, self._at_38, self._fetches, mirror, chance,
            likeliest_versions([rom_part.record(self._tick_s) for rom_part in self._roms]), int(np.count_nonzero(self._values)),
            (int(self._values.argmax()), int(self._values.max())),
            int(np.count_nonzero(self._read & (self._content == self._values.argmax()))), self._repeated, self._unstable,
            self._unstable_bits.tolist(), self._popped, sorted(self._popped_wrong),
            own_bytes(self._content, self._read & ~np.repeat(written_pages, 1 << PAGE_BITS)),
        )  # fmt: skip

    def _page(self, page: int) -> ReadBack:
        start = page << PAGE_BITS
        seen = self._first[page] >= 0
        return ReadBack(
            start,
            start + (1 << PAGE_BITS) - 1,
            int(self._compared[page]),
            int(self._wrong[page]),
            [tuple(int(v) for v in row) for row in self._counts[page]],  # type: ignore[misc]
            int(self._read_ff[page]),
            float(self._first[page] * self._tick_s) if seen else None,
            float(self._last[page] * self._tick_s) if seen else None,
        )

    def _mirrors(self) -> tuple[dict[int, int], dict[int, int]]:
        """Count, for each address bit, the wrong reads that gave the content of the address with that bit flipped."""
        hits, chances = {}, {}
        if self._samples:
            address, expected, got = np.array(self._samples, np.int64).T
            for bit in range(16):
                other = self._content[address ^ (1 << bit)]
                known = (other >= 0) & (other != expected)
                chances[bit] = int(np.count_nonzero(known))
                hits[bit] = int(np.count_nonzero(known & (other == got)))
        return hits, chances


def returned(kind: npt.NDArray[np.uint8], data: npt.NDArray[np.int16]) -> Flags:
    """Say which machine cycles read a return address: RET, RET cc, RETN, RETI (UM0080). Those cut by the start are left out."""
    fetch = kind == _FETCH
    plain = fetch & ((data == 0xC9) | (data & 0xC7 == 0xC0))
    prefixed = fetch & ((data == 0x45) | (data == 0x4D))
    prefixed[1:] &= fetch[:-1] & (data[:-1] == 0xED)
    prefixed[:1] = False
    low, high = np.zeros(len(kind), np.bool_), np.zeros(len(kind), np.bool_)
    low[1:] = (plain | prefixed)[:-1] & (kind[1:] == _READ)
    high[1:] = low[:-1] & (kind[1:] == _READ)
    return np.asarray(low | high)


def _add(levels: Levels, data: npt.NDArray[np.uint8]) -> None:
    """Count in more transfers."""
    if len(data):
        levels.transfers += len(data)
        levels.ever_high |= int(np.bitwise_or.reduce(data))
        levels.always_high &= int(np.bitwise_and.reduce(data))


def _bits(flags: npt.NDArray[np.bool_]) -> bitarray:
    bits = bitarray()
    bits.pack(flags.tobytes())
    return bits


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> MemoryPart | None:
    """Return the part when address and data bus were captured."""
    return MemoryPart(options, tick_s, "ROMDIS" in captured) if captured.issuperset(ADDRESS) and captured.issuperset(DATA) else None
