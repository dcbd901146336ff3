"""The rule catalogue: one file per family of rules; importing this package registers them all."""

from __future__ import annotations

from . import buses, capture, clock, expansion, held, leads, memory, prediction, strobes, timing, volts
from .base import CATALOGUE, Found, Rule, find_rule, rule, run

__all__ = ["CATALOGUE", "Found", "Rule", "buses", "capture", "clock", "expansion", "find_rule", "held", "leads", "memory", "prediction", "rule", "run", "strobes", "timing", "volts"]
