"""The CPU model run beside the capture: all of a short one, windows spread evenly over a long one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA, neighbours
from ..bus.model import KIND_INDEX, KINDS, NOTE_INDEX
from ..bus.semantics import SPEC
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import median
from ..cycles.engine import Batch
from ..cycles.table import NOT_KNOWN, CycleTable
from ..profile.options import Options
from ..program.capture_bus import BREAK, FLAG_SHIFT, IN_HALT, NMI_RESPONSE, PredictionRows
from ..program.prediction import Predictor
from ..records.evidence import BusEvidence
from ..records.prediction import LineCount, PredictionRecord
from .listing import find_gaps
from .part import Part

BUDGET_CYCLES = 30_000  #: machine cycles followed at most, some 10,000 instructions: a twentieth of a second
CHUNKS_KEPT = 64  #: stretches of cycles held until the end; beyond that every second one goes
LEAST_WINDOW = 800  #: cycles to a window, so that most registers are known in most of it
LONGEST_WINDOW = 2400  #: cycles kept of a batch once all can no longer be followed

NEEDED = ("MREQ", "IORQ")  #: strobes, besides /RD or /WR

_FETCH, _GRANTED = KIND_INDEX["opcode_fetch"], KIND_INDEX["bus_granted"]
_LEAST_T = np.array([SPEC[kind].t_min if kind in SPEC else 0 for kind in KINDS], np.int64)
_COMPARABLE = np.array([kind in SPEC for kind in KINDS])
_HALT, _NMI, _CUT = NOTE_INDEX["halt"], NOTE_INDEX["nmi_response"], NOTE_INDEX["cut_short"]

#: Address lines on neighbouring pins, lower number first.
NEIGHBOURS = tuple(
    (low, high) for low in range(16) for high in range(low + 1, 16) if f"A{high}" in neighbours(f"A{low}")
)

Int = npt.NDArray[np.int64]


class Columns(NamedTuple):
    """The rows of a batch as arrays, ready to become PredictionRows."""

    key: npt.NDArray[np.int32]
    data: npt.NDArray[np.int16]
    internal: npt.NDArray[np.int16]  #: T-states beyond the least of each row's kind, 0 where not known
    untimed: npt.NDArray[np.bool_]
    start: Int

    def rows(self) -> PredictionRows:
        """Return the rows as lists."""
        internal = np.cumsum(self.internal, dtype=np.int64)
        internal[1:] = internal[:-1]
        internal[:1] = 0
        return PredictionRows(self.key.tolist(), self.data.tolist(), internal.tolist(), self.untimed.tolist(), self.start.tolist())

    def head(self, count: int) -> Columns:
        """Return the first rows."""
        return Columns(self.key[:count], self.data[:count], self.internal[:count], self.untimed[:count], self.start[:count])


def columns_of(table: CycleTable, counted: bool) -> Columns:
    """Return the rows of a cycle table; counted: their T-states come from the clock."""
    broken, kept = find_breaks(table, counted)
    table = table[kept]
    known = _COMPARABLE[table.kind] & (table.address >= 0) & (table.data >= 0)
    flags = np.where(table.note == _NMI, NMI_RESPONSE, 0) | np.where(_stays(table), IN_HALT, 0) | np.where(broken, BREAK, 0)
    key = np.where(known, table.address | table.kind.astype(np.int32) << 16 | flags.astype(np.int32) << FLAG_SHIFT, -1)
    internal, untimed = find_internal(table)
    return Columns(key.astype(np.int32), table.data, np.clip(internal, -1000, 30_000).astype(np.int16), untimed, table.start)


def find_breaks(table: CycleTable, counted: bool) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
    """Return the rows that are no bus grants, and whether something is missing before each; counted: their T-states come from the clock."""
    t_ticks = _clock_period(table)
    broken = np.zeros(len(table) + 1, np.bool_)
    if t_ticks:
        for place, _ in find_gaps(table, t_ticks, counted):
            broken[place] = True
    broken[1:] |= (table.note == _CUT) | ((table.t_states == NOT_KNOWN) if t_ticks else False)
    kept = np.flatnonzero(table.kind != _GRANTED)
    return np.logical_or.reduceat(broken[:-1], np.r_[0, kept[:-1] + 1]) if len(kept) else broken[:0], kept  # since the row kept before


def find_internal(table: CycleTable) -> tuple[Int, npt.NDArray[np.bool_]]:
    """Return the T-states of each row beyond the least of its kind, 0 where its length is not known, and where that is so."""
    untimed = (table.t_states == NOT_KNOWN) | (table.wait_states == NOT_KNOWN)
    return np.where(untimed, 0, table.t_states - table.wait_states - _LEAST_T[table.kind]), untimed


def _stays(table: CycleTable) -> npt.NDArray[np.bool_]:
    """Return which fetches are in HALT: /HALT is low, and the address stands still (a dead /HALT lets it move on)."""
    halted: npt.NDArray[np.bool_] = table.note == _HALT
    if not halted.any():
        return halted
    same = table.address[1:] == table.address[:-1]
    near = np.zeros(len(table), np.bool_)
    near[1:] |= same
    near[:-1] |= same
    first = halted.copy()
    first[1:] &= ~halted[:-1]
    stays: npt.NDArray[np.bool_] = halted & (near | first)
    return stays


def _clock_period(table: CycleTable) -> float:
    """Return the ticks of a T-state in these cycles, 0 where nothing tells."""
    known = table.t_states > 0
    if not known.any():
        return 0.0
    return median((table.end[known] - table.start[known]) / table.t_states[known])


class PredictionPart(Part):
    """Keeps stretches of the capture while it goes by, and lets the model follow them at the end."""

    def __init__(self, timed: bool, has_halt: bool, tick_s: float) -> None:
        self._timed, self._has_halt, self._tick_s = timed, has_halt, tick_s
        self._chunks: list[Columns] = []
        self._stride = 1
        self._batches = 0
        self._cycles = 0
        self._fetches = 0

    def feed(self, batch: Batch) -> None:
        """Keep a batch, or leave it out."""
        self._cycles += len(batch.cycles)
        self._batches += 1
        if (self._batches - 1) % self._stride or not len(batch.cycles):
            return
        table = batch.cycles if self._cycles <= BUDGET_CYCLES else batch.cycles[:LONGEST_WINDOW]
        self._chunks.append(columns_of(table, self._timed))
        if len(self._chunks) > CHUNKS_KEPT:
            del self._chunks[1::2]
            self._stride *= 2

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.prediction = self._record(evidence)

    def _record(self, evidence: BusEvidence) -> PredictionRecord:
        """Let the model follow what was kept."""
        predictor = Predictor(self._timed, self._has_halt)
        whole = self._cycles <= BUDGET_CYCLES and self._stride == 1
        share = max(LEAST_WINDOW, BUDGET_CYCLES // max(1, len(self._chunks)))
        fetches = np.zeros(32, np.int64)  # ones of A0..A15 in fetches, and in all cycles
        reads = np.zeros(8, np.int64)
        counted = [0, 0, 0]  # fetches, reads, cycles
        unlike = dict.fromkeys(NEIGHBOURS, 0)
        for chunk in self._chunks:
            if not whole:
                predictor.lose_track()
            part = chunk if whole else chunk.head(share)
            predictor.feed(part.rows())
            _count_levels(part, fetches, reads, counted, unlike)
            if predictor.exhausted:
                break
        return self._result(predictor, whole, fetches, reads, counted, unlike)

    def _result(
        self, predictor: Predictor, whole: bool, fetches: Int, reads: Int, counted: list[int], unlike: dict[tuple[int, int], int]
    ) -> PredictionRecord:
        address = [_line(int(fetches[bit]), counted[0], predictor.address_lost, bit) for bit in range(16)]
        values = np.array(predictor.written_values)
        written = [
            _line(int(values[np.arange(256) >> bit & 1 == 1].sum()), int(values.sum()), predictor.written_lost, bit) for bit in range(8)
        ]
        wrong = [_line(int(fetches[16 + bit]), counted[2], predictor.address_wrong, bit) for bit in range(16)]
        explained = {lines: (counts[0], counts[1], counts[2], counts[3]) for lines, counts in predictor.explained.items()}
        levels = [LineCount(ones=int(reads[bit]), zeros=counted[1] - int(reads[bit])) for bit in range(8)]
        return PredictionRecord(
            predictor.rows, self._cycles, predictor.instructions, 1 if whole else len(self._chunks), dict(predictor.counts), predictor.kept,
            self._tick_s, predictor.other_lengths, address, written, wrong, predictor.alone_wrong,
            unlike, predictor.exchanged, explained, predictor.sought, predictor.exhausted, predictor.unseen_acknowledges, levels,
        )  # fmt: skip


def _count_levels(part: Columns, fetches: Int, reads: Int, counted: list[int], unlike: dict[tuple[int, int], int]) -> None:
    """Count in at which levels the lines stood in fetches (address) and in bytes of the program and other reads (data)."""
    kind = part.key >> 16 & 0xFF
    addresses = part.key[(part.key >= 0) & (kind == _FETCH)] & 0xFFFF
    everywhere = part.key[part.key >= 0] & 0xFFFF
    for bit in range(16):
        fetches[bit] += int(np.count_nonzero(addresses >> bit & 1))
        fetches[16 + bit] += int(np.count_nonzero(everywhere >> bit & 1))
    data = part.data[(part.key >= 0) & ((kind == _FETCH) | (kind == KIND_INDEX["memory_read"]))]
    for low, high in unlike:
        unlike[low, high] += int(np.count_nonzero((everywhere >> low ^ everywhere >> high) & 1))
    for bit in range(8):
        reads[bit] += int(np.count_nonzero(data >> bit & 1))
    counted[0] += len(addresses)
    counted[1] += len(data)
    counted[2] += len(everywhere)


def _line(shown_high: int, shown: int, lost: tuple[list[int], list[int]], bit: int) -> LineCount:
    """Return the counts of a line by the level foretold, from those by the level shown."""
    ones_lost, zeros_lost = lost[1][bit], lost[0][bit]
    return LineCount(shown_high - zeros_lost + ones_lost, ones_lost, shown - shown_high - ones_lost + zeros_lost, zeros_lost)


def can_follow(captured: frozenset[str]) -> bool:
    """Say whether these lines suffice: both buses, and strobes that tell the kinds of cycle apart."""
    return captured.issuperset((*ADDRESS, *DATA, *NEEDED)) and bool(captured & {"RD", "WR"})


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> PredictionPart | None:
    """Return the part, None where the lines do not suffice."""
    return PredictionPart("CLK" in captured, "HALT" in captured, tick_s) if can_follow(captured) else None
