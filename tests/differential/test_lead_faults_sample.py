"""A sample of the lead faults of benchmarks/lead_faults.py: a lead at fault is told as that line, or not at all."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from lead_faults import KINDS, judge

#: Seeds that named another line when they were first run.
TRIPPED = (48, 1021, 1143, 1199, 1345, 1426, 1469, 1734, 1772, 1801, 1869, 1900, 1927, 2029, 2197, 2203, 2239, 2308, 2351, 2378,
           2423)  # fmt: skip


@pytest.mark.parametrize("seed", TRIPPED)
def test_a_lead_at_fault_condemns_no_other_line(seed):
    _, _, outcome, told = judge((seed, tuple(KINDS)))
    assert outcome != "wrong", told


@pytest.mark.parametrize("kind", ["stuck", "inverted", "exchanged", "on another pin", "bridged", "floats"])
def test_a_lead_at_fault_is_found(kind):
    assert "right" in [judge((seed, (kind,)))[2] for seed in range(12)]
