"""AC characteristics of the CPU by speed grade, in integer picoseconds.

Source: Zilog Z8400/Z84C00 Product Specification, AC characteristics, as quoted in public source code. Two rows are marked
in their ``source``: the clock's pulse widths (from memory, all grades) and the data set-up of a read (20 MHz from memory).
Delays are limits: a working CPU may be faster ("max") or the board must allow more ("min").
"""

from __future__ import annotations

from typing import Dict, NamedTuple, Tuple

#: Speed grades of the table, MHz.
GRADES: Tuple[int, ...] = (4, 6, 8, 10, 20)

_SPECIFICATION = "Z8400/Z84C00 Product Specification, AC characteristics"
_FROM_MEMORY = "from memory, not checked against the specification"
_PARTLY_FROM_MEMORY = _SPECIFICATION + "; the 20 MHz figure from memory"


class Characteristic(NamedTuple):
    """One row of the AC table."""

    symbol: str  #: the specification's own symbol
    meaning: str
    bound: str  #: "max" or "min"
    limits_ps: Tuple[int, ...]  #: one for each of GRADES, picoseconds
    source: str


def _row(symbol: str, meaning: str, bound: str, *limits_ns: float, source: str = _SPECIFICATION) -> Characteristic:
    return Characteristic(symbol, meaning, bound, tuple(round(ns * 1000) for ns in limits_ns), source)


CHARACTERISTICS: Tuple[Characteristic, ...] = (
    _row("TdCr(A)", "clock rise to address valid", "max", 110, 90, 80, 65, 57),
    _row("TdCf(MREQf)", "clock fall to /MREQ low", "max", 85, 70, 60, 55, 40),
    _row("TdCr(MREQr)", "clock rise to /MREQ high", "max", 85, 70, 60, 55, 40),
    _row("TwMREQh", "/MREQ pulse width high", "min", 110, 65, 45, 30, 10),
    _row("TdCf(MREQr)", "clock fall to /MREQ high", "max", 85, 70, 60, 55, 40),
    _row("TdCf(RDf)", "clock fall to /RD low", "max", 95, 80, 70, 65, 40),
    _row("TdCr(RDr)", "clock rise to /RD high", "max", 85, 70, 60, 55, 40),
    _row("TsD(Cr)", "data set-up to clock rise in a fetch", "min", 35, 30, 30, 25, 12),
    _row("ThD(RDr)", "data hold after /RD high", "min", 0, 0, 0, 0, 0),
    _row("TsWAIT(Cf)", "/WAIT set-up to clock fall", "min", 70, 60, 50, 20, 7.5),
    _row("TdCr(M1f)", "clock rise to /M1 low", "max", 100, 80, 70, 65, 45),
    _row("TdCr(M1r)", "clock rise to /M1 high", "max", 100, 80, 70, 65, 45),
    _row("TdCr(RFSHf)", "clock rise to /RFSH low", "max", 130, 110, 95, 80, 60),
    _row("TdCr(RFSHr)", "clock rise to /RFSH high", "max", 120, 100, 85, 80, 60),
    _row("TdCf(RDr)", "clock fall to /RD high", "max", 85, 70, 60, 55, 40),
    _row("TdCr(RDf)", "clock rise to /RD low (I/O)", "max", 85, 70, 60, 55, 40),
    _row("TsD(Cf)", "data set-up to clock fall in a read", "min", 50, 40, 30, 25, 12, source=_PARTLY_FROM_MEMORY),
    _row("TdCr(IORQf)", "clock rise to /IORQ low", "max", 75, 65, 55, 50, 40),
    _row("TdCf(IORQr)", "clock fall to /IORQ high", "max", 85, 70, 60, 55, 40),
    _row("TdCf(WRf)", "clock fall to /WR low", "max", 80, 70, 60, 55, 40),
    _row("TdCf(WRr)", "clock fall to /WR high", "max", 80, 70, 60, 55, 40),
    _row("TdCr(WRf)", "clock rise to /WR low (I/O)", "max", 65, 60, 60, 50, 40),
    _row("TdCf(D)", "clock fall to data out valid", "max", 150, 130, 115, 110, 75),
    _row("TdCr(Dz)", "clock rise to data float", "max", 90, 80, 70, 65, 40),
    _row("TcC", "clock period", "min", 250, 162, 125, 100, 50),
    _row("TwCh", "clock high", "min", 110, 65, 55, 40, 20, source=_FROM_MEMORY),
    _row("TwCl", "clock low", "min", 110, 65, 55, 40, 20, source=_FROM_MEMORY),
)

CHARACTERISTIC: Dict[str, Characteristic] = {row.symbol: row for row in CHARACTERISTICS}


def limit_ps(symbol: str, grade_mhz: int) -> int:
    """Return one limit in picoseconds. Raises KeyError for an unknown symbol, ValueError for a grade not in GRADES."""
    return CHARACTERISTIC[symbol].limits_ps[GRADES.index(grade_mhz)]
