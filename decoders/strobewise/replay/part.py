"""The part of the evidence that replays the known program beside the capture."""

from __future__ import annotations

from typing import List

from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.rebuild import Rebuild
from ..evidence.kept import KeptEvents
from ..evidence.part import Part
from ..profile.options import Options
from ..records.evidence import BusEvidence
from .collect import Cycles
from .known import Program, known_program
from .observed import Observed
from .search import search

MOST_EVENTS = 500_000  #: kept to rebuild the first cycles from, with a strobe left out that the program contradicts


class ReplayPart(Part):
    """Collects the program's first cycles, and judges them when the capture has ended."""

    def __init__(self, program: Program, captured: frozenset[str], tick_s: float, given_t_ticks: float | None, timescale_fs: int) -> None:
        self._program, self._captured, self._tick_s = program, captured, tick_s
        self._given, self._timescale = given_t_ticks, timescale_fs
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
        evidence.replay = search(seen, self._program, evidence, lambda name: self._with(known - {name}, evidence))

    def _with(self, fewer: frozenset[str], evidence: BusEvidence) -> Observed:
        """Return the cycles as they are with fewer leads."""
        cycles = Cycles(fewer, self._tick_s)
        Rebuild(fewer, self._timescale, self._given, [cycles]).run(self._kept.blocks)
        return cycles.observed(evidence)


def make_part(
    options: Options, captured: frozenset[str], tick_s: float, given_t_ticks: float | None, timescale_fs: int
) -> List[ReplayPart]:
    """Return the part, nothing where what runs after reset is not known, or the leads do not frame cycles."""
    program = known_program(options)
    if program is None or not ("MREQ" in captured or captured.issuperset(("RD", "WR"))):
        return []
    return [ReplayPart(program, captured, tick_s, given_t_ticks, timescale_fs)]
