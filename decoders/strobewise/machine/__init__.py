"""The simulated bench: a machine with faults on request, and a logic analyser that captures it."""

from __future__ import annotations

from .faults import FAULTS, Fault, fault
from .scenario import (
    GENERIC,
    GENERIC_PAGING,
    LINE_SETS,
    BoardOptions,
    BusRequest,
    CaptureOptions,
    Cpu,
    Press,
    Scenario,
)
from .scenario_file import load_scenario
from .simulate import SimulatedCapture, run_scenario, simulate
from .vcd_text import Dialect

__all__ = [
    "FAULTS",
    "GENERIC",
    "GENERIC_PAGING",
    "LINE_SETS",
    "BoardOptions",
    "BusRequest",
    "CaptureOptions",
    "Cpu",
    "Dialect",
    "Fault",
    "Press",
    "Scenario",
    "SimulatedCapture",
    "fault",
    "load_scenario",
    "run_scenario",
    "simulate",
]
