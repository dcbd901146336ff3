"""Machine cycles of a raw stretch with the levels of all its channels, whatever they carry.

Once the strobes are known the engine rebuilds the cycles; every channel is then read at the two moments at which the CPU would use it as
an address line and as a data line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..bus.calibration import TimeBase
from ..bus.lines import BIT
from ..bus.semantics import DATA_LEAD_SAMPLES
from ..capture.records import Block
from ..cycles.rebuild import Rebuild
from ..records.evidence import REFRESH_CLASS
from .program_fit import GRANTED, Program
from .raw import Int, Raw, Words


@dataclass
class Sample:
    """Machine cycles in order of time, without bus grants; arrays have one entry a cycle but for `refresh`."""

    program: Program
    kind: Int
    early: Words  #: raw words a moment before the request
    at_address: Words  #: raw words where an address is valid
    at_data: Words  #: raw words where data are
    refresh: Words  #: raw words in each refresh
    note: Int  #: index into bus.model.NOTES
    fall: Int  #: ticks

    def columns(self, channels: list[int]) -> tuple[dict[int, Int], dict[int, Int]]:
        """Return the levels (0 or 1) of channels as address lines and as data lines."""
        return (
            {k: (self.at_address >> np.uint64(k) & np.uint64(1)).astype(np.int64) for k in channels},
            {k: (self.at_data >> np.uint64(k) & np.uint64(1)).astype(np.int64) for k in channels},
        )


EARLY_SAMPLES, EARLY_T = 1.25, 0.2  #: how long before the request an address stands and data of a fast memory do not yet


def take_sample(raw: Raw, t: float, lines: dict[str, int], timescale_fs: int | None) -> Sample | None:
    """Rebuild the cycles with the lines named so far; None when there are none. t: length of a T-state, ticks."""
    captured = frozenset(lines)
    packed = np.zeros(len(raw.words), np.uint64)
    for line, channel in lines.items():
        packed |= (raw.words >> np.uint64(channel) & np.uint64(1)) << np.uint64(BIT[line])
    fall, rise, kind, note, refresh = [], [], [], [], []
    for batch in Rebuild(captured, TimeBase(timescale_fs)).batches([Block(raw.times, packed, None)]):
        own = batch.request_of_cycle >= 0
        at = batch.request_of_cycle[own]
        kept = at < len(batch.requests)
        at = at[kept]
        fall.append(batch.requests.fall[at])
        rise.append(batch.requests.rise[at])
        kind.append(batch.cycles.kind[own][kept])
        note.append(batch.cycles.note[own][kept])
        which = batch.request_class == REFRESH_CLASS
        refresh.append(batch.requests.fall[which] + ((batch.requests.rise[which] - batch.requests.fall[which]) >> 1))
    if not kind or sum(map(len, kind)) < 8:
        return None
    falls, rises, kinds, notes = (np.concatenate(column) for column in (fall, rise, kind, note))
    keep = kinds != GRANTED
    falls, rises, kinds, notes = falls[keep], rises[keep], kinds[keep], notes[keep]
    lead = int(DATA_LEAD_SAMPLES * raw.sample)
    return Sample(
        Program(kinds, notes != 0),
        kinds,
        raw.at(falls - int(min(EARLY_SAMPLES * raw.sample, EARLY_T * t))),
        raw.at(falls + ((rises - falls) * 3 >> 2)),
        raw.at(np.maximum(rises - lead, falls)),
        raw.at(np.concatenate(refresh)),
        notes,
        falls,
    )
