"""Where the request stands in each kind of machine cycle: arrays by kind, from the table in :mod:`strobewise.bus.semantics`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..bus.semantics import SPEC, bare_width


def _per_kind(value: str) -> npt.NDArray[np.float64]:
    table = np.zeros(len(KIND_INDEX) + 1)
    for kind, index in KIND_INDEX.items():
        spec = SPEC.get(kind, SPEC["memory_read"])
        table[index] = getattr(spec, value)
    return table


ASSERTS_AT, WIDTH = _per_kind("asserts_at"), _per_kind("width")
BARE_WIDTH = np.array([bare_width(kind) for kind in KIND_INDEX] + [1.0])
BARE_AT = np.array([0.5] * (len(KIND_INDEX) + 1))
BARE_AT[[KIND_INDEX["memory_write"]]] = 1.5  # UM0080, timing figures
BARE_AT[[KIND_INDEX["io_read"], KIND_INDEX["io_write"]]] = 1.0  # the same
