"""A sample of the lead faults of benchmarks/lead_faults.py: a lead at fault is told as that line, or not at all."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from lead_faults import KINDS, judge

#: Seeds that named another line when they were first run.
TRIPPED = (1021, 1093, 1199, 1236, 1276, 1277, 1345, 1399, 1420, 1437, 1469, 1522, 1544, 1801, 1869, 1927, 2029, 2197, 2203, 2423)


@pytest.mark.parametrize("seed", TRIPPED)
def test_a_lead_at_fault_condemns_no_other_line(seed):
    _, _, outcome, told = judge((seed, tuple(KINDS)))
    assert outcome != "wrong", told


@pytest.mark.parametrize("kind", ["stuck", "inverted", "exchanged", "on another pin", "bridged", "floats"])
def test_a_lead_at_fault_is_found(kind):
    assert "right" in [judge((seed, (kind,)))[2] for seed in range(12)]
