"""One kind of deeper evidence."""

from __future__ import annotations

from ..cycles.pipeline import Onlooker
from ..records.evidence import BusEvidence


class Part(Onlooker):
    """Looks on while the cycles are rebuilt, and has something to add to the evidence when the capture has ended."""

    def fill(self, evidence: BusEvidence) -> None:
        """Set the own field of the evidence, which is complete but for the parts. A part that is asked itself leaves it alone."""
