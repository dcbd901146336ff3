"""Expectations of captures in TOML: load them, check a capture against them, record them from a good one."""

from __future__ import annotations

from .check import check, verify
from .load import load_expectations
from .model import Check, CheckedCapture, Event, ExpectationError, Expectations, Range
from .observe import Observation, observe, options_of
from .record import recorded

__all__ = [
    "Check",
    "CheckedCapture",
    "Event",
    "ExpectationError",
    "Expectations",
    "Observation",
    "Range",
    "check",
    "load_expectations",
    "observe",
    "options_of",
    "recorded",
    "verify",
]
