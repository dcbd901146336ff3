"""What the lines of the buses say of each other, and the program of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, Tuple


@dataclass
class Pair:
    """Two lines that were equal at every sample point."""

    first: str
    second: str
    samples: int
    moves: int  #: samples in which they were at the rarer of their two levels
    moves_driven: int = 0  #: the same among the samples with data on the bus, all but the refreshes


@dataclass
class Operands:
    """Addresses that the program gave, against those that the bus showed; lists have one entry an address bit."""

    compared: int = 0
    agreed: int = 0
    ones: List[int] = field(default_factory=lambda: [0] * 16)  #: the operand says 1
    ones_lost: List[int] = field(default_factory=lambda: [0] * 16)  #: of those, the bus showed 0
    zeros: List[int] = field(default_factory=lambda: [0] * 16)
    zeros_lost: List[int] = field(default_factory=lambda: [0] * 16)
    #: by (i, j), i < j: operands with bit i unlike bit j, and of those shown with both low (wired-AND)
    wired_and: Dict[Tuple[int, int], Tuple[int, int]] = field(default_factory=dict)


@dataclass
class Pushes:
    """Return addresses that calls and restarts push, against those that the bus showed; lists have one entry a data bit."""

    compared: int = 0  #: bytes
    ones: List[int] = field(default_factory=lambda: [0] * 8)
    ones_lost: List[int] = field(default_factory=lambda: [0] * 8)
    zeros: List[int] = field(default_factory=lambda: [0] * 8)
    zeros_lost: List[int] = field(default_factory=lambda: [0] * 8)


@dataclass
class BusesRecord:
    """What the buses say of each other."""

    pairs: List[Pair]
    refreshes: int
    refresh_toggles: List[int]  #: times each of A0..A6 changed from one refresh to the next
    refresh_wrong: List[int]  #: times each of A0..A6 did not do what counting on the lower ones calls for
    operands: Operands
    pushes: Pushes
    address_toggles: List[int]  #: times each address line changed from one request to the next
    data_values: int = 0  #: different bytes on the data bus (what was captured of it), refreshes left out
    #: when two refreshes that do not count on by one were made, seconds; the first of them
    refresh_jumps: List[Tuple[float, float]] = field(default_factory=list)
