"""The part of the evidence that replays the known program beside the capture."""

from __future__ import annotations

from typing import List, Sequence, Tuple

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
from ..records.replay import PortAnswer, ReplayRecord
from .collect import Cycles
from .healthy import healthy_cycles
from .known import Program, known_programs
from .m1_alone import fetches_by_m1
from .observed import FETCH, Observed
from .search import agrees, search

FETCH_MOVES_T, DATA_MOVE_T = 1.5, 2.0  #: T-states into a cycle when all its strobes are asserted (UM0080, timing figures)
REFRESH_T = 3.0  #: T-states into a fetch without wait states in the middle of its refresh (UM0080)
MOST_EVENTS = 500_000  #: kept to rebuild the first cycles from, with a strobe left out that the program contradicts


class ReplayPart(Part):
    """Collects the program's first cycles, and judges them when the capture has ended."""

    def __init__(
        self, programs: Sequence[Program], captured: frozenset[str], tick_s: float, base: TimeBase, ports: Tuple[PortAnswer, ...] = ()
    ) -> None:
        """programs: one for each version of the ROM. ports: what is known of their answers."""
        self._ports = ports
        self._programs, self._captured, self._tick_s = programs, captured, tick_s
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
        programs = self._programs
        tried: List[Tuple[ReplayRecord, Program]] = []
        if len(programs) > 1:  # the version whose healthy machine leads furthest first
            programs = sorted(programs, key=lambda program: -healthy_cycles(self._seen(known, evidence), program))
        for program in programs:
            record = search(self._seen(known, evidence), program, evidence, lambda name: self._with(known - {name}, evidence))
            if record is not None:
                tried.append((record, program))
                if record.candidates or agrees(record):
                    break
        if tried:
            best, runs = max(tried, key=lambda one: (bool(one[0].candidates) or agrees(one[0]), one[0].healthy_matched))
            best.versions = tuple(program.name for program in self._programs if program is not runs)
            evidence.replay = best

    def _seen(self, known: frozenset[str], evidence: BusEvidence) -> Observed:
        seen = self._cycles.observed(evidence) if known == self._captured else self._with(known, evidence)
        seen.ports = self._ports
        return seen

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
    programs = known_programs(options)
    if not programs or not ("MREQ" in captured or captured.issuperset(("RD", "WR"))):
        return []
    return [ReplayPart(programs, captured, tick_s, base, options.ports)]
