"""The place where a machine parts from its program, as rows of a table: captured, due, and with the fault that explains it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from strobewise.bus.units import time_words
from strobewise.records.replay import ReplayRecord, StripCycle
from strobewise.rules.replay import describe_group
from strobewise_cli.render.waveform_text import KIND_SHORT


class StripRow(NamedTuple):
    """One machine's cycles."""

    who: str
    cells: list[str]


class StripTable(NamedTuple):
    """All of them, ready to read."""

    begin: str  #: when the first cycle begins
    numbers: list[str]  #: of the cycles, counted from where the program begins
    differs: int  #: the first column that is not what was due, -1 where the leads do not show it
    rows: list[StripRow]


def strip_table(record: ReplayRecord | None) -> StripTable | None:
    """Return the table, None where the machine never parts from its program."""
    strip = record.strip if record is not None else None
    if record is None or strip is None:
        return None
    rows = [StripRow("captured", _cells(strip.captured)), StripRow("due by the program", _cells(strip.due))]
    if strip.fault:
        words = describe_group([candidate for candidate in record.candidates if candidate.group == 1][:1])
        rows.append(StripRow(f"with {words}", _cells(strip.fault)))
    wide = len(strip.captured)
    rows = [StripRow(row.who, (row.cells + [""] * wide)[:wide]) for row in rows]
    numbers = [str(strip.first + at + 1) for at in range(wide)]
    return StripTable(time_words(strip.first_s), numbers, -1 if strip.differs is None else strip.differs, rows)


def _cells(cycles: Sequence[StripCycle]) -> list[str]:
    return [_cell(cycle) for cycle in cycles]


def _cell(cycle: StripCycle) -> str:
    words = KIND_SHORT[cycle.kind]
    words += f" {cycle.t_states} T" if cycle.t_states is not None else ""
    words += f", {cycle.address:04x}h" if cycle.address is not None else ""
    return words + (f": {cycle.data:02x}h" if cycle.data is not None else "")
