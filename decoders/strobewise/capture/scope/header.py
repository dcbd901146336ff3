"""The head of a scope's CSV: separator, names, units, which column is the time, and where the samples begin.

No standard says how a scope writes CSV; what is understood here is common practice: any lines of remarks, then a line of
names (units in brackets, or on a line of their own), then rows of numbers; "," ";" or tab between the columns, and a
decimal comma where the separator is not one.
"""

from __future__ import annotations

import re
from typing import NamedTuple, Optional

from .. import limits
from ..vcd.header import printable
from ..vcd.positions import BodyError

TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
VOLT_UNITS_V = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6, "kv": 1e3}
_LONG_UNITS = {"sec": "s", "second": "s", "seconds": "s", "volt": "v", "volts": "v"}
_TIME_NAMES = frozenset({"time", "t", "x", "x-axis", "second", "seconds"})
_INDEX_NAMES = frozenset({"sample", "samples", "index", "no", "no.", "#"})
_NAME_WITH_UNIT = re.compile(r"(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*")
MOST_HEAD_LINES = 100

EXPORT_AGAIN = "export it again with a column of times and a column of volts per channel"


class Column(NamedTuple):
    """One column of samples."""

    place: int  #: from 0, in the file
    name: str
    scale: float  #: volts per unit of the file


class ScopeHead(NamedTuple):
    """What the head of the file says."""

    separator: str
    decimal_comma: bool
    time_index: int
    time_scale: float  #: seconds per unit of the file
    columns: tuple[Column, ...]  #: of volts or logic levels
    width: int  #: columns of a row
    end: int  #: offset of the first row of numbers
    line: int  #: its line, from 1


def parse_head(data: bytes, complete: bool) -> Optional[ScopeHead]:
    """Parse the head from the first bytes of a file; None when more bytes are needed.

    Raises BodyError with the offset of what is wrong.
    """
    if complete and not data.strip():
        raise BodyError("the file is empty", None, EXPORT_AGAIN)
    offset = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    head: list[str] = []
    for number in range(1, MOST_HEAD_LINES + 2):
        end = data.find(b"\n", offset)
        if end < 0 and not complete:
            return None
        line = printable(data[offset : end if end >= 0 else len(data)].rstrip(b"\r\n").replace(b"\t", b"\x00")).replace("\ufffd", "\t")
        style = _number_style(line)
        if style is not None:
            return _head(head, line, style, offset, number)
        head.append(line)
        if end < 0:
            break
        offset = end + 1
    raise BodyError("this is no CSV of a scope: no row of numbers in two columns or more", 0, EXPORT_AGAIN)


def split_row(line: str, separator: str) -> list[str]:
    """Return the cells of a row, without quotes and blanks; a separator at its end closes the row."""
    cells = [cell.strip().strip('"').strip() for cell in line.split(separator)]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def to_number(cell: str, decimal_comma: bool) -> Optional[float]:
    """Return a cell's number, None when it is none."""
    text = cell.replace(",", ".") if decimal_comma else cell
    try:
        return float(text) if "_" not in text else None
    except ValueError:
        return None


def _number_style(line: str) -> Optional[tuple[str, bool]]:
    """Return separator and whether the comma is the decimal mark, None when the line is no row of numbers."""
    for separator, decimal_comma in ((";", False), (";", True), ("\t", False), ("\t", True), (",", False)):
        cells = split_row(line, separator)
        if len(cells) > 1 and all(to_number(cell, decimal_comma) is not None for cell in cells):
            return separator, decimal_comma or (separator != "," and not any("." in cell for cell in cells))
    return None


def _head(head: list[str], row: str, style: tuple[str, bool], offset: int, line: int) -> ScopeHead:
    separator, decimal_comma = style
    width = len(split_row(row, separator))
    if width > limits.MAX_CSV_COLUMNS:
        raise BodyError(f"more than {limits.MAX_CSV_COLUMNS} columns", offset, EXPORT_AGAIN)
    above = [split_row(text, separator) for text in head if text.strip()]
    fitting = [cells for cells in above[-2:] if len(cells) == width]
    units = [""] * width
    if len(fitting) == 2 and all(_unit(cell) for cell in fitting[-1]):
        units = [_unit(cell) for cell in fitting.pop()]
    names = list(fitting[-1]) if fitting and above[-1] is not None else [""] * width
    for index, name in enumerate(names):
        match = _NAME_WITH_UNIT.fullmatch(name)
        unit = _unit(match.group(2) or match.group(3) or "") if match else ""
        if match and unit and match.group(1):
            names[index], units[index] = match.group(1), unit
    time_index = _time_index(names, units)
    columns = tuple(
        Column(index, names[index] or f"CH{index}", VOLT_UNITS_V.get(units[index], 1.0))
        for index in range(width)
        if index != time_index and names[index].casefold() not in _INDEX_NAMES and units[index] not in TIME_UNITS_S
    )
    if not columns:
        raise BodyError("no column of volts beside the time", offset, EXPORT_AGAIN)
    return ScopeHead(separator, decimal_comma, time_index, TIME_UNITS_S.get(units[time_index], 1.0), columns, width, offset, line)


def _unit(text: str) -> str:
    """Return a unit that is known here in its short form, else ""."""
    word = text.strip().strip("[]()").casefold()
    word = _LONG_UNITS.get(word, word)
    return word if word in TIME_UNITS_S or word in VOLT_UNITS_V else ""


def _time_index(names: list[str], units: list[str]) -> int:
    for index, unit in enumerate(units):
        if unit in TIME_UNITS_S:
            return index
    for index, name in enumerate(names):
        if name.casefold() in _TIME_NAMES or name.casefold().startswith("time"):
            return index
    return 0
