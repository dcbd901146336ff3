"""The rule catalogue: one file per family of rules; importing this package registers them all."""

from __future__ import annotations

from . import (
    buses,
    bytes_alone,
    capture,
    clock,
    contents,
    course,
    expansion,
    free_run,
    held,
    leads,
    memory,
    odd_reads,
    prediction,
    replay,
    rhythm,
    rom,
    runaways,
    slips,
    strobes,
    timing,
    told,
    volts,
)  # fmt: skip
from .base import CATALOGUE, Found, Rule, check_catalogue, find_rule, rule, run

#: In the catalogue's order: of findings that are as sure, the earlier family's is told first. The known program comes first, for it weighs
#: all that the capture shows and not one line.
FAMILIES = (
    replay, free_run, runaways, course, rhythm, memory, rom, contents, odd_reads, buses, volts, strobes, capture, clock, expansion, held, leads, prediction, bytes_alone, told,
    timing, slips,
)  # fmt: skip
CATALOGUE.sort(key=lambda each: [family.__name__ for family in FAMILIES].index(each.decide.__module__))
check_catalogue()

__all__ = ["CATALOGUE", "FAMILIES", "Found", "Rule", "find_rule", "rule", "run"]
