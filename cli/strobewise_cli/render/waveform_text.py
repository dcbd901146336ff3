"""A stretch of a capture as a small timing drawing in plain characters: levels as lines, buses as values, T-states on top."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from strobewise.bus.lines import BIT, FIRST_ADDRESS_BIT, FIRST_DATA_BIT, bar

COLUMNS_MAX = 66  #: columns of the drawing itself, so that it fits a line of 80 with its labels
PER_T_STATE = (6, 4, 3, 2, 1)  #: columns a T-state, the widest that fits is taken; two show each half
LABEL = 8
BUSES = {"A": (FIRST_ADDRESS_BIT, 16), "D": (FIRST_DATA_BIT, 8)}  #: rows that show a value: first bit and width
KIND_SHORT = {
    "opcode_fetch": "fetch",
    "memory_read": "read",
    "memory_write": "write",
    "memory_access": "access",
    "io_read": "I/O read",
    "io_write": "I/O write",
    "interrupt_acknowledge": "acknowledge",
    "bus_granted": "bus granted",
    "unknown": "?",
}


class Mark(NamedTuple):
    """A machine cycle to name above the drawing. Times as in the samples."""

    start: float
    kind: str
    t_states: int


class Stretch(NamedTuple):
    """What to draw. Times are in any one unit."""

    times: Sequence[float]  #: when the word changes, increasing
    words: Sequence[int]  #: packed levels from then on
    start: float
    t_state: float  #: length of a T-state
    t_states: int  #: how many to draw
    marks: Sequence[Mark] = ()


def columns_for(t_states: int) -> int:
    """Return the columns that each T-state gets."""
    return next((n for n in PER_T_STATE if n * t_states <= COLUMNS_MAX), PER_T_STATE[-1])


def draw(stretch: Stretch, lines: Sequence[str]) -> list[str]:
    """Return the drawing, one text a row: cycles, T-states, then the lines.

    lines: names of lines; "A" and "D" are the buses as values.
    """
    per_t = columns_for(stretch.t_states)
    width = per_t * stretch.t_states
    step = stretch.t_state / per_t
    edges = [stretch.start + step * column for column in range(width + 1)]
    rows = []
    if stretch.marks:
        rows.extend(_ruler(stretch, per_t, width))
    for name in lines:
        row = _value_row(stretch, name, edges) if name in BUSES else _level_row(stretch, name, edges)
        rows.append(f"{name if name in BUSES else bar(name):<{LABEL}}{row}".rstrip())
    return rows


def _word_at(stretch: Stretch, time: float) -> int:
    return stretch.words[max(0, bisect_right(stretch.times, time) - 1)]


def _level_row(stretch: Stretch, name: str, edges: Sequence[float]) -> str:
    mask = 1 << BIT[name]
    text = []
    for start, end in pairwise(edges):
        before, after = bool(_word_at(stretch, start) & mask), bool(_word_at(stretch, end) & mask)
        first, last = bisect_right(stretch.times, start), bisect_right(stretch.times, end)
        moved = any(bool(word & mask) != before for word in stretch.words[first:last])
        if before != after:
            text.append("/" if after else "\\")
        elif moved:
            text.append("|")  # a pulse shorter than a column
        else:
            text.append("‾" if before else "_")
    return "".join(text)


def _value_row(stretch: Stretch, name: str, edges: Sequence[float]) -> str:
    first, width = BUSES[name]
    mask, digits = (1 << width) - 1, width // 4
    values = [_word_at(stretch, (a + b) / 2) >> first & mask for a, b in pairwise(edges)]
    row = [" "] * len(values)
    at = 0
    while at < len(values):
        end = at
        while end < len(values) and values[end] == values[at]:
            end += 1
        text = f"{values[at]:0{digits}X}"
        row[at] = "|"
        if end - at > len(text):
            place = at + 1 + (end - at - 1 - len(text)) // 2
            row[place : place + len(text)] = text
        at = end
    return "".join(row)


def _ruler(stretch: Stretch, per_t: int, width: int) -> list[str]:
    names, numbers = [" "] * width, [" "] * width
    for mark in stretch.marks:
        at = round((mark.start - stretch.start) / stretch.t_state * per_t)
        if not 0 <= at < width:
            continue
        room = min(width - at, mark.t_states * per_t)
        text = f"|{KIND_SHORT.get(mark.kind, mark.kind)}"[:room]
        names[at : at + len(text)] = text
        for number in range(mark.t_states):
            place = at + number * per_t
            label = f"T{number + 1}" if per_t > 2 else str((number + 1) % 10) if per_t == 2 else " "
            if place + len(label) <= width:
                numbers[place : place + len(label)] = label
    lead = " " * LABEL
    return [(lead + "".join(row)).rstrip() for row in (names, numbers) if "".join(row).strip()]
