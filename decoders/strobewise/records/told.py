"""What memory gave back at addresses that nobody captured and that the program tells."""

from __future__ import annotations

from dataclasses import dataclass

from .bytes_alone import Compared
from .memory import MemoryRecord
from .odd_reads import OddReads


@dataclass
class Told:
    """Addresses told by the program, and the memory at them."""

    told: int  #: memory cycles whose address the program tells
    written: Compared  #: bytes written, pushed return addresses among them, against what the program calls for
    memory: MemoryRecord
    odd_reads: OddReads
