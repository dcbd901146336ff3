"""The faults that a simulated machine can have, one file for each place of fault.

Each kind says its parameters, its effects (typed records: what is wrong with which part), the lines that it spoils, and who is
truly to blame. An effect acts where it really would: the program derails when it must. How such faults show on a bench is
common practice.
"""

from __future__ import annotations

from . import clock, cpu, expansion, inputs, lines, memory, probe, supply
from .table import FAULTS, Effect, Effects, Fault, FaultKind, Parameter, fault, fault_kind

#: The order of the catalogue, whatever the order of the imports.
PLACES_OF_FAULT = ("lines", "cpu", "memory", "inputs", "clock", "supply", "expansion", "probe")
for _kind in sorted(FAULTS.values(), key=lambda kind: PLACES_OF_FAULT.index(kind.place)):
    FAULTS[_kind.name] = FAULTS.pop(_kind.name)

__all__ = [
    "FAULTS",
    "PLACES_OF_FAULT",
    "Effect",
    "Effects",
    "Fault",
    "FaultKind",
    "Parameter",
    "clock",
    "cpu",
    "expansion",
    "fault",
    "fault_kind",
    "inputs",
    "lines",
    "memory",
    "probe",
    "supply",
]
