"""Captures: files in, blocks of packed words out (numpy)."""

from __future__ import annotations

from typing import Union

from .records import AnalogLevels, BitAssignment, BitStatistics, Block, Channel, Header
from .vcd import VcdCapture

__all__ = [
    "AnalogLevels",
    "BitAssignment",
    "BitStatistics",
    "Block",
    "Capture",
    "Channel",
    "Header",
    "VcdCapture",
    "open_capture",
]

Capture = Union[VcdCapture]


def open_capture(path: str) -> Capture:
    """Open a capture: .vcd, .vcd.gz, or "-" for a VCD on standard input. Use the result as a context manager.

    Raises CaptureError.
    """
    return VcdCapture(path)
