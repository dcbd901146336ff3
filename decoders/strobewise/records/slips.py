"""Edges that come sooner behind one another than the CPU and its clock let them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, NamedTuple, Optional, Tuple


class Period(NamedTuple):
    """One period of CLK, from rising edge to rising edge, and its neighbours; seconds."""

    start_s: float
    length_s: float
    before_s: float  #: 0 where it was not seen
    after_s: float


@dataclass
class Slips:
    """The shortest pulses of the CPU's outputs, and the periods of CLK that are least like the others."""

    pulses: Dict[str, List[Tuple[float, float]]] = field(default_factory=dict)  #: by line: (length, start) of the shortest, seconds
    periods: int = 0  #: of CLK, looked at
    middle_s: Optional[float] = None  #: the median of them
    usual_s: Tuple[float, float] = (0.0, 0.0)  #: between these lie nine tenths
    odd: List[Period] = field(default_factory=list)  #: the shortest and the longest
