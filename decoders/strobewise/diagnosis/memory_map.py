"""The memory map that a capture shows: what was only read, what was written too, what was never touched."""

from __future__ import annotations

from typing import List, NamedTuple

from ..records.memory import MemoryRecord

STEP = 0x400  #: as evidence.memory counts its pages


class Stretch(NamedTuple):
    """Neighbouring pages that were used alike."""

    use: str  #: "read only" or "read and written"
    start: int
    end: int  #: inclusive


def seen_map(memory: MemoryRecord) -> List[Stretch]:
    """Return the stretches of memory that a capture used.

    Where nothing was captured there nothing is claimed: untouched pages are left out.
    """
    stretches: List[Stretch] = []
    touched = memory.fetched | memory.read
    for start in range(0, 0x10000, STEP):
        end = start + STEP - 1
        written = memory.written[start : end + 1].any()
        if not written and not touched[start : end + 1].any():
            continue
        use = "read and written" if written else "read only"
        last = stretches[-1] if stretches else None
        if last is not None and last.use == use and last.end + 1 == start:
            stretches[-1] = last._replace(end=end)
        else:
            stretches.append(Stretch(use, start, end))
    return stretches
