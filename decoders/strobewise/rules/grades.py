"""How sure a finding is that a line behaves as it says, in a few named grades; whom that makes suspect is :mod:`.blame`'s.

The figures are our choice. A grade sets the order of findings and what a verdict's suspects start from; how often verdicts of each
confidence are right on simulated faults is printed by ``benchmarks/fault_matrix.py``. Finer steps than these would claim more than that
table can show.
"""

from __future__ import annotations

from typing import NamedTuple, Tuple

OURS = "our choice"


class Grade(NamedTuple):
    """One row of the table."""

    name: str
    confidence: float  #: that the line behaves as the finding says
    means: str
    source: str


# What each of them means is told in the table.
CERTAIN, STRONG, LIKELY, FAIR, HINT, GUESS = 0.97, 0.9, 0.85, 0.8, 0.65, 0.5

#: Every grade, the surest first.
GRADES: Tuple[Grade, ...] = (
    Grade("certain", CERTAIN, "plain on the line itself for long, with nothing to weigh: it never moved, or was just the opposite", OURS),
    Grade("strong", STRONG, "many cases, hardly any against, and no other line does as well; what a rule says unless it says otherwise", OURS),
    Grade("likely", LIKELY, "the same, read from fewer cases or through what other lines let us know", OURS),
    Grade("fair", FAIR, "enough cases to call it a fault, and one known way in which they could deceive", OURS),
    Grade("hint", HINT, "seen, and with more than one explanation, or seen otherwise in another capture: worth a measurement", OURS),
    Grade("guess", GUESS, "what was captured does not tell; said so that it is not passed over", OURS),
)  # fmt: skip
