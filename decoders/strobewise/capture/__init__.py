"""Captures: files in, blocks of packed words out (numpy)."""

from __future__ import annotations

from typing import Union

from ..records.volts import AnalogLevels
from .grid import SampleGrid, estimate_sample_interval
from .records import BitAssignment, BitStatistics, Block, Channel, Header
from .scope.reader import ScopeCapture
from .vcd.reader import VcdCapture

__all__ = [
    "AnalogLevels",
    "BitAssignment",
    "BitStatistics",
    "Block",
    "Capture",
    "Channel",
    "Header",
    "SampleGrid",
    "ScopeCapture",
    "VcdCapture",
    "estimate_sample_interval",
    "open_capture",
]

Capture = Union[VcdCapture, ScopeCapture]


def open_capture(path: str) -> Capture:
    """Open a capture: .vcd, .vcd.gz, a scope's .csv, or "-" for a VCD on standard input. Use the result as a context manager.

    Raises CaptureError.
    """
    if path.lower().endswith((".csv", ".csv.gz")):
        return ScopeCapture(path)
    return VcdCapture(path)
