"""A sample of the fault matrix (benchmarks/fault_matrix.py): no false alarm, and no wrong part blamed with certainty."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from strobewise.machine import FAULTS

SCRIPT = Path(__file__).resolve().parents[2] / "benchmarks" / "fault_matrix.py"
SEED = 20_000


@pytest.fixture(scope="module")
def matrix():
    spec = importlib.util.spec_from_file_location("fault_matrix", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    sys.modules["fault_matrix"] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    sys.path[:] = path
    yield module
    del sys.modules["fault_matrix"]


@pytest.mark.parametrize("leads", ["full", "sixteen", "eight", "two"])
def test_no_alarm_on_healthy_machines(matrix, leads):
    for seed in range(SEED, SEED + 10):
        result = matrix.judge(matrix.Case("", leads, seed))
        assert result.outcome == "silent, not shown", result


@pytest.mark.parametrize("kind", FAULTS)
def test_nobody_is_blamed_wrongly_with_certainty(matrix, kind):
    leads = matrix.LEAD_SETS[list(FAULTS).index(kind) % len(matrix.LEAD_SETS)]
    for seed, clips in ((SEED, "full"), (SEED + 1, leads)):
        result = matrix.judge(matrix.Case(kind, clips, seed))
        assert result.outcome != "false alarm" and not result.wrongly_sure, result


def test_most_faults_that_hold_the_machine_are_found_with_all_leads(matrix):
    kinds = ("dead-high", "dead-low", "rom-absent", "reset-held", "wait-held", "clock-dead", "device-silent", "busreq-held")
    results = [matrix.judge(matrix.Case(kind, "full", seed)) for kind in kinds for seed in (SEED, SEED + 1, SEED + 2)]
    assert sum(result.outcome in ("the very part", "line, other part") for result in results) >= 0.75 * len(results), results


def test_the_same_case_is_the_same_capture(matrix):
    case = matrix.Case("shorted", "full", SEED)
    assert matrix.scenario_of(case) == matrix.scenario_of(case)
    assert matrix.judge(case).detail == matrix.judge(case).detail


def test_outcomes_are_told_apart(matrix):
    suspects = ["cpu", "connection"]
    tell = matrix.outcome_of
    assert tell(False, "no_fault_found", "none", ["none"], False) == "silent, not shown"
    assert tell(False, "fault", "cpu", ["none"], False) == "false alarm"
    assert tell(False, "fault", "cpu", suspects, True) == "false alarm", "a fault that leaves no trace"
    assert tell(True, "fault", "cpu", suspects, False) == "the very part"
    assert tell(True, "fault", "connection", suspects, False) == "line, other part"
    assert tell(True, "fault", "rom", suspects, True) == "line, other part"
    assert tell(True, "fault", "rom", suspects, False) == "wrong"
    assert tell(True, "no_fault_found", "none", suspects, False) == "silent, shown"
    assert tell(True, "cannot_decide", "cpu", suspects, False) == "undecided"
    assert tell(True, "no_fault_found", "none", suspects, False, True) == "undecided", "a warning tells of it"
    assert tell(False, "no_fault_found", "none", suspects, False, True) == "silent, not shown"
