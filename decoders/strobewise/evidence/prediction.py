"""The CPU model run beside the capture: all of a short one; of a long one windows spread evenly, and those in which something is odd."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, DATA, neighbours
from ..bus.model import KIND_INDEX, KINDS, NOTE_INDEX
from ..bus.semantics import SPEC
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import median
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.table import NOT_KNOWN, CycleTable
from ..profile.options import Options
from ..program.capture_bus import BREAK, FLAG_SHIFT, IN_HALT, NMI_RESPONSE, PredictionRows
from ..program.prediction import Predictor
from ..records.evidence import BusEvidence
from ..records.prediction import LineCount, PredictionRecord
from .listing import find_gaps
from .part import Part
from .unseen import surely_told

BUDGET_CYCLES = 30_000  #: machine cycles followed at most, some 10,000 instructions: a twentieth of a second
CHUNKS_KEPT = 64  #: stretches of cycles held until the end; beyond that every second one goes
LEAST_WINDOW = 800  #: cycles to a window, so that most registers are known in most of it
LONGEST_WINDOW = 2400  #: cycles kept of a batch once all can no longer be followed

ODD_KEPT = 6  #: stretches in which something is odd, held beside the others: a sixth more to follow
ODD_LEAD = 250  #: cycles before what is odd, so that most registers are known by then
ODD_SHARE = 0.1  #: of the cycles of a batch that may be odd: more of them are how this capture is, and the windows anywhere show it
PAGE_BITS = 8  #: a fetch from a page of 256 bytes that nothing was fetched from before is odd, too

NEEDED = ("MREQ", "IORQ")  #: strobes, besides /RD or /WR

_FETCH, _GRANTED, _UNKNOWN = KIND_INDEX["opcode_fetch"], KIND_INDEX["bus_granted"], KIND_INDEX["unknown"]
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

    def rows_from(self, first: int, count: int) -> Columns:
        """Return some rows."""
        part = slice(first, first + count)
        return Columns(self.key[part], self.data[part], self.internal[part], self.untimed[part], self.start[part])


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
    t_ticks = period_of(table)
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


def period_of(table: CycleTable) -> float:
    """Return the ticks of a T-state in these cycles, 0 where nothing tells."""
    known = table.t_states > 0
    if not known.any():
        return 0.0
    return median((table.end[known] - table.start[known]) / table.t_states[known])


class Stretches:
    """Stretches of a capture, a bounded number of them: where they become too many every second one goes, and of those that come."""

    def __init__(self, most: int) -> None:
        self.kept: list[Columns] = []
        self.stride = 1
        self._most = most
        self._offered = 0

    def wants(self) -> bool:
        """Say whether the stretch that comes now is one to keep."""
        self._offered += 1
        return (self._offered - 1) % self.stride == 0

    def keep(self, stretch: Columns) -> None:
        """Keep a stretch that was wanted."""
        self.kept.append(stretch)
        if len(self.kept) > self._most:
            del self.kept[1::2]
            self.stride *= 2


class Oddities:
    """Looks for cycles that are odd: of no kind, told without their strobe, cut short, or fetched where nothing was before."""

    def __init__(self) -> None:
        self._pages = np.zeros(0x10000 >> PAGE_BITS, np.bool_)

    def first(self, table: CycleTable) -> int | None:
        """Return the row of the first odd cycle of a batch, None where there is none, or only such as most of them are."""
        odd = (table.kind == _UNKNOWN) | table.inferred | (table.note == _CUT)
        found = [int(odd.argmax())] if 0 < np.count_nonzero(odd) <= max(1, ODD_SHARE * len(odd)) else []
        fetched = np.flatnonzero((table.kind == _FETCH) & (table.address >= 0))
        pages = table.address[fetched] >> PAGE_BITS
        new = ~self._pages[pages]
        if new.any():
            self._pages[pages] = True
            found.append(int(fetched[new.argmax()]))
        return min(found, default=None)


class PredictionPart(Part):
    """Keeps stretches of the capture while it goes by, and lets the model follow them at the end."""

    def __init__(self, timed: bool, has_halt: bool, tick_s: float, strobes: Collection[str] = ()) -> None:
        """strobes: those that tell the kinds of cycle, of the captured ones."""
        self._timed, self._has_halt, self._tick_s = timed, has_halt, tick_s
        self._awaited = {np.uint64(1 << BIT[name]) for name in strobes}  #: strobes that have had no level yet
        self._since = 0  #: tick of the last late first level: before it cycles may be missing, or of another kind than they seem
        self._begun = False  #: an event has come
        self._even, self._odd, self._oddities = Stretches(CHUNKS_KEPT), Stretches(ODD_KEPT), Oddities()
        self._cycles = 0
        self._fetches = 0

    def block(self, block: Block) -> None:
        """Note when each strobe has its first level."""
        for bit in [*self._awaited] if len(block.times) else ():
            first = 0 if block.unknown is None else int(np.argmin(block.unknown & bit != 0))
            if block.unknown is None or not block.unknown[first] & bit:
                self._awaited.discard(bit)
                if first or self._begun:
                    self._since = max(self._since, int(block.times[first]))
        self._begun = self._begun or len(block.times) > 0

    def feed(self, batch: Batch) -> None:
        """Keep a batch, or leave it out."""
        cycles = surely_told(batch)
        self._cycles += len(cycles)
        odd = self._oddities.first(cycles)
        if odd is not None and self._odd.wants():
            first = max(0, odd - ODD_LEAD)
            self._odd.keep(columns_of(cycles[first : first + LEAST_WINDOW], self._timed))
        if self._even.wants() and len(cycles):
            table = cycles if self._cycles <= BUDGET_CYCLES else cycles[:LONGEST_WINDOW]
            self._even.keep(columns_of(table, self._timed))

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.prediction = self._record(evidence)

    def _record(self, evidence: BusEvidence) -> PredictionRecord:
        """Let the model follow what was kept."""
        predictor = Predictor(self._timed, self._has_halt)
        whole = self._cycles <= BUDGET_CYCLES and self._even.stride == 1
        share = max(LEAST_WINDOW, BUDGET_CYCLES // max(1, len(self._even.kept)))
        stretches = [(each if whole else each.rows_from(0, share), False) for each in self._even.kept]
        if not whole:
            stretches += [(each, True) for each in self._odd.kept]
            stretches.sort(key=lambda pair: int(pair[0].start[0]))
        windows, last = [0, 0], self._since - 1
        addresses = np.zeros(16, np.int64)  # ones of A0..A15 in all cycles
        reads = np.zeros(8, np.int64)
        counted = [0, 0]  # reads, cycles
        unlike = dict.fromkeys(NEIGHBOURS, 0)
        for stretch, odd in stretches:
            part = stretch.rows_from(int(np.searchsorted(stretch.start, last, "right")), len(stretch.start))  # nothing is followed twice
            if not len(part.start):
                continue
            if not whole:
                predictor.lose_track()
            windows[odd] += 1
            last = int(part.start[-1])
            predictor.feed(part.rows())
            _count_levels(part, addresses, reads, counted, unlike)
            if predictor.exhausted:
                break
        return self._result(predictor, (1, 0) if whole else (windows[0], windows[1]), addresses, reads, counted, unlike)

    def _result(
        self, predictor: Predictor, windows: tuple[int, int], addresses: Int, reads: Int, counted: list[int],
        unlike: dict[tuple[int, int], int],
    ) -> PredictionRecord:
        values = np.array(predictor.written_values)
        written = [
            _line(int(values[np.arange(256) >> bit & 1 == 1].sum()), int(values.sum()), predictor.written_lost, bit) for bit in range(8)
        ]
        wrong = [_line(int(addresses[bit]), counted[1], predictor.address_wrong, bit) for bit in range(16)]
        explained = {lines: (counts[0], counts[1], counts[2], counts[3]) for lines, counts in predictor.explained.items()}
        levels = [LineCount(ones=int(reads[bit]), zeros=counted[0] - int(reads[bit])) for bit in range(8)]
        return PredictionRecord(
            predictor.rows, self._cycles, predictor.instructions, sum(windows), dict(predictor.counts), predictor.kept,
            self._tick_s, written, wrong, predictor.alone_wrong,
            unlike, predictor.exchanged, explained, predictor.sought, predictor.exhausted, levels,
            windows[1],
        )  # fmt: skip


def _count_levels(part: Columns, addresses: Int, reads: Int, counted: list[int], unlike: dict[tuple[int, int], int]) -> None:
    """Count in at which levels the lines stood in addresses and in bytes of the program and other reads (data)."""
    kind = part.key >> 16 & 0xFF
    everywhere = part.key[part.key >= 0] & 0xFFFF
    for bit in range(16):
        addresses[bit] += int(np.count_nonzero(everywhere >> bit & 1))
    data = part.data[(part.key >= 0) & ((kind == _FETCH) | (kind == KIND_INDEX["memory_read"]))]
    for low, high in unlike:
        unlike[low, high] += int(np.count_nonzero((everywhere >> low ^ everywhere >> high) & 1))
    for bit in range(8):
        reads[bit] += int(np.count_nonzero(data >> bit & 1))
    counted[0] += len(data)
    counted[1] += len(everywhere)


def _line(shown_high: int, shown: int, lost: tuple[list[int], list[int]], bit: int) -> LineCount:
    """Return the counts of a line by the level foretold, from those by the level shown."""
    ones_lost, zeros_lost = lost[1][bit], lost[0][bit]
    return LineCount(shown_high - zeros_lost + ones_lost, ones_lost, shown - shown_high - ones_lost + zeros_lost, zeros_lost)


def can_follow(captured: frozenset[str]) -> bool:
    """Say whether these lines suffice: both buses, and strobes that tell the kinds of cycle apart."""
    return captured.issuperset((*ADDRESS, *DATA, *NEEDED)) and bool(captured & {"RD", "WR"})


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> PredictionPart | None:
    """Return the part, None where the lines do not suffice."""
    strobes = captured & {*NEEDED, "RD", "WR"}
    return PredictionPart("CLK" in captured, "HALT" in captured, tick_s, strobes) if can_follow(captured) else None
