"""How often each value came: percentiles of millions of delays in the room of a few dozen numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

_NARROW = 1 << 12  #: values from the least to the largest so near are counted in a table, without being sorted


class Spread:
    """Counts of values. An analyser's samples leave few different ones, however long it captures."""

    def __init__(self) -> None:
        self._counts: Counter[int] = Counter()

    def add(self, values: npt.NDArray[np.int64]) -> None:
        """Count values, int64 (n,)."""
        if not len(values):
            return
        least = int(values.min())
        if int(values.max()) - least < _NARROW:
            many = np.bincount(values - least)
            different = np.flatnonzero(many)
            counts = many[different]
            different += least
        else:
            different, counts = np.unique(values, return_counts=True)
        self._counts.update(dict(zip(different.tolist(), counts.tolist(), strict=True)))

    def __len__(self) -> int:
        return sum(self._counts.values())

    def mean(self) -> float:
        """Return the mean, 0 where there are no values. Of many delays it is finer than the samples in which each is known."""
        number = len(self)
        return sum(value * count for value, count in self._counts.items()) / max(1, number)

    def percentiles(self, shares: Sequence[float]) -> list[float]:
        """Return percentiles, shares in percent, as numpy.percentile gives them of all values (linear between neighbours).

        Raises ValueError when there are no values.
        """
        if not self._counts:
            raise ValueError("no values")
        values = np.array(sorted(self._counts), np.int64)
        below = np.cumsum([self._counts[value] for value in values.tolist()])  # how many are at most as large
        places = np.array(shares) / 100 * (int(below[-1]) - 1)
        lower = values[np.searchsorted(below, np.floor(places), "right")]
        upper = values[np.searchsorted(below, np.ceil(places), "right")]
        return [float(value) for value in lower + (upper - lower) * (places - np.floor(places))]
