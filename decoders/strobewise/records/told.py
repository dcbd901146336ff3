"""What memory gave back at addresses that nobody captured and that the program tells."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Tuple

from .bytes_alone import Compared
from .memory import MemoryRecord
from .odd_reads import OddReads


@dataclass(frozen=True)
class Anew:
    """Pauses without a cycle, behind each of which the same bytes come, which the program does not go on with elsewhere."""

    times_s: Tuple[float, ...] = ()  #: of the first fetch behind each
    pause_s: float = 0.0  #: how long the middle one of them lasts
    cycles: Tuple[int, ...] = ()  #: bytes of the first cycles behind them


@dataclass
class Told:
    """Addresses told by the program, and the memory at them."""

    told: int  #: memory cycles whose address the program tells
    written: Compared  #: bytes written, pushed return addresses among them, against what the program calls for
    memory: MemoryRecord
    odd_reads: OddReads
    anew: Anew = field(default_factory=Anew)
