"""A strobe that is held low is missing in all that call for it, and the whole is told as 100 %."""

from __future__ import annotations

import pytest

from strobewise.bus.units import per_cent
from strobewise.case.state import judge_case
from strobewise.case.store import add_capture, new_case
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate


@pytest.mark.parametrize(("share", "text"), [(1.0, "100"), (0.999, "100"), (0.42, "42"), (0.0345, "3.5"), (0.0002, "0.02"), (0.0, "0")])
def test_shares_in_per_cent(share, text):
    assert per_cent(share) == text


@pytest.mark.parametrize("kind", ["dead-low", "dead-high"])
def test_a_strobe_that_does_nothing_is_missing_in_all(tmp_path, kind):
    case = new_case(tmp_path / "case", symptom="dead")
    for name, faults in (("dead", [fault(kind, line="M1")]), ("good", [])):
        path = tmp_path / f"{name}.vcd"
        with path.open("w", encoding="ascii") as file:
            simulate(lines="eight", duration_s=0.004, faults=faults).write_vcd(file)
        case = add_capture(case, path)
    trend = judge_case(case).trend
    assert trend is not None
    assert [point.share("M1") for point in trend.points] == [1.0, 0.0]
