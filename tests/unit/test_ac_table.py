"""The AC table and the volts, written here a second time.

Source: Zilog Z8400/Z84C00 Product Specification, AC characteristics, as quoted in public source code; the clock's pulse widths, the
20 MHz set-up of a read, and the DC limits are from memory.
"""

from __future__ import annotations

import pytest

from strobewise.bus.timing import CHARACTERISTIC, CHARACTERISTICS, GRADES, limit_ps
from strobewise.bus.volts import INPUT_HIGH_V, INPUT_LOW_V, OUTPUT_HIGH_V, OUTPUT_LOW_V
from strobewise.rules import volts

#: Nanoseconds for the parts of 4, 6, 8, 10 and 20 MHz.
LIMITS_NS = {
    "TdCr(A)": (110, 90, 80, 65, 57),
    "TdCf(MREQf)": (85, 70, 60, 55, 40),
    "TdCr(MREQr)": (85, 70, 60, 55, 40),
    "TwMREQh": (110, 65, 45, 30, 10),
    "TdCf(MREQr)": (85, 70, 60, 55, 40),
    "TdCf(RDf)": (95, 80, 70, 65, 40),
    "TdCr(RDr)": (85, 70, 60, 55, 40),
    "TsD(Cr)": (35, 30, 30, 25, 12),
    "ThD(RDr)": (0, 0, 0, 0, 0),
    "TsWAIT(Cf)": (70, 60, 50, 20, 7.5),
    "TdCr(M1f)": (100, 80, 70, 65, 45),
    "TdCr(M1r)": (100, 80, 70, 65, 45),
    "TdCr(RFSHf)": (130, 110, 95, 80, 60),
    "TdCr(RFSHr)": (120, 100, 85, 80, 60),
    "TdCf(RDr)": (85, 70, 60, 55, 40),
    "TdCr(RDf)": (85, 70, 60, 55, 40),
    "TsD(Cf)": (50, 40, 30, 25, 12),
    "TdCr(IORQf)": (75, 65, 55, 50, 40),
    "TdCf(IORQr)": (85, 70, 60, 55, 40),
    "TdCf(WRf)": (80, 70, 60, 55, 40),
    "TdCf(WRr)": (80, 70, 60, 55, 40),
    "TdCr(WRf)": (65, 60, 60, 50, 40),
    "TdCf(D)": (150, 130, 115, 110, 75),
    "TdCr(Dz)": (90, 80, 70, 65, 40),
    "TcC": (250, 162, 125, 100, 50),
    "TwCh": (110, 65, 55, 40, 20),
    "TwCl": (110, 65, 55, 40, 20),
}
LEAST = {"TwMREQh", "TsD(Cr)", "ThD(RDr)", "TsWAIT(Cf)", "TsD(Cf)", "TcC", "TwCh", "TwCl"}  #: what a board must allow; the rest are delays
FROM_MEMORY = {"TwCh", "TwCl", "TsD(Cf)"}


def test_the_grades():
    assert GRADES == (4, 6, 8, 10, 20)
    assert [row.symbol for row in CHARACTERISTICS] == list(LIMITS_NS)


@pytest.mark.parametrize("symbol", LIMITS_NS)
def test_every_limit_of_every_grade(symbol):
    assert tuple(limit_ps(symbol, grade) / 1000 for grade in (4, 6, 8, 10, 20)) == LIMITS_NS[symbol]
    assert CHARACTERISTIC[symbol].bound == ("min" if symbol in LEAST else "max")
    assert ("from memory" in CHARACTERISTIC[symbol].source) == (symbol in FROM_MEMORY)


def test_a_faster_part_is_never_slower():
    for row in CHARACTERISTICS:
        assert list(row.limits_ps) == sorted(row.limits_ps, reverse=True), row.symbol


def test_the_volts():
    assert (INPUT_LOW_V, INPUT_HIGH_V, OUTPUT_LOW_V, OUTPUT_HIGH_V) == (0.8, 2.0, 0.4, 2.4)
    assert OUTPUT_LOW_V < volts.WEAK_LOW_V < INPUT_LOW_V < volts.DEAD_BELOW_V < OUTPUT_HIGH_V
    assert volts.WEAK_CLOCK_V < 5 * 0.95 - 0.6  # at the supply's lower limit CLK must still be higher than this
