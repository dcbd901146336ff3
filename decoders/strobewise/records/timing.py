"""How long after its clock edge each strobe moves, and how the maskable interrupt fared."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, Optional, Tuple


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
    mean_s: Optional[float] = None  #: finer than a sample, where the samples fall anywhere between the edges


@dataclass
class Settling:
    """Reads of memory whose data changed after the CPU had taken them, of those that were looked at."""

    reads: int = 0
    late: int = 0
    first_s: Optional[float] = None
    last_s: Optional[float] = None
    pages: Tuple[int, ...] = ()  #: starts of the stretches of 1 KB that they read from (of the address lines captured)
    fetches: int = 0  #: of the reads, those with /M1 low, where it was captured
    late_fetches: int = 0


@dataclass
class Interrupts:
    """Requests and acknowledges of the maskable interrupt."""

    requests: int
    acknowledged: int
    period_s: Optional[float]  #: middle distance between the starts of two requests
    latency_s: Optional[float]  #: middle time from a request to its acknowledge
    unanswered: int  #: requests with no acknowledge before the next one
    vectors: Dict[int, int]  #: byte read in the acknowledge -> times
    held_s: Optional[float] = None  #: since when the request lasts that the end of the capture cuts off
    held_acknowledged: int = 0  #: acknowledges within it
    modes: Dict[str, int] = field(default_factory=dict)  #: interrupt mode, as what followed the acknowledge shows -> times


@dataclass
class TimingRecord:
    """Edges against the clock, and interrupts."""

    uncertainty_s: float  #: one sample interval either way
    delays: List[Delay]
    interrupts: Optional[Interrupts]  #: None where /INT was not captured
    nmi_falls_s: List[float] = field(default_factory=list)  #: the first falling edges of /NMI
