"""Captures whose channels have no names: which line is on which, and a channel map made of what is sure.

The look costs a stretch at the beginning; the capture is then read again under that map.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..bus.lines import BIT, WORD_BITS
from ..capture.channels.mapping import ChannelMap, ChannelUse
from ..capture.grid import estimate_sample_interval
from ..capture.records import BitAssignment, Block
from ..identify import Identified, identify
from ..records.leads import SURE, IdentifiedRecord
from .collect import KEPT_EVENTS
from .kept import longest_known

MAPPED = 0.8  #: confidence from which a channel is taken for a line
ALWAYS_MOVE = ("MREQ", "M1", "RD", "RFSH")  #: strobes that every running CPU moves (UM0080, op-code fetch)
NAMELESS = 6  #: data lines in no order, from which the program was not seen


def look_at(blocks: Iterable[Block], channels: ChannelMap, timescale_fs: int) -> tuple[IdentifiedRecord, ChannelMap, float | None]:
    """Look at a capture without names.

    blocks: of the capture read with `channels` (capture.channels.raw_channels), to the end. Returns what was found, the map made of
    what is sure, and the sample interval in ticks, None when it does not show.
    """
    kept: list[Block] = []
    events = 0
    for block in blocks:
        if events < KEPT_EVENTS:
            kept.append(block)
            events += len(block.times)
    times, words = longest_known(kept, (1 << len(channels.assignments)) - 1)
    if not len(times):
        return _record(Identified(), channels, set()), channels, None
    grid = estimate_sample_interval(times, timescale_fs)
    found = identify(times, words, len(channels.assignments), grid.interval if grid is not None else 1.0, timescale_fs)
    moved = int(np.bitwise_or.reduce(words ^ words[0]))
    record = _record(found, channels, {k for k in range(WORD_BITS) if moved >> k & 1})
    return record, _mapped(found, channels), grid.interval if grid is not None else None


def _record(found: Identified, channels: ChannelMap, moving: set[int]) -> IdentifiedRecord:
    names = [use.name for use in channels.uses]
    roles = [(names[role.channel], role.line, role.confidence) for role in found.roles]
    quiet = tuple(name for k, name in enumerate(names) if k not in moving)
    sure = {line for _, line, confidence in roles if confidence >= SURE}
    settled = {"MREQ", "M1"} <= sure and ("RD" in sure or len(roles) == len(names))
    nameless_data = sum(line == "data" for _, line, _ in roles)
    whole = settled and (sure.issuperset(ALWAYS_MOVE) or not quiet) and nameless_data < NAMELESS
    return IdentifiedRecord(roles, quiet, settled, whole, found.program_share, found.instructions)


def _mapped(found: Identified, channels: ChannelMap) -> ChannelMap:
    """Return the map that takes each channel for the line it surely carries."""
    lines = {role.channel: role.line for role in found.roles if role.line in BIT and role.confidence >= MAPPED}
    uses, assignments = [], []
    for k, use in enumerate(channels.uses):
        line = lines.get(k)
        uses.append(ChannelUse(use.name, line, False, BIT[line] if line is not None else None))
        if line is not None:
            source = channels.assignments[k]
            assignments.append(BitAssignment(source.code, source.bit_in_vector, BIT[line]))
    return ChannelMap(tuple(assignments), tuple(uses), True, ())
