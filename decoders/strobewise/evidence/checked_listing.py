"""The instructions of a capture with the model's word beside each: what the CPU should have done, where it did something else."""

from __future__ import annotations

from collections.abc import Iterator

from ..bus.lines import ADDRESS
from ..capture import Capture
from ..capture.channels.mapping import ChannelMap
from ..cycles.rebuild import Rebuild
from ..cycles.table import CycleTable
from ..errors import LineMapError
from ..program.prediction import Predictor
from ..program.steps import Step
from ..program.words import explain
from ..records.prediction import Difference
from .listing import Program
from .prediction import NEEDED, can_follow, columns_of


class CheckedListing:
    """Iterate over it for the steps, some thousand to a list; what differs stands in their notes. Memory stays flat."""

    def __init__(self, capture: Capture, channels: ChannelMap, clock_hz: float | None = None, where: str = "") -> None:
        """clock_hz: the clock that the user or the profile gave. Raise LineMapError when the lines do not suffice."""
        captured = channels.captured
        self._blocks = capture.blocks(channels.assignments)
        self._program = Program(captured, where)
        self._rebuild = Rebuild.of(capture.header, channels, clock_hz, [self._program])
        if not can_follow(captured):
            strobes = " and ".join(f"/{name}" for name in NEEDED if name not in captured)
            needed = strobes or "/RD or /WR" if captured.issuperset(ADDRESS) else "A0 to A15"
            raise LineMapError(f"the program cannot be checked without {needed}", where, "map them, or list it without --check")
        self._counted = "CLK" in captured
        self._found: list[Difference] = []
        self.predictor = Predictor(self._counted, "HALT" in captured)

    def __iter__(self) -> Iterator[list[Step]]:
        """Yield the steps. Raises CaptureError."""
        held: list[Step] = []  # the model needs the first cycles of the next batch before it has its say on the last steps of this
        for batch in self._rebuild.batches(self._blocks):
            self._check(batch.cycles)
            yield self._with_differences(held)
            held = self._program.steps(batch.cycles)
        yield self._with_differences(held)
        yield self._with_differences(self._program.steps(CycleTable.empty(), final=True))

    def _check(self, table: CycleTable) -> None:
        if len(table):
            self.predictor.feed(columns_of(table, self._counted).rows())
        self._found += self.predictor.kept
        self.predictor.kept.clear()

    def _with_differences(self, steps: list[Step]) -> list[Step]:
        """Write each difference into the note of the step in whose time it lies."""
        if not self._found or not steps:
            return steps
        noted, waiting = [], sorted(self._found, key=lambda difference: difference.start)
        for step in steps:
            texts = [step.note] if step.note else []
            while waiting and waiting[0].start < step.end:
                texts.append(explain(waiting.pop(0)))
            noted.append(step._replace(note="; ".join(texts)))
        self._found = waiting
        return noted
