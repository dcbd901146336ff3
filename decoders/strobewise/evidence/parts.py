"""Deeper evidence, one part for each kind of question; every part sees the blocks and the batches once, in order.

To add a part: write a class with the three members of :class:`Part` in a file of its own and name it in PARTS. Its record is plain data
(no numpy): a file in ``records/``, a field of ``BusEvidence``, and what the rules of its family read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..profile.options import Options
from ..records.evidence import BusEvidence
from . import buses, expansion, leads, memory, prediction, timing


class Part(Protocol):
    """One kind of deeper evidence."""

    def block(self, block: Block) -> None:
        """Take a block of the raw capture."""

    def feed(self, batch: Batch) -> None:
        """Take a settled batch of requests and machine cycles."""

    def fill(self, evidence: BusEvidence) -> None:
        """Set the own field of the evidence, which is complete but for the parts."""


#: Makers of parts: each returns None when the capture does not hold the lines that its part needs.
#: Arguments: captured lines, channel map, options, seconds a tick.
Maker = Callable[[frozenset[str], ChannelMap, Options, float], "Part | None"]
PARTS: tuple[Maker, ...] = (buses.make, memory.make, expansion.make, leads.make, timing.make, prediction.make)


def make_parts(
    captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float, more: Sequence[Maker] = ()
) -> list[Part]:
    """Return the parts that this capture can feed: those of PARTS, and more."""
    made = [maker(captured, channels, options, tick_s) for maker in (*PARTS, *more)]
    return [part for part in made if part is not None]
