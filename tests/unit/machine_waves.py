"""Helpers for tests of the simulated bench: short programs run on it, and edges read off the pins' waveform."""

from __future__ import annotations

from dataclasses import replace

from strobewise.bus.lines import BIT
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, Scenario, SimulatedCapture, simulate

SLOW = replace(GENERIC, clock_hz=2_000_000, interrupt_period_t_states=None)  # T = 500 ns, longer than every delay
QUIET = replace(GENERIC, interrupt_period_t_states=None)
WITH_PAGER = replace(GENERIC, interrupt_period_t_states=None, paging=(GENERIC_PAGING,))
T_NS = 500


def run(code: str, **changes) -> SimulatedCapture:
    """Run a program given as hex bytes at 0000h; sampled every nanosecond, without skew, all delays at their limits."""
    settings = {
        "machine": SLOW, "contents": ((0, bytes.fromhex(code)),), "sample_hz": 1_000_000_000, "skew_ns": 0.0,
        "delay_fraction": 1.0, "duration_s": 30e-6, "lines": LINE_SETS["full_port"],
    }  # fmt: skip
    settings.update(changes)
    return simulate(Scenario(), **settings)


def edges(capture: SimulatedCapture, line: str) -> list[tuple[int, int]]:
    """Return (time, new level) of a line's edges; times in the capture's timescale units."""
    bit = BIT[line]
    found = []
    last = None
    for time, word, _ in capture.words():
        level = word >> bit & 1
        if last is not None and level != last:
            found.append((time, level))
        last = level
    return found


def level_at(capture: SimulatedCapture, line: str, time: int) -> int:
    """Return a line's level at a time."""
    bit = BIT[line]
    level = 0
    for at, word, _ in capture.words():
        if at > time:
            break
        level = word >> bit & 1
    return level


def within(capture: SimulatedCapture, line: str, start_s: float, t_states: float) -> list[tuple[float, int]]:
    """Return a line's edges inside one machine cycle as (ns after T1's rising edge, new level)."""
    start = start_s * 1e9
    return [(time - start, level) for time, level in edges(capture, line) if -1 <= time - start < t_states * T_NS]


def cycle(capture: SimulatedCapture, kind: str, index: int = 0) -> dict:
    return [c for c in capture.truth["cycles"] if c["kind"] == kind][index]


def data_written(capture: SimulatedCapture) -> list[tuple[int, int]]:
    return [(c["address"], c["data"]) for c in capture.truth["cycles"] if c["kind"] == "memory_write"]


def ports_written(capture: SimulatedCapture) -> list[tuple[int, int]]:
    return [(c["address"] & 0xFF, c["data"]) for c in capture.truth["cycles"] if c["kind"] == "io_write"]
