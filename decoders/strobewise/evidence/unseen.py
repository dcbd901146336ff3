"""What may have been written while nobody saw it: no read is held against what stood there before."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..cycles.table import CycleTable, Flags

_WRITE, _ACCESS, _UNKNOWN = (KIND_INDEX[kind] for kind in ("memory_write", "memory_access", "unknown"))


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
