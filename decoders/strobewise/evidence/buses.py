"""The lines of the buses against each other, and against what the program says they must carry.

Three witnesses: pairs of lines that never differ; the refresh address, whose low seven bits count up with every fetch (UM0080,
refresh); and operands: the address that follows a jump, a call or a direct memory instruction must be the two bytes just read (UM0080,
instruction set).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from bitarray import bitarray
from bitarray.util import count_and, count_xor

from ..bus.lines import ADDRESS, BIT, CONTROL, DATA
from ..bus.model import KIND_INDEX
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import one_of
from ..cycles.engine import Batch
from ..cycles.requests import Requests
from ..profile.options import Options
from ..records.buses import BusesRecord, Operands, Pair, Pushes
from ..records.evidence import REFRESH_CLASS, BusEvidence
from .part import Part
from .rom_images import bit_sums

UNLIKE_SHARE = 0.002  #: share of the requests in which two lines that are one may differ: skew and spikes
JUMPS_KEPT = 256  #: steps of the refresh counter that are kept for words and pictures; more of them say nothing new
PAIR_BATCHES = 8  #: the first batches are compared in full, later ones one in so many
_FETCH, _READ, _WRITE = KIND_INDEX["opcode_fetch"], KIND_INDEX["memory_read"], KIND_INDEX["memory_write"]
_COUNTER = np.uint64(0x7F << BIT["A0"])
_ORDER = (*CONTROL, *("",) * (16 - len(CONTROL)), *ADDRESS, *DATA)  #: line of each column of the pair matrix


def operands(
    kind: npt.NDArray[np.uint8], data: npt.NDArray[np.int16], address: npt.NDArray[np.int32]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]] | None:
    """Find the instructions whose two operand bytes must be the address that follows, in columns of a cycle table.

    Returns (calls, all such instructions, where their address is used) as row indices, None when there are too few rows.
    """
    if len(kind) < 8:
        return None
    base = np.flatnonzero((kind[:-5] == _FETCH) & (kind[1:-4] == _READ) & (kind[2:-3] == _READ) & (data[1:-4] >= 0) & (data[2:-3] >= 0))
    opcode = data[base]
    prefixed = np.zeros(len(base), np.bool_)
    prefixed[base > 0] = one_of(data[base[base > 0] - 1], (0xCB, 0xDD, 0xED, 0xFD)) & (kind[base[base > 0] - 1] == _FETCH)
    after = np.full(len(base), -1)
    jump = (opcode == 0xC3) & (kind[base + 3] == _FETCH)
    call = (opcode == 0xCD) & (kind[base + 3] == _WRITE) & (kind[base + 4] == _WRITE) & (kind[base + 5] == _FETCH)
    load = one_of(opcode, (0x3A, 0x2A)) & (kind[base + 3] == _READ)
    store = one_of(opcode, (0x32, 0x22)) & (kind[base + 3] == _WRITE)
    after[jump | load | store] = 3
    after[call] = 5
    use = (after > 0) & ~prefixed
    return base[call & ~prefixed], base[use], base[use] + after[use]


class BusesPart(Part):
    """Collects :class:`BusesRecord`."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self._tick_s = tick_s
        self._jumps: list[tuple[int, int]] = []
        self._refreshed_at = 0
        self._columns = [k for k, name in enumerate(_ORDER) if name in captured and name != "CLK"]
        self._names = [_ORDER[k] for k in self._columns]
        n = len(self._columns)
        self._unlike = {(i, j): 0 for i in range(n) for j in range(i + 1, n)}  #: samples in which two columns differ
        self._ones = [0] * n
        self._ones_driven = [0] * n
        self._samples = self._samples_driven = 0  #: in all, and without the refreshes, in which nobody drives the data bus
        self._data_seen = np.zeros(256, np.bool_)
        self._hidden = 0  #: bits of the packed word that were not known in some request
        self._batches = 0
        self._has_address, self._has_data = captured.issuperset(ADDRESS), captured.issuperset(DATA)
        self._refresh_last: int | None = None
        self._refreshes = 0
        self._refresh_toggles = np.zeros(7, np.int64)
        self._address_toggles = np.zeros(16, np.int64)
        self._operands = Operands()
        self._pushes = Pushes()
        self._refresh_wrong = np.zeros(7, np.int64)

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        self._batches += 1
        requests = batch.requests
        if not len(requests):
            return
        closely = self._batches <= PAIR_BATCHES or self._batches % PAIR_BATCHES == 0
        if closely:
            self._compare_lines(batch)
        if self._has_address:
            steps = requests.address[1:] ^ requests.address[:-1]
            self._address_toggles[:8] += bit_sums(steps.astype(np.uint8))
            self._address_toggles[8:] += bit_sums((steps >> np.uint16(8)).astype(np.uint8))
            refreshes = (batch.request_class == REFRESH_CLASS) & (requests.unknown & _COUNTER == 0)
            self._follow_refresh(requests.address[refreshes], requests.fall[refreshes])
            if self._has_data and closely:
                self._check_operands(batch)

    def _compare_lines(self, batch: Batch) -> None:
        """Count in how many requests two lines differ, for the pairs that did not differ too often yet."""
        requests = batch.requests
        columns = [self._column(requests, k) for k in self._columns]
        driven = batch.request_class != REFRESH_CLASS
        carries = bitarray(buffer=memoryview(np.packbits(driven).tobytes()))
        for k, column in enumerate(columns):
            self._ones[k] += column.count()
            self._ones_driven[k] += count_and(column, carries)
        self._samples_driven += carries.count()
        self._data_seen[requests.data[driven]] = True
        self._samples += len(requests)
        self._hidden |= int(np.bitwise_or.reduce(requests.unknown))
        limit = UNLIKE_SHARE * self._samples + 8
        for pair in list(self._unlike):
            self._unlike[pair] += count_xor(columns[pair[0]], columns[pair[1]])
            if self._unlike[pair] > limit:
                del self._unlike[pair]

    @staticmethod
    def _column(requests: Requests, place: int) -> bitarray:
        """Return what one line showed in each request, a bit each; place: its bit in the packed word."""
        if place < 16:
            high = requests.control & np.uint16(1 << place)
        elif place < 32:
            high = requests.address & np.uint16(1 << place - 16)
        else:
            high = requests.data & np.uint8(1 << place - 32)
        return bitarray(buffer=memoryview(np.packbits(high != 0).tobytes()))

    def _follow_refresh(self, address: npt.NDArray[np.uint16], fall: npt.NDArray[np.int64]) -> None:
        if not len(address):
            return
        counter = (address & 0x7F).astype(np.int64)
        if self._refresh_last is not None:
            counter, fall = np.r_[self._refresh_last, counter], np.r_[self._refreshed_at, fall]
        for k in np.flatnonzero((counter[1:] - counter[:-1]) & 0x7F != 1)[: JUMPS_KEPT - len(self._jumps)].tolist():
            self._jumps.append((int(fall[k]), int(fall[k + 1])))
        self._refreshed_at = int(fall[-1])
        steps = counter[1:] ^ counter[:-1]
        called = counter[:-1] ^ counter[:-1] + 1  # the lowest bit must change, and each whose lower ones are all 1
        self._refresh_toggles += bit_sums(steps.astype(np.uint8))[:7]
        self._refresh_wrong += bit_sums((steps ^ called).astype(np.uint8))[:7]
        self._refreshes += len(address)
        self._refresh_last = int(counter[-1])

    def _check_operands(self, batch: Batch) -> None:
        """Compare two-byte operands with the address that must follow them."""
        cycles = batch.cycles
        kind, data, address = cycles.kind, cycles.data, cycles.address
        self._check_restarts(kind, data, address)
        found = operands(kind, data, address)
        if found is None or not len(found[1]):
            return
        called, at, used = found
        if len(called):
            called = called[address[called] >= 0]
            self._count_pushes(address[called] + 3, data[called + 3], data[called + 4])
        said = data[at + 1].astype(np.int64) | data[at + 2].astype(np.int64) << 8
        shown = address[used].astype(np.int64)
        self._count_operands(said[shown >= 0], shown[shown >= 0])

    def _check_restarts(self, kind: npt.NDArray[np.uint8], data: npt.NDArray[np.int16], address: npt.NDArray[np.int32]) -> None:
        """A restart pushes the address behind it."""
        if len(kind) < 8:
            return
        fetch = (kind[:-3] == _FETCH) & (data[:-3] & 0xC7 == 0xC7) & (data[:-3] >= 0)
        at = np.flatnonzero(fetch & (kind[1:-2] == _WRITE) & (kind[2:-1] == _WRITE) & (kind[3:] == _FETCH))
        at = at[(address[at + 3] == (data[at] & 0x38)) & (address[at] >= 0) & (at > 0)]
        at = at[~(one_of(data[at - 1], (0xCB, 0xED)) & (kind[at - 1] == _FETCH))]
        if len(at):
            self._count_pushes(address[at] + 1, data[at + 1], data[at + 2])

    def _count_pushes(self, back: npt.NDArray[np.int32], high: npt.NDArray[np.int16], low: npt.NDArray[np.int16]) -> None:
        total = self._pushes
        for said, shown in ((back >> 8 & 0xFF, high), (back & 0xFF, low)):
            known = shown >= 0
            expected, got = said[known].astype(np.int64), shown[known].astype(np.int64)
            total.compared += len(got)
            for bit in range(8):
                one = expected >> bit & 1 == 1
                off = (expected ^ got) >> bit & 1 == 1
                total.ones[bit] += int(np.count_nonzero(one))
                total.ones_lost[bit] += int(np.count_nonzero(one & off))
                total.zeros[bit] += int(np.count_nonzero(~one))
                total.zeros_lost[bit] += int(np.count_nonzero(~one & off))

    def _count_operands(self, said: npt.NDArray[np.int64], shown: npt.NDArray[np.int64]) -> None:
        total = self._operands
        total.compared += len(said)
        total.agreed += int(np.count_nonzero(said == shown))
        wrong = said ^ shown
        for bit in range(16):
            one = said >> bit & 1 == 1
            off = wrong >> bit & 1 == 1
            total.ones[bit] += int(np.count_nonzero(one))
            total.ones_lost[bit] += int(np.count_nonzero(one & off))
            total.zeros[bit] += int(np.count_nonzero(~one))
            total.zeros_lost[bit] += int(np.count_nonzero(~one & off))
        if not wrong.any():
            return
        for i in range(16):
            for j in range(i + 1, 16):
                unlike = (said >> i ^ said >> j) & 1 == 1
                low = unlike & (shown >> i & 1 == 0) & (shown >> j & 1 == 0)
                before = total.wired_and.get((i, j), (0, 0))
                total.wired_and[i, j] = (before[0] + int(np.count_nonzero(unlike)), before[1] + int(np.count_nonzero(low)))

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.buses = self._record(evidence)

    def _record(self, evidence: BusEvidence) -> BusesRecord:
        """Return the record."""
        moves = [min(ones, self._samples - ones) for ones in self._ones]
        driven = [min(ones, self._samples_driven - ones) for ones in self._ones_driven]
        pairs = []
        for (i, j), unlike in self._unlike.items():
            rarer = min(moves[i], moves[j])
            if self._hidden >> self._columns[i] & 1 or self._hidden >> self._columns[j] & 1:
                continue
            if rarer > 0 and unlike <= UNLIKE_SHARE * self._samples and unlike <= 10 * UNLIKE_SHARE * rarer:
                pairs.append(Pair(self._names[i], self._names[j], self._samples, rarer, min(driven[i], driven[j])))
        return BusesRecord(
            pairs, self._refreshes, self._refresh_toggles.tolist(), self._refresh_wrong.tolist(), self._operands,
            self._pushes, self._address_toggles.tolist(), int(np.count_nonzero(self._data_seen)),
            [(start * self._tick_s, end * self._tick_s) for start, end in self._jumps],
        )  # fmt: skip


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> BusesPart | None:
    """Return the part; it needs requests only, and sees more with the buses."""
    return BusesPart(captured, tick_s) if captured & {"MREQ", "RD"} else None
