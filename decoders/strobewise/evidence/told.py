"""Memory at addresses that were not captured: the program tells them (program/telling.py), the first cycles of the capture are followed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import one_of
from ..cycles.engine import Batch
from ..cycles.table import DTYPES, NOT_KNOWN, CycleTable, Flags
from ..profile.options import Options
from ..program.telling import BROKEN, NMI, RESET, Teller, TellingRows
from ..records.evidence import BusEvidence
from ..records.told import Told
from .begins_anew import begins_anew
from .memory import MemoryPart
from .odd_reads import OddReadsPart
from .part import Part
from .prediction import find_breaks, find_internal, period_of

BUDGET_CYCLES = 30_000  #: cycles followed at most, some 10,000 instructions: a tenth of a second
WINDOW_CYCLES = 4_000  #: of a window of a stream
NEEDED = ("M1", "MREQ", "IORQ", "RD", "WR", *DATA)

_MEMORY = tuple(KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write"))
_ACK = KIND_INDEX["interrupt_acknowledge"]
_RESET, _NMI, _CUT = (NOTE_INDEX[note] for note in ("after_reset", "nmi_response", "cut_short"))


class ToldPart(Part):
    """Collects :class:`Told`."""

    def __init__(self, timed: bool, tick_s: float, budget: int = BUDGET_CYCLES) -> None:
        """timed: lengths come from the clock. budget: cycles followed at most."""
        self._timed, self._tick_s, self._budget = timed, tick_s, budget
        self._kept: list[CycleTable] = []
        self._blind: list[Flags] = []
        self._cycles = 0

    def feed(self, batch: Batch) -> None:
        """Keep the first cycles."""
        if self._cycles < self._budget and len(batch.cycles):
            self._kept.append(batch.cycles[: self._budget - self._cycles])
            number = len(self._kept[-1])
            self._blind.append(np.zeros(number, np.bool_) if batch.blind is None else batch.blind[:number])
            self._cycles += number

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        if not self._kept:
            return
        columns = {name: np.concatenate([getattr(table, name) for table in self._kept]) for name in DTYPES}
        table = CycleTable(**columns)
        broken, kept = find_breaks(table, self._timed)
        teller = Teller(_rows(table[kept], broken))
        teller.run()
        address = np.full(len(table), NOT_KNOWN, np.int32)
        address[kept] = teller.told
        memory = one_of(table.kind, _MEMORY)
        address[~memory] = NOT_KNOWN
        told = replace(table, address=address)
        record, odd = MemoryPart(Options(), self._tick_s, has_rom_disable=False), OddReadsPart(self._tick_s, has_rom_disable=False)
        blind = np.concatenate(self._blind)
        record.take(told, lambda rows: np.zeros(len(rows), np.bool_), blind)
        odd.take(told, lambda rows: np.zeros(len(rows), np.uint16), blind)
        written, times = teller.written, table.start[kept][teller.contradicted] * self._tick_s
        if len(times):
            written.first_s, written.last_s = float(times[0]), float(times[-1])
        anew = begins_anew(table, period_of(table), self._tick_s)
        evidence.told = Told(int(np.count_nonzero(address >= 0)), written, record.record(), odd.record(), anew)


def _rows(table: CycleTable, broken: npt.NDArray[np.bool_]) -> TellingRows:
    internal, untimed = find_internal(table)
    sums = np.concatenate([[0], np.cumsum(internal)])
    flags = np.where(broken, BROKEN, 0) | np.where(table.note == _RESET, RESET, 0) | np.where(table.note == _NMI, NMI, 0)
    kind = np.where((table.data >= 0) & (table.note != _CUT), table.kind, -1)
    return TellingRows(kind.tolist(), table.data.tolist(), sums.tolist(), untimed.tolist(), flags.tolist())


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> ToldPart | None:
    """Return the part where the data and the strobes were captured and the addresses were not."""
    if not captured.issuperset(NEEDED) or captured.issuperset(ADDRESS):
        return None
    return ToldPart("CLK" in captured, tick_s, WINDOW_CYCLES if options.window else BUDGET_CYCLES)
