"""What the bytes of a program tell of the bus where its addresses were not captured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, Optional, Tuple


@dataclass
class Compared:
    """Bytes that the bus showed, against what they must be."""

    number: int = 0
    wrong: int = 0
    silent: int = 0  #: of the wrong ones, those that were FFh
    #: for each data bit: should be 0, of those came as 1, should be 1, of those came as 0
    bits: List[List[int]] = field(default_factory=lambda: [[0] * 4 for _ in range(8)])
    first_s: Optional[float] = None  #: of the wrong ones
    last_s: Optional[float] = None


@dataclass
class BytesRecord:
    """What following the instructions by their bytes alone came to."""

    instructions: int = 0
    unlike: int = 0  #: of these, the ones behind whose bytes other cycles came than they call for
    first_s: Optional[float] = None  #: of these
    last_s: Optional[float] = None
    #: by data bit: those of the unlike that fit with this bit read as 0 where the capture has a 1, and the other way round
    explained: List[Tuple[int, int]] = field(default_factory=lambda: [(0, 0)] * 8)
    written: int = 0  #: different bytes written
    constant: List[Optional[int]] = field(default_factory=lambda: [None] * 8)  #: by data bit: its level in all of them, None where it moves
    moving: int = 0  #: bit i set when D<i> showed both levels in fetches and reads
    popped: Compared = field(default_factory=Compared)  #: bytes that the stack gave back, against those pushed
    stored: Compared = field(default_factory=Compared)  #: bytes written, against what the instruction had read
