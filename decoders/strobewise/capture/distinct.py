"""Which values occur in an array, and which is in its middle: as numpy has it too, but there it may load the masked arrays first.

Those cost a tenth of what a small verdict takes.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", bound=np.number)


def distinct(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Return each value once, rising, as numpy.unique does. Shape (n,)."""
    ordered = np.sort(values, axis=None)
    first: npt.NDArray[np.bool_] = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return ordered[first]


def median(values: npt.NDArray[Number]) -> float:
    """Return the middle value, of an even number the mean of the two in the middle, as numpy.median does. At least one, and no NaN."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    low, high = np.partition(values, (half - 1, half))[half - 1 : half + 1].tolist()
    return float((low + high) / 2)


def one_of(values: npt.NDArray[Number], choices: Iterable[int]) -> npt.NDArray[np.bool_]:
    """Say which values are one of a few, as numpy.isin does, which sorts both. Shape of `values`."""
    found: npt.NDArray[np.bool_] = np.zeros(values.shape, np.bool_)
    for choice in choices:
        found |= values == choice
    return found
