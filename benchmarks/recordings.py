"""Whether a recording of one capture holds for other captures of the same healthy machine, and whether it notices a fault.

Usage: python benchmarks/recordings.py [--count N] [--seed N]

Each machine of ``healthy_machines.py`` (without presses of buttons; every third runs the demo program) is captured with all leads and
recorded with ``verify --record``. Then it is captured anew, with other noise: shorter, longer, from a later moment, at a slower and at a
faster rate, under other names, with fewer leads, and with all of that at once; each must be as expected. A capture with one fault, which
``diagnose`` finds, must not be. Prints what is not as it must be; the exit status is 1 where a healthy one fails.
"""

from __future__ import annotations

import argparse
import collections
import random
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from healthy_machines import leads, machine_of

from strobewise import Options
from strobewise.expectations import CheckedCapture, load_expectations, observe, options_of, recorded, verify
from strobewise.machine import GENERIC, LINE_SETS, Dialect, Fault, Scenario, simulate
from strobewise.machine.vcd_text import NAMING

CLOCKS = 9000  #: of the capture that is recorded
SAMPLES = 8  #: a clock
RATES_HZ = (2e6, 4e6, 8e6, 12e6, 16e6, 20e6, 24e6, 25e6, 32e6, 48e6, 50e6, 100e6, 200e6)
FAULTS = (Fault("dead-high", {"line": "M1"}), Fault("dead-low", {"line": "RFSH"}), Fault("dead-low", {"line": "A3"}))


def machine(seed: int) -> tuple[Scenario, dict[str, Any]]:
    """Return a machine, and how its recording is taken."""
    scenario = machine_of(seed).scenario
    if seed % 3 == 0:
        scenario = replace(scenario, machine=replace(GENERIC, clock_hz=scenario.machine.clock_hz), contents=None)
    scenario = replace(scenario, presses=())
    clock = float(scenario.machine.clock_hz or 0)
    return scenario, {
        "lines": LINE_SETS["full"], "names": "plain", "sample_hz": rate(clock, SAMPLES), "duration_s": CLOCKS / clock, "start_s": 0.0,
        "skew_ns": 0.0, "dialect": Dialect(), "seed": seed,
    }  # fmt: skip


def rate(clock_hz: float, samples: float) -> int:
    """Return an analyser's rate near so many samples a clock."""
    return int(min(RATES_HZ, key=lambda hz: abs(hz / clock_hz - samples)))


def variants(seed: int, clock_hz: float, base: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield what is different in each of the other captures."""
    rng = random.Random(f"recordings/{seed}")
    changes: dict[str, dict[str, Any]] = {
        "shorter": {"duration_s": base["duration_s"] * rng.uniform(0.05, 0.5)},
        "longer": {"duration_s": base["duration_s"] * rng.uniform(1.5, 4)},
        "later": {"start_s": base["duration_s"] * rng.uniform(0.05, 4)},
        "slower": {"sample_hz": rate(clock_hz, rng.uniform(3, 5))},
        "faster": {"sample_hz": rate(clock_hz, rng.uniform(12, 40))},
        "named": {"names": rng.choice(tuple(NAMING)), "dialect": Dialect(layout=rng.choice(("line", "lines")), vectors=rng.random() < 0.5)},
        "fewer": {"lines": leads(rng)},
    }
    yield from changes.items()
    yield "all at once", {name: value for change in changes.values() for name, value in change.items()}


def captured(path: Path, scenario: Scenario, settings: dict[str, Any]) -> Path:
    """Write a capture."""
    with path.open("w", encoding="ascii") as out:
        simulate(scenario, **settings).write_vcd(out)
    return path


def checks(seed: int, folder: Path) -> Iterator[tuple[str, CheckedCapture]]:
    """Record a machine, and yield how each of its other captures fits."""
    scenario, base = machine(seed)
    first = captured(folder / "recorded.vcd", scenario, base)
    file = folder / "machine.expect.toml"
    file.write_text(recorded([observe(first, Options())], [first.name]), encoding="utf-8")
    expected = load_expectations(file)
    clock = float(scenario.machine.clock_hz or 0)
    for name, change in variants(seed, clock, base):
        path = captured(folder / "other.vcd", scenario, {**base, **change, "seed": seed + 1_000_000})
        yield name, verify(path, expected, options_of(expected))
    broken = replace(scenario, faults=(FAULTS[seed % len(FAULTS)],))
    path = captured(folder / "other.vcd", broken, {**base, "seed": seed + 1_000_000})
    yield "broken", verify(path, expected, options_of(expected))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    tried: collections.Counter[str] = collections.Counter()
    failed: collections.Counter[str] = collections.Counter()
    for seed in range(args.seed, args.seed + args.count):
        with tempfile.TemporaryDirectory() as folder:
            for name, result in checks(seed, Path(folder)):
                tried[name] += 1
                failed[name] += not result.passed
                if result.passed == (name == "broken"):
                    print(f"{seed}, {name}: {result.error or 'as expected'}" if name == "broken" else f"{seed}, {name}:", flush=True)
                for check in result.failures if name != "broken" else ():
                    print(f"    {check.name}: {check.expected}, seen {check.seen} {check.remark[:150]}", flush=True)
    for name, count in tried.items():
        print(f"{name}: {failed[name]} of {count} are not as expected")
    healthy = sum(failed.values()) - failed["broken"]
    print(f"{healthy} of {sum(tried.values()) - tried['broken']} healthy captures fail against the recording of their machine")
    return int(healthy > 0)


if __name__ == "__main__":
    sys.exit(main())
