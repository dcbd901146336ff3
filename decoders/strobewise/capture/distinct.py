"""Which values occur in an array."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", bound=np.number)


def distinct(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Return each value once, rising: np.unique loads numpy's masked arrays first, a tenth of what a small verdict takes. Shape (n,)."""
    ordered = np.sort(values, axis=None)
    first: npt.NDArray[np.bool_] = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return ordered[first]
