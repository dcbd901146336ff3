"""Kinds of parameters that faults have in common."""

from __future__ import annotations

from typing import Optional, Tuple

from ...bus.lines import BIT, LINE
from ..wiring import PLACES
from .table import Parameter, Value

_MANY = 20  # more lines than these are told by their ranges


def line(allowed: Tuple[str, ...] = tuple(BIT)) -> Parameter:
    """Return a line that must be given."""
    text = "a line: CLK, M1, ... A0..A15, D0..D7, ROMDIS" if len(allowed) > _MANY else "one of " + ", ".join(allowed)
    return Parameter("line", None, text, lambda value: value in allowed)


def choice(name: str, allowed: Tuple[Value, ...], default: Value) -> Parameter:
    """Return one of several values."""
    return Parameter(name, default, "one of " + ", ".join(map(str, allowed)), lambda value: value in allowed)


def number(name: str, low: float, high: float, default: Optional[float]) -> Parameter:
    """Return a number between two others, both allowed."""

    def check(value: object) -> bool:
        return isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high

    return Parameter(name, default, f"a number {low:g}..{high:g}", check)


def integer(name: str, low: int, high: int, default: Optional[int]) -> Parameter:
    """Return a whole number between two others, both allowed."""

    def check(value: object) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high

    shown = f"{low}..{high}" if high < 4096 else f"0x{low:04X}..0x{high:04X}"
    return Parameter(name, default, f"a whole number {shown}", check)


def _is_pair(value: object) -> bool:
    return isinstance(value, (list, tuple)) and len(value) == 2 and value[0] != value[1] and all(n in BIT for n in value)


#: Outputs of the CPU that reach the port: what comes and goes there, the CPU itself does not see.
_AT_THE_PORT = tuple(name for name in BIT if LINE[name].direction == "output")


def _are_lines(value: object) -> bool:
    return isinstance(value, (list, tuple)) and len(value) > 1 and len(set(value)) == len(value) and all(n in _AT_THE_PORT for n in value)


LINES = Parameter("lines", ("M1", "MREQ", "A5"), "a list of two or more lines that the CPU drives: M1, ... A15", _are_lines)
PAIR = Parameter("lines", None, "a list of two different lines", _is_pair)
AT = choice("at", ("", *PLACES), "")
START = integer("start", 0, 0xFFFF, 0)
END = integer("end", 0, 0xFFFF, 0xFFFF)
DATA_BIT = integer("bit", 0, 7, 3)
RAIL = choice("level", ("high", "low"), "low")
AFTER = number("after_s", 0, 3600, 0.0)
