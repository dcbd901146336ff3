"""Two independent ways meet: the cycles that the engine rebuilds from a simulated capture are those that the model ran."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest

from strobewise.bus.model import KINDS
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.cycles.rebuild import cycle_tables
from strobewise.machine import GENERIC, BusRequest, Press, fault, load_scenario, run_scenario, simulate
from strobewise.machine.board import WaitRule

SCENARIOS = Path(__file__).resolve().parents[2] / "traces" / "scenarios"


def rebuilt(capture, tmp_path):
    """Return (start_s, kind, t_states, wait_states, address, data) as the engine sees it; None where it does not know."""
    text = io.StringIO()
    capture.write_vcd(text)
    path = tmp_path / "capture.vcd"
    path.write_text(text.getvalue())
    rows = []
    clock_hz = None if "CLK" in capture.truth["lines"] else capture.truth["clock_hz"]
    with open_capture(str(path)) as opened:
        for table in cycle_tables(opened, map_channels(opened.header.channels), clock_hz):
            for at in range(len(table)):
                numbers = (int(getattr(table, name)[at]) for name in ("t_states", "wait_states", "address", "data"))
                start = int(table.start[at]) * opened.header.timescale_fs / 1e15
                rows.append((start, KINDS[table.kind[at]], *(None if n < 0 else n for n in numbers)))
    return [row for row in rows if row[1] != "bus_granted"]


def compare(capture, tmp_path):
    """Assert that every cycle but those that the capture's ends cut is the true one."""
    truth = capture.truth
    period = 1 / truth["clock_hz"]
    rows = rebuilt(capture, tmp_path)
    cycles = truth["cycles"][:-1]
    while rows and rows[0][0] < cycles[0]["start_s"] - period:
        rows.pop(0)  # it began before the capture did
    assert len(rows) >= len(cycles) - 1
    for row, cycle in zip(rows, cycles, strict=False):
        start, kind, t_states, wait_states, address, data = row
        assert abs(start - cycle["start_s"]) < 1.2 * period, (row, cycle)
        assert kind == cycle["kind"], (row, cycle)
        assert address in (None, cycle["address"]), (row, cycle)
        assert data in (None, cycle["data"]), (row, cycle)
        assert wait_states in (None, cycle["wait_states"]), (row, cycle)
        if cycle["t_states"] is not None and not cycle["bus_granted"]:
            assert t_states in (None, cycle["t_states"]), (row, cycle)
    return rows


WELL = (
    "healthy-full", "healthy-eight", "healthy-vectors", "healthy-coarse", "healthy-waits", "healthy-busreq", "healthy-doze",
    "healthy-lodger", "rom-absent", "ram-bit", "d2-stuck", "a6-a7-short", "rfsh-dead", "reset-loop",
)  # fmt: skip


@pytest.mark.parametrize("name", WELL)
def test_the_traces(name, tmp_path):
    rows = compare(run_scenario(load_scenario(SCENARIOS / f"{name}.toml")), tmp_path)
    assert len(rows) > 500


@pytest.mark.parametrize("clock_hz, sample_hz", [(1_000_000, 12_000_000), (2_457_600, 24_000_000), (3_999_000, 100_000_000)])
@pytest.mark.parametrize("fraction", [0.2, 1.0])
def test_other_clocks_rates_and_delays(clock_hz, sample_hz, fraction, tmp_path):
    machine = replace(GENERIC, clock_hz=clock_hz)
    compare(simulate(machine=machine, sample_hz=sample_hz, delay_fraction=fraction, duration_s=0.001), tmp_path)


def test_everything_at_once(tmp_path):
    capture = simulate(
        duration_s=0.003, pull_ups=False, waits=[WaitRule(2, ("memory_read",), 0x4000, 0xFFFF, 3), WaitRule(1, ("interrupt_acknowledge",))],
        presses=[Press("NMI", 0.001), Press("INT", 0.0017, 0.0001)], bus_requests=[BusRequest(900, 700, 25)],
    )  # fmt: skip
    compare(capture, tmp_path)


def test_a_capture_with_lost_samples_loses_only_those_cycles(tmp_path):
    capture = simulate(duration_s=0.003, faults=[fault("samples-lost", every_ms=0.8, lost_us=30.0, close=False)])
    known = {round(c["start_s"] * 1e7): c for c in capture.truth["cycles"]}
    rows = rebuilt(capture, tmp_path)
    same = sum(any(known.get(round(r[0] * 1e7) + d, {}).get("address") == r[4] for d in range(-3, 4)) for r in rows)
    assert same > 0.97 * len(known)
