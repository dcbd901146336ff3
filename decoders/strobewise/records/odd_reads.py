"""Reads that gave another byte than they had to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, NamedTuple


class OddRead(NamedTuple):
    """One read of memory that gave another byte than stands there."""

    time_s: float
    address: int
    expected: int  #: what was written there, or read there before
    got: int


@dataclass
class OddReads:
    """Reads whose byte was known, and those that differ while the reads around them are right."""

    compared: int = 0
    stored: List[OddRead] = field(default_factory=list)  #: of memory that the CPU had written, the first
    kept: List[OddRead] = field(default_factory=list)  #: of memory that it had only read, the first
