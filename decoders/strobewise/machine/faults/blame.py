"""Who is to blame for a line that is not what it should be: by what drives it and where it broke. Common practice."""

from __future__ import annotations

from typing import Dict, Sequence

from ...bus.lines import ADDRESS, BIT, DATA, LINE
from .table import Names, Suspects


def own_line(line: str, **_: object) -> Names:
    """Return the line that a fault of one line spoils."""
    return (line,)


def both_lines(lines: Sequence[str], **_: object) -> Names:
    """Return the lines that a fault of two lines spoils."""
    return tuple(lines)


def data_line(bit: int, **_: object) -> Names:
    """Return the line of a data bit."""
    return (f"D{bit}",)


def bus_of(line: str) -> Suspects:
    """Return the bus that a line is part of, as a suspect."""
    if line in DATA:
        return ("data_bus",)
    return ("address_bus",) if line[0] == "A" and line in BIT else ()


_DRIVERS: Dict[str, Suspects] = {"both": ("data_bus", "cpu", "rom", "ram"), "expansion": ("expansion_device", "glue")}


def driver(line: str) -> Suspects:
    """Return who drives a line."""
    direction = LINE[line].direction
    if line == "CLK":
        return ("clock",)
    if line == "RESET":
        return ("reset",)
    if direction == "input":
        return ("glue", "expansion_device")
    return _DRIVERS.get(direction, ("cpu",))


def _starved(line: str) -> Suspects:
    """Return who seems to fail when a line that is live at the pin does not reach the board: from the pin, nobody can tell."""
    if line == "WR":
        return ("ram", "glue")
    return ("rom", "ram", "glue") if line in ("MREQ", "RD") or line in ADDRESS else ()


def of_line(line: str, at: str, **_: object) -> Suspects:
    """Return who is to blame for one spoilt line."""
    if at == "probe":
        return ("probe_or_capture", "connection", *driver(line))
    if at in ("socket", "connector"):
        return ("connection", *bus_of(line), *driver(line), *(_starved(line) if at == "socket" else ()), "probe_or_capture")
    return (*driver(line), *bus_of(line), "connection", "probe_or_capture")


def of_short(lines: Sequence[str], **_: object) -> Suspects:
    """Return who is to blame where two lines are bridged."""
    return ("connection", *dict.fromkeys(who for line in lines for who in (*bus_of(line), *driver(line))))
