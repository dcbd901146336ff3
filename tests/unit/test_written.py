"""Two data lines that are one are told from a dead output of the CPU: both write a line low, but a dead one differs from the others."""

from __future__ import annotations

import io

import pytest
from test_rules_simulated import fault

from strobewise import Options
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import GENERIC, LINE_SETS, simulate


def judged(tmp_path, trouble, start_s):
    text = io.StringIO()
    simulate(
        machine=GENERIC, lines=LINE_SETS["full"], sample_hz=24_000_000, seed=1, start_s=start_s, duration_s=0.002, faults=(trouble,)
    ).write_vcd(text)
    path = tmp_path / "written.vcd"
    path.write_text(text.getvalue())
    return diagnose([path], Options(clock_hz=GENERIC.clock_hz)).findings


@pytest.mark.parametrize("start_s", [0.0, 0.0004])
@pytest.mark.parametrize("pair", [("D2", "D7"), ("D0", "D1"), ("D3", "D4")])
def test_a_bridge_is_no_dead_output(tmp_path, pair, start_s):
    """Also where the machine soon runs in a small circle, so that it reads few bytes."""
    found = judged(tmp_path, fault("shorted", lines=list(pair)), start_s)
    assert [(each.rule, each.lines) for each in found] == [("lines-shorted", pair)]
    assert found[0].suspects[0].suspect == "connection"


@pytest.mark.parametrize("bit", [0, 2, 3])
def test_a_dead_output_is_no_bridge(tmp_path, bit):
    found = judged(tmp_path, fault("cpu-data-out-stuck", bit=bit, level="low"), 0.0004)
    assert found[0].lines == (f"D{bit}",) and found[0].suspects[0].suspect == "cpu"
