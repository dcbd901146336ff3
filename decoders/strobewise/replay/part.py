"""The part of the evidence that replays the known program beside the capture."""

from __future__ import annotations

from typing import List, Tuple

import numpy as np

from ..bus.calibration import TimeBase
from ..bus.lines import MASK, STROBES
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.rebuild import Rebuild
from ..evidence.kept import KeptEvents
from ..evidence.part import Part
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.replay import PortAnswer
from .collect import Cycles
from .known import Program, known_program
from .m1_alone import fetches_by_m1
from .observed import FETCH, Observed
from .search import search

FETCH_MOVES_T, DATA_MOVE_T = 1.5, 2.0  #: T-states into a cycle when all its strobes are asserted (UM0080, timing figures)
REFRESH_T = 3.0  #: T-states into a fetch without wait states in the middle of its refresh (UM0080)
MOST_EVENTS = 500_000  #: kept to rebuild the first cycles from, with a strobe left out that the program contradicts


class ReplayPart(Part):
    """Collects the program's first cycles, and judges them when the capture has ended."""

    def __init__(
        self, program: Program, captured: frozenset[str], tick_s: float, base: TimeBase, ports: Tuple[PortAnswer, ...] = ()
    ) -> None:
        """ports: what is known of their answers."""
        self._ports = ports
        self._program, self._captured, self._tick_s = program, captured, tick_s
        self._base = base
        self._cycles = Cycles(captured, tick_s)
        self._kept = KeptEvents(MOST_EVENTS)

    def block(self, block: Block) -> None:
        """Take a block of the raw capture."""
        self._cycles.block(block)
        self._kept.add(block)

    def feed(self, batch: Batch) -> None:
        """Take a settled batch of machine cycles."""
        self._cycles.feed(batch)

    def fill(self, evidence: BusEvidence) -> None:
        """Replay; leaves the evidence alone where the capture does not let it begin."""
        known = self._captured & evidence.captured  # a line that never has a level shows nothing, and contradicts nothing
        seen = self._cycles.observed(evidence) if known == self._captured else self._with(known, evidence)
        seen.ports = self._ports
        evidence.replay = search(seen, self._program, evidence, lambda name: self._with(known - {name}, evidence))

    def _with(self, fewer: frozenset[str], evidence: BusEvidence) -> Observed:
        """Return the cycles as they are with fewer leads; their control levels show the leads left out all the same."""
        cycles = Cycles(fewer, self._tick_s)
        if "MREQ" in fewer or fewer.issuperset(("RD", "WR")):
            Rebuild(fewer, self._base, [cycles]).run(self._kept.blocks)
        elif evidence.clock.hz:
            t_ticks = 1.0 / evidence.clock.hz / self._tick_s
            for block in self._kept.blocks:
                cycles.block(block)
            cycles.take(fetches_by_m1(*self._kept.joined(), fewer, t_ticks))
        seen = cycles.observed(evidence)
        seen.ports = self._ports
        self._show(seen, [name for name in STROBES if name in self._captured - fewer], evidence)
        return seen

    def _show(self, seen: Observed, names: List[str], evidence: BusEvidence) -> None:
        """Put the levels of leads that were left out into the cycles, as they are when data move (UM0080, timing figures)."""
        times, words = self._kept.joined()
        if not names or not len(seen) or not evidence.clock.hz or not len(times):
            return
        t_ticks = 1.0 / evidence.clock.hz / self._tick_s
        mask = sum(MASK[name] for name in names)
        moment = np.where(np.array(seen.kinds) == FETCH, FETCH_MOVES_T, DATA_MOVE_T) * t_ticks
        at = np.searchsorted(times, np.array(seen.start_s) / self._tick_s + moment, side="right") - 1
        shown = words[np.maximum(at, 0)].astype(np.int64) & mask
        seen.control = (np.array(seen.control, np.int64) & ~mask | shown).tolist()
        later = (REFRESH_T + np.maximum(seen.waits, 0)) * t_ticks
        behind = np.searchsorted(times, np.array(seen.start_s) / self._tick_s + later, side="right") - 1
        refresh = words[np.maximum(behind, 0)].astype(np.int64) & mask
        seen.after = (np.array(seen.after, np.int64) & ~mask | refresh).tolist()


def make_part(options: Options, captured: frozenset[str], tick_s: float, base: TimeBase) -> List[ReplayPart]:
    """Return the part, nothing where what runs after reset is not known, or the leads do not frame cycles."""
    program = known_program(options)
    if program is None or not ("MREQ" in captured or captured.issuperset(("RD", "WR"))):
        return []
    return [ReplayPart(program, captured, tick_s, base, options.ports)]
