"""Sample rates: how they are written, and the times of samples in whole ticks."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ...bus.units import FS_PER_S
from ..records import Times

HIGHEST_HZ = 10**12  #: beyond it a tick of a femtosecond tells too few samples apart
ODD_TICK_FS = 1000  #: where no whole number of femtoseconds lies between two samples: a time is off by half of it at most
#: Of a capture that names no rate and has one sample a clock: a nanosecond each, as in the VCDs of analysers that were told none.
NO_RATE = Fraction(10**9)
SAY_CLOCKED = "where it has one sample for each clock of the CPU, say so with --clocked falling or --clocked rising"
RATE_PREFIXES = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}
_RATE = re.compile(r"([0-9]{1,15}(?:\.[0-9]{1,12})?)\s*([kmg]?)\s*(?:hz)?", re.IGNORECASE)


def parse_rate(text: str) -> Optional[Fraction]:
    """Return a rate in hertz, written as 24000000, 24M, 24 MHz or 12.5MHz; None for anything else, and for one that cannot be."""
    match = _RATE.fullmatch(text.strip())
    if match is None:
        return None
    return within_limits(Fraction(match[1]) * RATE_PREFIXES[match[2].lower()])


def within_limits(hertz: Fraction) -> Optional[Fraction]:
    """Return a rate, None for one that cannot be."""
    return hertz if 0 < hertz <= HIGHEST_HZ and FS_PER_S / hertz < 1 << 62 else None


class SampleTimes(NamedTuple):
    """When samples are: sample n at n * up / down ticks, rounded to the nearest."""

    tick_fs: int  #: a decade of a second
    up: int
    down: int

    @classmethod
    def at(cls, hertz: Fraction) -> SampleTimes:
        """Return the coarsest ticks, in decades, of which an interval is a whole number; picoseconds where there are none."""
        interval = FS_PER_S / hertz
        if interval.denominator != 1:
            ticks = interval / ODD_TICK_FS
            return cls(ODD_TICK_FS, ticks.numerator, ticks.denominator)
        tick = 1
        while interval.numerator % (tick * 10) == 0:
            tick *= 10
        return cls(tick, interval.numerator // tick, 1)

    @property
    def interval_ticks(self) -> float:
        """Return the distance of two samples in ticks."""
        return self.up / self.down

    def tick(self, sample: int) -> int:
        """Return the time of one sample."""
        return (sample * self.up + self.down // 2) // self.down

    def ticks(self, first: int, offsets: npt.NDArray[np.int64]) -> Times:
        """Return the times of the samples first + offsets; offsets int64 (n,), those within one piece of a capture."""
        if self.down == 1:
            return offsets * self.up + first * self.up if self.up > 1 else offsets + first
        whole, rest = divmod(first * self.up + self.down // 2, self.down)
        return (offsets * self.up + rest) // self.down + whole
