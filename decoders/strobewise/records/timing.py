"""How long after its clock edge each strobe moves, and how the maskable interrupt fared."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, Optional


@dataclass
class Delay:
    """One delay of the AC table, as measured."""

    symbol: str
    line: str
    count: int
    median_s: float
    shortest_s: float
    longest_s: float
    meets: List[int] = field(default_factory=list)  #: grades (MHz) whose limit it keeps beyond the doubt of a sample
    breaks: List[int] = field(default_factory=list)  #: grades whose limit it breaks beyond that doubt; the others can not be told


@dataclass
class Interrupts:
    """Requests and acknowledges of the maskable interrupt."""

    requests: int
    acknowledged: int
    period_s: Optional[float]  #: middle distance between the starts of two requests
    latency_s: Optional[float]  #: middle time from a request to its acknowledge
    unanswered: int  #: requests with no acknowledge before the next one
    vectors: Dict[int, int]  #: byte read in the acknowledge -> times
    modes: Dict[str, int] = field(default_factory=dict)  #: interrupt mode, as what followed the acknowledge shows -> times


@dataclass
class TimingRecord:
    """Edges against the clock, and interrupts."""

    uncertainty_s: float  #: one sample interval either way
    delays: List[Delay]
    interrupts: Optional[Interrupts]  #: None where /INT was not captured
