"""A sample of benchmarks/compare_matrix.py: healthy against faulty names the faulty line, healthy against healthy names nothing."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from strobewise.machine import FAULTS

SCRIPT = Path(__file__).resolve().parents[2] / "benchmarks" / "compare_matrix.py"
SEED = 20_000
#: Faults that spoil a line in a way that any capture at the CPU's pins shows. The others hang on where the lead sits, or on what the
#: program did in those milliseconds; the benchmark counts them all.
ALWAYS_SEEN = (
    "floating", "cpu-data-out-stuck", "shorted", "rom-data-stuck", "ram-bit-dead", "wait-held", "busreq-held", "nmi-held", "reset-held",
    "reset-loop", "clock-dead", "clock-slow", "device-silent", "lead-off", "leads-swapped", "lead-inverted",
)  # fmt: skip


@pytest.fixture(scope="module")
def matrix():
    spec = importlib.util.spec_from_file_location("compare_matrix", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    sys.modules["compare_matrix"] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    sys.path[:] = path
    yield module
    del sys.modules["compare_matrix"]


@pytest.mark.parametrize("turn", range(3))
def test_two_healthy_captures_are_alike(matrix, turn):
    for seed in (SEED + turn, SEED + turn + 3):
        result = matrix.judge(matrix.Case("", "full", seed))
        assert result.outcome == "alike", result


@pytest.mark.parametrize("kind", ALWAYS_SEEN)
def test_the_faulty_line_is_named(matrix, kind):
    assert kind in FAULTS
    result = matrix.judge(matrix.Case(kind, "full", SEED))
    assert result.lines and result.outcome == "in sentence", result


def test_what_counts_as_named(matrix):
    assert matrix.names("/M1 strobes 0 of 3 fetches", "M1") and not matrix.names("/M1 strobes", "A1")
    assert matrix.names("A1 alone", "A1") and not matrix.names("A14 alone", "A1") and not matrix.names("/WAIT", "WA")
