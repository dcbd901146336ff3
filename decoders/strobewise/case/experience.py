"""The shop's own experience: whom closed cases found to blame, counted beside the table of suspects, and never silently.

The table's shares count as TABLE_CASES cases of their own, so that a few closed cases move them a little and many a lot (a Dirichlet prior
with the table as its mean; textbook). Only cases that were closed with a proof which still stands count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from ..bus.model import Suspect
from ..errors import StrobewiseError
from .belief import Shares, normalised
from .sheet import SHEET, read_sheet

TABLE_CASES = 20.0  #: closed cases that the table is worth; our choice


class Experience(NamedTuple):
    """Closed cases by what their captures showed."""

    counts: Mapping[str, Mapping[Suspect, int]]  #: rule -> suspect -> cases
    unreadable: tuple[str, ...] = ()  #: folders that hold a case which cannot be read

    def weigh(self, shares: Shares, rule: str) -> tuple[Shares, int]:
        """Return shares with the closed cases counted in which a rule found its fault, and how many those are."""
        found = self.counts.get(rule, {})
        total = sum(found.values())
        if not total:
            return shares, 0
        return normalised({name: share * TABLE_CASES + found.get(name, 0) for name, share in shares.items()}), total


NO_EXPERIENCE = Experience({})


def read_experience(folders: Iterable[str | Path]) -> Experience:
    """Return what closed cases say. folders: cases, or folders with cases in them."""
    counts: dict[str, Counter[Suspect]] = {}
    bad = []
    for sheet in dict.fromkeys(sheet for folder in folders for sheet in sorted(Path(folder).rglob(SHEET))):
        try:
            closed = read_sheet(sheet.parent).closed
        except (StrobewiseError, OSError):
            bad.append(str(sheet.parent))
            continue
        if closed is None or not closed.stands:
            continue
        for rule in closed.rules:
            counts.setdefault(rule, Counter())[closed.was] += 1
    return Experience(counts, tuple(bad))
