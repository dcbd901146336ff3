"""What the reader counted on each line reaches the evidence: how long its level was known, and how long high, also through an inverter."""

from __future__ import annotations

import pytest

from strobewise import Options, diagnose

#: 1000 ns; M1 unknown for the first quarter, then low for 250 ns; RD low for 600 ns.
CAPTURE = """$timescale 1 ns $end
$scope module bench $end
$var wire 1 a M1 $end
$var wire 1 b RD $end
$upscope $end
$enddefinitions $end
#{start}
xa 1b
#{first}
0a 0b
#{second}
1a
#{end}
1b
#{last}
"""


@pytest.mark.parametrize("start", [0, 500])
@pytest.mark.parametrize("inverted", [False, True])
def test_levels_are_shares_of_the_time_in_which_they_are_known(tmp_path, start, inverted):
    path = tmp_path / "levels.vcd"
    path.write_text(CAPTURE.format(start=start, first=start + 250, second=start + 500, end=start + 850, last=start + 1000))
    lines = diagnose([path], Options(maps=("RD=!RD",) if inverted else ())).evidence.lines
    assert lines["M1"].known_fraction == pytest.approx(0.75) and lines["M1"].high_fraction == pytest.approx(500 / 750)
    assert lines["RD"].known_fraction == 1.0 and lines["RD"].high_fraction == pytest.approx(0.6 if inverted else 0.4)
    assert (lines["M1"].edges, lines["RD"].edges) == (1, 2)
