"""What following the program came to: the CPU model's word against the bus."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, NamedTuple, Tuple


class Difference(NamedTuple):
    """One thing that the bus showed otherwise than foretold."""

    start: int  #: ticks, of the machine cycle
    address: int  #: of the instruction
    data: bytes  #: its bytes
    what: str  #: "next" (address of the next instruction), "code" (of its own bytes), "address" (of data), "data" (written), "kind"
    expected: int  #: address, byte, or index of the kind
    found: int
    place: int  #: address on the bus
    lines: Tuple[str, ...]  #: data lines each of which explains it when read otherwise ("next" and "kind"); see program.clues.Explanation


@dataclass
class LineCount:
    """One line in what the model foretold: how often at each level, and how often the bus showed the other."""

    ones: int = 0
    ones_lost: int = 0
    zeros: int = 0
    zeros_lost: int = 0


@dataclass
class PredictionRecord:
    """What following the program gave. All figures are of the stretches that were followed."""

    cycles: int  #: machine cycles looked at
    cycles_in_all: int
    instructions: int  #: followed
    windows: int  #: stretches, 1 where all of the capture was followed
    differences: Dict[str, int]  #: by what they are: next, code, address, data, kind
    kept: List[Difference]  #: the first of them, ticks
    tick_s: float
    written: List[LineCount]  #: D0..D7 in written bytes whose value the program gives
    address_wrong: List[LineCount]  #: A0..A15 in addresses of any kind; lost: wrong in this line alone
    alone_wrong: List[int]  #: the same for both levels, with those that were found to be no line's fault later on
    unlike: Dict[Tuple[int, int], int]  #: by two address lines on neighbouring pins: cycles in which they differ
    exchanged: Dict[Tuple[int, int], int]  #: by two address lines: addresses wrong in that the two show each other's level
    #: By data line ("D3" read at its other level) or pair ("D3<>D4" changed over): contradictions that it explains with the line captured
    #: low, with it captured high; of these, those that no other single line explains.
    explained: Dict[str, Tuple[int, int, int, int]]
    sought: int  #: contradictions for which such an explanation was sought; few at one place, so that a loop does not count again and again
    exhausted: bool  #: so much differed that the rest was not followed
    levels: List[LineCount] = field(default_factory=list)  #: D0..D7 in reads that were followed: ones and zeros captured
    odd_windows: int = 0  #: of the windows, those chosen because something is odd in them; the others are spread evenly

    @property
    def total(self) -> int:
        """Differences in all."""
        return sum(self.differences.values())
