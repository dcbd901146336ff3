"""Captures: files in, blocks of packed words out (numpy)."""

from __future__ import annotations

from ..records.volts import AnalogLevels
from .grid import SampleGrid, estimate_sample_interval
from .interface import Capture, Recording
from .opening import open_capture
from .records import BitAssignment, BitStatistics, Block, Channel, Header
from .vcd.reader import VcdCapture

__all__ = [
    "AnalogLevels",
    "BitAssignment",
    "BitStatistics",
    "Block",
    "Capture",
    "Channel",
    "Header",
    "Recording",
    "SampleGrid",
    "VcdCapture",
    "estimate_sample_interval",
    "open_capture",
]
