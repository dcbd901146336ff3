"""The head of a CSV, of a scope, an analyser or the capture host: separator, names, units, where the time is, and where the samples begin.

No standard says how these write CSV; what is understood here is common practice: any lines of remarks, then a line of
names (units in brackets, or on a line of their own), then rows of numbers; "," ";" or tab between the columns, and a
decimal comma where the separator is not one. What remarks can say: :mod:`remarks`.
"""

from __future__ import annotations

import csv
import re
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple, Optional

from .. import limits
from ..samples.rate import NO_RATE, SAY_CLOCKED
from ..vcd.header import printable
from ..vcd.positions import BodyError
from .remarks import Remarks
from .units import TIME_UNITS_S, VOLT_UNITS_V, are_units, is_time, name_and_unit, unit_of

_INDEX_NAMES = frozenset({"sample", "samples", "index", "no", "no.", "#"})
MOST_HEAD_LINES = 100  #: settings above the table: exporters write some twenty

COARSE_S = 1e-5  #: between two rows: ten times what the slowest analyser in use takes; times without a unit may be none of seconds
NO_UNIT = "the times have no unit that is known here, and are taken for seconds: if they are not, write it behind their name, as Time [us]"
_ROWS_LOOKED_AT = 64  #: of the table, to tell its separator and its columns: one row may be odd
_UNITS_OF_HOST = re.compile(r"(?:milli|micro|nano|pico|femto|atto)?seconds|samples")  #: the last one where it was told no rate in time

EXPORT_AGAIN = "export it again with a column of times and a column of volts per channel"
NAME_RATE = "write a line such as 'Sample rate: 24 MHz' above its rows"


class Column(NamedTuple):
    """One column of samples."""

    place: int  #: from 0, in the file
    name: str
    scale: float  #: volts per unit of the file


class ScopeHead(NamedTuple):
    """What the head of the file says."""

    separator: str
    decimal_comma: bool
    time_index: Optional[int]  #: None where rows are samples in order
    time_scale: float  #: seconds per unit of the file; where a rate is told, samples
    columns: tuple[Column, ...]  #: of volts or logic levels
    width: int  #: columns of a row
    end: int  #: offset of the first row of numbers
    line: int  #: its line, from 1
    rate: Optional[Fraction] = None  #: samples a second, where the remarks tell it
    first_sample: float = 0.0  #: taken from every time, in samples
    by_host: bool = False  #: written by the capture host
    no_unit: bool = False  #: of its times, which are rather long for seconds


class _NeedMore(Exception):
    """More rows are needed to tell which column is the time."""


def parse_head(data: bytes, complete: bool, rateless: bool = False) -> Optional[ScopeHead]:
    """Parse the head from the first bytes of a file; None when more bytes are needed. rateless: it need tell neither times nor a rate.

    Raises BodyError with the offset of what is wrong.
    """
    if complete and not data.strip():
        raise BodyError("the file is empty", None, EXPORT_AGAIN)
    offset = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    head: list[str] = []
    remarks = Remarks()
    number = 0
    while number <= MOST_HEAD_LINES or remarks.by_host:
        number += 1
        end = data.find(b"\n", offset)
        if end < 0 and not complete:
            return None
        line = _text(data[offset : end if end >= 0 else len(data)])
        style = _number_style(line, len(remarks.names) == 1)
        if style is not None:
            try:
                return _head(head, _first_rows(data, offset, complete), style, offset, number, remarks, complete, rateless)
            except _NeedMore:
                return None
        remarks = remarks.and_line(line)
        head = [*head[-MOST_HEAD_LINES:], line]
        if end < 0:
            break
        offset = end + 1
    raise BodyError("this is no CSV of a scope: no row of numbers in two columns or more", 0, EXPORT_AGAIN)


def _text(line: bytes) -> str:
    try:
        line.decode()
    except UnicodeDecodeError:
        line = line.decode("latin-1").encode()  # as many programs write the micro sign
    return printable(line.rstrip(b"\r\n").replace(b"\t", b"\x00")).replace("\ufffd", "\t")


def _first_rows(data: bytes, offset: int, complete: bool) -> list[str]:
    """Return the first lines from an offset on; a line that may go on is none."""
    rows = data[offset : offset + limits.MAX_CSV_LINE_BYTES].split(b"\n", _ROWS_LOOKED_AT)
    rows = rows[:-1] if len(rows) > 1 and not (complete and rows[-1].strip()) else rows
    return [_text(row) for row in rows[:_ROWS_LOOKED_AT] if row.strip()]


def split_row(line: str, separator: str) -> list[str]:
    """Return the cells of a row, without quotes and blanks; a separator at its end closes the row."""
    parts = next(csv.reader([line], delimiter=separator, skipinitialspace=True), []) if '"' in line else line.split(separator)
    cells = [cell.strip().strip('"').strip() for cell in parts]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def to_number(cell: str, decimal_comma: bool) -> Optional[float]:
    """Return a cell's number, None when it is none."""
    text = cell.replace(",", ".") if decimal_comma else cell
    try:
        return float(text) if "_" not in text else None
    except ValueError:
        return None


def _number_style(line: str, alone: bool) -> Optional[tuple[str, bool]]:
    """Return separator and whether the comma is the decimal mark, None when the line is no row of numbers. alone: one number is a row."""
    if alone and line.strip() in ("0", "1"):
        return ",", False
    for separator, decimal_comma in ((";", False), (";", True), ("\t", False), ("\t", True), (",", False), (",", True)):
        cells = split_row(line, separator)
        if len(cells) > 1 and all(to_number(cell, decimal_comma) is not None for cell in cells):
            parted = separator != "," or '"' in line  # so that a comma in a cell can be a decimal mark, in a later row
            return separator, decimal_comma or (parted and not any("." in cell for cell in cells))
    return None


def _head(
    head: list[str], rows: list[str], style: tuple[str, bool], offset: int, line: int, remarks: Remarks, complete: bool, rateless: bool
) -> ScopeHead:
    separator, decimal_comma = style
    width = len(split_row(rows[0], separator))
    if width > limits.MAX_CSV_COLUMNS:
        raise BodyError(f"more than {limits.MAX_CSV_COLUMNS} columns", offset, EXPORT_AGAIN)
    names, units = _names(head, separator, width)
    firsts = [to_number(split_row(row, separator)[0], decimal_comma) for row in rows]
    time_index = _time_index(names, units, firsts, remarks, complete, rateless)
    first_channel = 0 if time_index is None else 1
    channels = {first_channel + at: name for at, name in enumerate(remarks.names)}
    for index in sorted(set(channels) & set(range(width))):
        units[index] = units[index] or unit_of(names[index])  # the host has a line of units where others have names
    columns = tuple(
        Column(index, channels.get(index) or names[index] or f"CH{index}", VOLT_UNITS_V.get(units[index], 1.0))
        for index in range(width)
        if index != time_index
        and (index in channels or not remarks.names)
        and names[index].casefold() not in _INDEX_NAMES
        and units[index] not in TIME_UNITS_S
    )
    if not columns:
        raise BodyError("no column of volts beside the time", offset, EXPORT_AGAIN)
    if remarks.rate is None and rateless and (time_index is None or names[time_index].casefold() in _INDEX_NAMES):
        remarks = remarks._replace(rate=NO_RATE)
    if time_index is None and remarks.rate is None:
        raise BodyError("no column of times, and no remark with the sample rate", offset, f"{EXPORT_AGAIN}, or {NAME_RATE}; {SAY_CLOCKED}")
    if remarks.by_host and time_index is not None and len(firsts) > 1 and firsts[0] == firsts[1]:
        raise BodyError("all samples have one stamp: the host did not know the rate yet", offset, "export it from a session file (.sr)")
    stamps = [] if time_index is None else _column(rows, separator, time_index, decimal_comma)
    if time_index is not None and names[time_index].casefold() not in _INDEX_NAMES:
        remarks = _with_rate_of_times(remarks, [stamp * TIME_UNITS_S.get(units[time_index], 1.0) for stamp in stamps])
    scale, first = _stamps(names, units, time_index, remarks, firsts[0] or 0.0)
    no_unit = remarks.rate is None and time_index is not None and not units[time_index] and _coarse(stamps)
    return ScopeHead(
        separator, decimal_comma, time_index, scale, columns, width, offset, line, remarks.rate, first, remarks.by_host, no_unit
    )


def _column(rows: list[str], separator: str, index: int, decimal_comma: bool) -> list[float]:
    """Return the numbers of a column, as far as there are some: the reader says which row is amiss."""
    cells = (split_row(row, separator)[index : index + 1] for row in rows)
    return [number for cell in cells for text in cell if (number := to_number(text, decimal_comma)) is not None]


def _with_rate_of_times(remarks: Remarks, times_s: list[float]) -> Remarks:
    """Return the remarks without a rate that some times of the table contradict: a device samples faster than what it exports."""
    rate = None if remarks.by_host else remarks.rate
    doubted = rate is not None and any(round(a * float(rate)) == round(b * float(rate)) for a, b in pairwise(times_s))
    return remarks._replace(rate=None) if doubted else remarks


def _coarse(stamps: list[float]) -> bool:
    """Say whether even the shortest of some steps is long for a bus, in seconds."""
    steps = [b - a for a, b in pairwise(stamps) if b > a]
    return bool(steps) and min(steps) > COARSE_S


def _stamps(names: list[str], units: list[str], time_index: Optional[int], remarks: Remarks, begin: float) -> tuple[float, float]:
    """Return by what the time column is multiplied, and what is taken from that. begin: its first number."""
    if time_index is None:
        return 1.0, 0.0
    scale = TIME_UNITS_S.get(units[time_index], 1.0)
    if remarks.rate is None:
        return scale, 0.0
    if remarks.by_host:
        return remarks.stamp(begin)
    if names[time_index].casefold() in _INDEX_NAMES:
        return 1.0, 0.0
    return scale * float(remarks.rate), 0.0


def _row_of(text: str, separator: str, width: int) -> list[str]:
    """Return the cells of a row, with the last one where that is empty and counts."""
    cells = split_row(text, separator)
    return [*cells, ""] if len(cells) == width - 1 and text.rstrip(" ").endswith(separator) else cells


def _names(head: list[str], separator: str, width: int) -> tuple[list[str], list[str]]:
    """Return names and units of the columns, "" where the head does not say them."""
    above = [_row_of(text, separator, width) for text in head if text.strip()]
    fitting = [cells for cells in above[-2:] if len(cells) == width]
    units = [""] * width
    if len(fitting) == 2 and are_units(fitting[-1]):
        units = [unit_of(cell) for cell in fitting.pop()]
    names = list(fitting[-1]) if fitting and above[-1] is not None else [""] * width
    for index, name in enumerate(names):
        names[index], unit = name_and_unit(name)
        units[index] = unit or units[index]
    return names, units


def _time_index(
    names: list[str], units: list[str], firsts: list[Optional[float]], remarks: Remarks, complete: bool, rateless: bool
) -> Optional[int]:
    """Return the column of the time, or of the samples' numbers, None where there is none. firsts: how the first column begins."""
    for index, unit in enumerate(units):
        if unit in TIME_UNITS_S:
            return index
    for index, name in enumerate(names):
        if is_time(name) or _UNITS_OF_HOST.fullmatch(name):
            return index
    if remarks.names and len(names) == len(remarks.names):
        return None
    numbered = next((index for index, name in enumerate(names) if name.casefold() in _INDEX_NAMES), None)
    if remarks.rate is not None and not remarks.by_host:
        return numbered
    if numbered is not None:
        return numbered if rateless else None  # numbers of samples are no times
    if len(firsts) < 3 and not complete:
        raise _NeedMore
    rising = all(a is not None and b is not None and a < b for a, b in pairwise(firsts))
    levels = bool(names[0]) and len(firsts) > 1 and set(firsts) <= {0.0, 1.0}
    return 0 if rising and not levels else None
