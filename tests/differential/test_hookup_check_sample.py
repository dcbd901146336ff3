"""A sample of benchmarks/hookup_check.py: capturing just what hookup advises for the symptom lets diagnose decide."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from strobewise.hookup.symptoms import find_symptom
from strobewise.machine import FAULTS

SCRIPT = Path(__file__).resolve().parents[2] / "benchmarks" / "hookup_check.py"
SEED = 20_000
#: Faults of the measurement itself: no symptom of the machine leads to them.
OF_THE_CAPTURE = {
    "lead-off", "leads-swapped", "lead-inverted", "lead-skewed", "threshold-off", "glitches", "ground-bounce", "sample-rate-low",
    "samples-lost",
}  # fmt: skip


@pytest.fixture(scope="module")
def check():
    spec = importlib.util.spec_from_file_location("hookup_check", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    sys.modules["hookup_check"] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    sys.path[:] = path
    yield module
    del sys.modules["hookup_check"]


def test_every_fault_of_the_machine_has_a_symptom(check):
    assert set(check.SYMPTOMS_OF) == set(FAULTS) - OF_THE_CAPTURE
    assert all(find_symptom(name) is not None for names in check.SYMPTOMS_OF.values() for name in names)


@pytest.mark.parametrize("kind", sorted(set(FAULTS) - OF_THE_CAPTURE))
def test_the_advised_capture_decides_or_says_that_it_cannot(check, kind):
    symptom = check.SYMPTOMS_OF[kind][0]
    for result in check.judge(check.Trial(kind, symptom, SEED), (8, 40)):
        assert result.outcome != "missed", result
        assert result.outcome != "wrong" or result.confidence < 0.9, result  # with every line it would be as wrong: not the advice's doing


@pytest.mark.parametrize(
    ("kind", "symptom", "channels"),
    [
        ("clock-dead", "dead", 2), ("reset-loop", "resets", 2), ("reset-held", "dead", 4), ("wait-held", "hangs", 4),
        ("busreq-held", "hangs", 8), ("device-silent", "ignores-expansion", 24), ("ram-bit-dead", "memory-size", 32),
        ("rom-absent", "dead", 32), ("rom-not-selected", "dead", 32),
    ],
)  # fmt: skip
def test_these_are_named(check, kind, symptom, channels):
    for seed in (SEED, SEED + 1):
        (result,) = check.judge(check.Trial(kind, symptom, seed), (channels,))
        assert result.outcome == "named", result
