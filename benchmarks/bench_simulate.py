"""Measures the simulated bench: T-states a second, and its VCD writer against the registry's.

Usage: python benchmarks/bench_simulate.py [SECONDS]: machine time to simulate (default 0.05). Prints ratios of one run.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise.bus.lines import BIT
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, fault, simulate
from strobewise.machine.vcd_text import Dialect, VcdText

GOAL = 60_000  #: T-states a second to a 38-channel VCD at 24 MHz


def run(label: str, duration_s: float, **changes) -> list[tuple[int, int]]:
    """Simulate to text once and print the speed; return the changes for the writers' contest."""
    capture = simulate(duration_s=duration_s, **changes)
    out = io.StringIO()
    begin = time.perf_counter()
    capture.write_vcd(out)
    took = time.perf_counter() - begin
    t_states = duration_s * capture.truth["clock_hz"]
    print(f"{label:42s} {t_states / took:9,.0f} T-states/s  {t_states / took / GOAL:5.2f} x goal  {len(out.getvalue()):11,d} bytes")
    return [(at, word) for at, word, _ in capture.words()]


def with_registry_writer(changes: Iterable[tuple[int, int]], lines: tuple[str, ...]) -> float:
    """Write the changes with pyvcd; return the seconds."""
    from vcd import VCDWriter

    out = io.StringIO()
    begin = time.perf_counter()
    with VCDWriter(out, timescale="1 ns", init_timestamp=0) as writer:
        variables = [(BIT[name], writer.register_var("logic", name, "wire", size=1, init=0)) for name in lines]
        last = 0
        for at, word in changes:
            changed = word ^ last
            last = word
            for bit, variable in variables:
                if changed >> bit & 1:
                    writer.change(variable, at, word >> bit & 1)
    return time.perf_counter() - begin


def with_own_writer(changes: list[tuple[int, int]], lines: tuple[str, ...]) -> float:
    begin = time.perf_counter()
    VcdText(lines, lines, Dialect()).write(changes, changes[-1][0], io.StringIO())
    return time.perf_counter() - begin


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 0.05
    changes = run("38 channels at 24 MHz", seconds)
    run("8 channels at 24 MHz", seconds, lines="eight")
    run("2 channels at 24 MHz", seconds, lines="two")
    run("39 channels, expansion device", seconds, lines="full_port", machine=replace(GENERIC, paging=(GENERIC_PAGING,)))
    run("38 channels, /M1 dead", seconds, faults=[fault("dead-low", line="M1")])
    run("38 channels, /M1 floating", seconds, faults=[fault("floating", line="M1")])
    own, registry = with_own_writer(changes, LINE_SETS["full"]), with_registry_writer(changes, LINE_SETS["full"])
    print(f"VCD text alone: pyvcd {registry:.2f} s, own writer {own:.2f} s, ratio {registry / own:.1f}")


if __name__ == "__main__":
    main()
