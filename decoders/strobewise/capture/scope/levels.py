"""Volts: the levels of a channel as evidence, and its logic level by the input limits with hysteresis.

Limits: :mod:`strobewise.bus.volts`.
"""

from __future__ import annotations

from typing import Optional

import numpy as np
import numpy.typing as npt

from ...bus.volts import INPUT_HIGH_V, INPUT_LOW_V
from ...records.volts import SLOW_EDGE_SAMPLES, AnalogLevels

BIN_V = 0.01  #: a tenth of the 0.1 V that the rules on levels judge by
FIRST_BIN_V = -20.0  #: a probe on 10:1 that is told 1:1 still shows 5 V inside, and so does a level below ground
BINS = 4000  #: -20 V to +20 V; what lies beyond counts in the outer bins, minimum and maximum stay exact

_LOW, _BETWEEN, _HIGH = 0, 1, 2  #: in this order: a zone is how many of the two limits lie below the level


class LevelRecord:
    """Collects the samples of one channel in bounded memory: a histogram and the swings between the ranges."""

    def __init__(self) -> None:
        self.histogram: npt.NDArray[np.int64] = np.zeros(BINS, np.int64)
        self.samples = 0
        self.minimum = np.inf
        self.maximum = -np.inf
        self.counts = [0, 0, 0]  # below low, between, above high
        self.rises = self.falls = self.slow_edges = self.ringing = 0
        self.level: Optional[int] = None  #: logic level after the samples so far, None before the first decided one
        self._between = 0  # samples since the last one in the low or high range

    def add(self, volts: npt.NDArray[np.float64]) -> npt.NDArray[np.int8]:
        """Count samples, float64 (n,), volts.

        Returns int8 (n,): the logic level after each sample, -1 before the first sample outside the undecided range.
        """
        self.samples += len(volts)
        self.minimum = min(self.minimum, float(volts.min(initial=np.inf)))
        self.maximum = max(self.maximum, float(volts.max(initial=-np.inf)))
        bins = np.clip(np.floor((volts - FIRST_BIN_V) / BIN_V), 0, BINS - 1).astype(np.int64)
        self.histogram += np.bincount(bins, minlength=BINS)
        zones = (volts >= INPUT_LOW_V).astype(np.int8) + (volts > INPUT_HIGH_V)
        for zone, count in enumerate(np.bincount(zones, minlength=3).tolist()):
            self.counts[zone] += count
        return self._swings(zones)

    def _swings(self, zones: npt.NDArray[np.int8]) -> npt.NDArray[np.int8]:
        decided = np.flatnonzero(zones != _BETWEEN)
        before = -1 if self.level is None else self.level
        if not len(decided):
            self._between += len(zones)
            return np.full(len(zones), before, np.int8)
        levels = (zones[decided] == _HIGH).astype(np.int8)
        previous = np.concatenate((np.array([before], np.int8), levels[:-1]))
        gaps = np.diff(decided, prepend=-1 - self._between) - 1  # samples between the limits before each decided one
        known = previous >= 0
        swings = known & (levels != previous)
        self.rises += int(np.count_nonzero(swings & (levels == 1)))
        self.falls += int(np.count_nonzero(swings & (levels == 0)))
        self.slow_edges += int(np.count_nonzero(swings & (gaps > SLOW_EDGE_SAMPLES)))
        self.ringing += int(np.count_nonzero(known & (levels == previous) & (gaps > 0)))
        self.level = int(levels[-1])
        self._between = len(zones) - 1 - int(decided[-1])
        held = np.concatenate((np.array([before], np.int8), levels))
        lengths = np.diff(decided, prepend=0, append=len(zones))
        return np.repeat(held, lengths)

    def result(self) -> AnalogLevels:
        """Return the evidence collected so far; raises ValueError when there is no sample."""
        if not self.samples:
            raise ValueError("no samples")
        total = self.samples
        _, between, above = (count / total for count in self.counts)
        return AnalogLevels(
            minimum_v=self.minimum,
            maximum_v=self.maximum,
            percentile_1_v=self._percentile(0.01),
            median_v=self._percentile(0.50),
            percentile_99_v=self._percentile(0.99),
            between=between,
            above_high=above,
            low_level_v=self._typical(FIRST_BIN_V, INPUT_LOW_V),
            high_level_v=self._typical(INPUT_HIGH_V, FIRST_BIN_V + BINS * BIN_V),
            rises=self.rises,
            falls=self.falls,
            slow_edges=self.slow_edges,
            ringing=self.ringing,
        )

    def _percentile(self, fraction: float) -> float:
        index = int(np.searchsorted(np.cumsum(self.histogram), fraction * self.samples))
        centre = FIRST_BIN_V + (index + 0.5) * BIN_V
        return round(min(max(centre, self.minimum), self.maximum), 4)

    def _typical(self, low_v: float, high_v: float) -> Optional[float]:
        """Return the median of the samples within a range: a level, deaf to overshoot. None when there are none."""
        first, last = (round((volts - FIRST_BIN_V) / BIN_V) for volts in (low_v, high_v))
        counts = np.cumsum(self.histogram[first:last])
        if not len(counts) or counts[-1] == 0:
            return None
        index = first + int(np.searchsorted(counts, counts[-1] / 2))
        return round(FIRST_BIN_V + (index + 0.5) * BIN_V, 4)
