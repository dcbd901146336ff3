"""What the volts of a line say about the driver behind it."""

from __future__ import annotations

from typing import NamedTuple, Optional

SLOW_EDGE_SAMPLES = 4  #: a swing with more samples than this between the two input limits is slow


class AnalogLevels(NamedTuple):
    """What the volts of one channel say about the driver behind it.

    Fractions are of the samples. Input levels 0.8 V and 2.0 V: strobewise.bus.volts.
    """

    minimum_v: float
    maximum_v: float
    percentile_1_v: float
    median_v: float
    percentile_99_v: float
    between: float  #: fraction from 0.8 V to 2.0 V
    above_high: float  #: fraction above 2.0 V
    low_level_v: Optional[float]  #: the most common level below 0.8 V, None when never there
    high_level_v: Optional[float]  #: the most common level above 2.0 V, None when never there
    rises: int  #: swings from below 0.8 V to above 2.0 V
    falls: int  #: swings from above 2.0 V to below 0.8 V
    slow_edges: int  #: swings with more than SLOW_EDGE_SAMPLES samples between the two levels
    ringing: int  #: excursions out of the low or high range that came back to it
