"""The clock that is taken where nobody gave it and no line shows it, one for each kind of question."""

from __future__ import annotations

USUAL_CLOCK_HZ = 3_500_000.0  #: to advise by (common practice for machines of this kind)
FAST_CLOCK_HZ = 4_000_000.0  #: to count the T-states of something long by: the fastest of the usual clocks (our choice)
SLOW_CLOCK_HZ = 1_000_000.0  #: to count those of a silence by: the slowest makes the fewest, so that none is told too early (our choice)
