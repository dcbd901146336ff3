"""Where machine cycles end and how many T-states they took, once they lie in one sequence."""

from __future__ import annotations

from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import NMI_ADDRESS, SHORTEST
from .breaks import Breaks
from .pulses import Int
from .table import NOT_KNOWN, CycleTable, Flags

FETCH, WRITE = KIND_INDEX["opcode_fetch"], KIND_INDEX["memory_write"]
_SHORTEST = np.array(SHORTEST)
_CUT_SHORT = NOTE_INDEX["cut_short"]


class Columns(NamedTuple):
    """Cycles and bus grants in order of their assert edges, arrays of equal length: columns of a CycleTable, and what they come from."""

    start: Int
    clock: Int  #: running number of the clock edge that starts T1
    fall: Int
    rise: Int
    kinds: npt.NDArray[np.uint8]
    waits: Int
    address: npt.NDArray[np.int32]
    data: npt.NDArray[np.int16]
    inferred: Flags
    note: Int
    owner: Int  #: index of the request, NOT_KNOWN for a bus grant


def ended(
    columns: Columns, latest: int, breaks: Breaks, blind: Optional[Flags], calibration: Calibration, has_data: bool
) -> CycleTable:
    """Return the table of machine cycles.

    latest: start of the cycle before the first. blind: see Breaks.behind. has_data: the data lines were captured.
    """
    _, clock, fall, rise, kinds, waits, address, data, inferred, note, _ = columns
    n = len(fall)
    starts = np.maximum.accumulate(np.append(latest, columns.start))
    moved = columns.start <= starts[:-1]  # by its strobes it began no later than the cycle before it did: where is not known
    start = starts[1:]
    end = np.append(start[1:], rise[-1:])
    t_states = np.full(n, NOT_KNOWN, np.int64)
    if calibration.counts_clock:
        t_states[:-1] = np.diff(clock)
    elif calibration.t_ticks is not None and calibration.tells_lengths:
        t_states[:-1] = np.round(np.diff(start) / calibration.t_ticks)
    t_states[:-1][moved[1:]] = NOT_KNOWN
    cut = note == _CUT_SHORT
    t_states[moved | cut | (t_states < _SHORTEST[kinds])] = NOT_KNOWN
    end[cut] = np.minimum(end, rise)[cut]
    if blind is not None:
        t_states[blind] = NOT_KNOWN
        end[blind] = rise[blind]
    for low, high in breaks.resets:
        k = int(np.searchsorted(fall, low)) - 1  # the cycle that the reset broke off or followed
        if 0 <= k < n and end[k] >= low:
            t_states[k] = NOT_KNOWN
            end[k] = max(low, min(int(rise[k]), high))
            if rise[k] >= low:
                note[k] = _CUT_SHORT
    note[:-3][_thrown_away(kinds, address, data if has_data else None)] = NOTE_INDEX["nmi_response"]
    return CycleTable.build(
        start, np.maximum(end, start), kinds, t_states=t_states, wait_states=waits, address=address, data=data, inferred=inferred, note=note
    )


def _thrown_away(
    kinds: npt.NDArray[np.uint8], address: npt.NDArray[np.int32], data: Optional[npt.NDArray[np.int16]]
) -> Flags:
    """Say which cycles but the last three are fetches whose byte was thrown away: two pushes of their address and one at 0066h follow."""
    hit = (kinds[:-3] == FETCH) & (kinds[1:-2] == WRITE) & (kinds[2:-1] == WRITE) & (kinds[3:] == FETCH)
    hit &= (address[:-3] >= 0) & (address[1:-2] >= 0) & (address[3:] == NMI_ADDRESS) & (address[2:-1] == (address[1:-2] - 1) & 0xFFFF)
    if data is not None:
        hit &= (data[1:-2].astype(np.int32) << 8 | data[2:-1]) == address[:-3]
    return np.asarray(hit, np.bool_)
