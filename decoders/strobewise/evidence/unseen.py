"""What may have been written while nobody saw it: no read is held against what stood there before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT
from ..bus.model import KIND_INDEX
from ..cycles.engine import Batch
from ..cycles.table import CycleTable, Flags

_READ, _WRITE, _ACCESS, _UNKNOWN = (KIND_INDEX[kind] for kind in ("memory_read", "memory_write", "memory_access", "unknown"))
_RD = np.uint64(1 << BIT["RD"])


def surely_told(batch: Batch) -> CycleTable:
    """Return the cycles; a read that the silence of /WR tells, where /RD is not known, becomes an access: /WR may be late."""
    cycles, unknown = batch.cycles, batch.requests.unknown
    if not len(unknown) or not (unknown & _RD).any():
        return cycles
    owner = batch.request_of_cycle
    unsure = (cycles.kind == _READ) & cycles.inferred & (owner >= 0) & (unknown[owner] & _RD != 0)
    return replace(cycles, kind=np.where(unsure, np.uint8(_ACCESS), cycles.kind)) if unsure.any() else cycles


def may_write(kind: npt.NDArray[np.uint8]) -> Flags:
    """Say which machine cycles may have written: those that did, and those of which the strobes do not tell the direction."""
    return np.asarray((kind == _WRITE) | (kind == _ACCESS) | (kind == _UNKNOWN), np.bool_)


def hidden_writes(cycles: CycleTable, blind: Flags | None) -> Flags | None:
    """Say in or behind which cycles any byte of memory may have been written unseen; None where none was.

    blind: see cycles.engine.Batch.
    """
    hidden = may_write(cycles.kind) & (cycles.address < 0)
    if blind is not None:
        hidden |= blind
    return hidden if hidden.any() else None
