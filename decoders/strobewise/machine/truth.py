"""What really happened in a simulated capture, as the JSON of the truth spells it."""

from __future__ import annotations

from typing import Dict, List, Optional, TypedDict

from ..bus.model import Suspect
from .faults.table import Value


class TrueRow(TypedDict):
    """One machine cycle that began inside the capture."""

    kind: str
    t_states: Optional[int]  #: None when something cut it short
    wait_states: int
    address: int
    data: int
    note: str
    bus_granted: bool  #: the bus was given away before the next cycle
    start_s: float  #: on the capture's time axis


class TrueFault(TypedDict):
    """One fault that was put in."""

    fault: str
    parameters: Dict[str, Value]
    state: str
    lines: List[str]
    suspects: List[Suspect]


class Truth(TypedDict):
    """The whole document."""

    format: str
    version: int
    name: str
    seed: int
    clock_hz: float
    sample_hz: int
    lines: List[str]
    labels: List[str]
    faults: List[TrueFault]
    state: str
    suspects: List[Suspect]
    cycles: List[TrueRow]
