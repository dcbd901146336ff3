"""Deeper evidence, one part for each kind of question; every part looks on in the one pass.

To add a part: derive a class from :class:`Part` in a file of its own, with the members that it needs, and name its maker in PARTS. Its
record is plain data (no numpy): a file in ``records/``, a field of ``BusEvidence``, and what the rules of its family read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Optional

from ..capture.channels.mapping import ChannelMap
from ..profile.options import Options
from . import (
    bare_fetches,
    buses,
    bytes_alone,
    course,
    expansion,
    free_run,
    leads,
    memory,
    odd_reads,
    prediction,
    rhythm,
    settling,
    slips,
    timing,
    told,
    unwritten,
)
from .part import Part

#: Makers of parts: each returns None when the capture does not hold the lines that its part needs.
#: Arguments: captured lines, channel map, options, seconds a tick.
Maker = Callable[[frozenset[str], ChannelMap, Options, float], Optional[Part]]
PARTS: tuple[Maker, ...] = (
    buses.make, memory.make, course.make, expansion.make, leads.make, timing.make, settling.make, prediction.make, free_run.make,
    bytes_alone.make, bare_fetches.make, unwritten.make, odd_reads.make, slips.make, told.make, rhythm.make,
)  # fmt: skip


def make_parts(
    captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float, more: Sequence[Maker] = ()
) -> list[Part]:
    """Return the parts that this capture can feed: those of PARTS, and more."""
    made = [maker(captured, channels, options, tick_s) for maker in (*PARTS, *more)]
    return [part for part in made if part is not None]
