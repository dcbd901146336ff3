"""A sample of the healthy machines of benchmarks/healthy_machines.py: none may be called faulty."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from healthy_machines import judge, machine_of, not_known_at_first

#: Seeds that tripped a rule when they were first run: slow clocks, samples in step with the clock, odd duty cycles, few samples, x and z.
TRIPPED = (6, 12, 19, 26, 38, 74, 1079, 1087, 1187, 1212, 1224, 1266, 1329, 1331, 1404, 1480, 2017, 2056, 2132, 2146, 2231, 2292, 2305,
           2322, 2408, 2458, 2569, 2648, 2699, 2735, 2817, 2829, 2838, 2865, 2971, 5431, 5703, 110175,
           142558, 150172, 160125, 200211, 200305, 200343, 220019,
           230017, 230297, 320145, 341350)  # fmt: skip


@pytest.mark.parametrize("seed", (*TRIPPED, *range(90_000, 90_020)))
def test_a_healthy_machine_is_not_blamed(seed):
    _, outcome, findings, how = judge((seed, None))
    assert outcome in ("no_fault_found", "cannot_decide"), (findings, how)


def test_a_clock_that_the_samples_cannot_follow_condemns_no_strobe():
    """At 1.2 samples a clock the T-state was taken from /M1, which then did not fit it: what is left is a warning of the capture."""
    assert judge((225106, None))[1] != "false alarm"


def test_machines_differ_and_are_made_again_alike():
    assert machine_of(7) == machine_of(7) != machine_of(8)
    assert {machine_of(seed).start for seed in range(40)} == {"", "x", "z", "late"}


def test_what_is_not_known_at_first():
    text = "$timescale 1 ns $end\n$var wire 1 ! M1 $end\n$var wire 8 # D $end\n$enddefinitions $end\n#0 1! b1 #\n#9 0!\n#500\n"
    assert not_known_at_first(text, "") == text
    assert not_known_at_first(text, "x").endswith("$enddefinitions $end\n#0\n$dumpvars\nx!\nbx #\n$end\n#2 1! b1 #\n#11 0!\n#502\n")
    assert not_known_at_first(text, "late").endswith("$enddefinitions $end\n#0\n#2 1! b1 #\n#11 0!\n#502\n")
