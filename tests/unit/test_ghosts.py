"""What a strobe should have done: the figures of UM0080 written a second time, and the drawing held against a healthy machine."""

from __future__ import annotations

import pytest

from strobewise.diagnosis.facade import diagnose
from strobewise.machine import fault, simulate
from strobewise.profile.options import Options
from strobewise_cli.render.html_data import collect_all
from strobewise_cli.render.html_ghost import expected, ghosts
from strobewise_cli.render.html_viewer import viewer

#: (strobe, kind) -> when it is asserted, T-states from the rising edge of T1. Source: UM0080, timing figures.
WANTED = {
    ("M1", "opcode_fetch"): [(0.0, 2.0)], ("RFSH", "opcode_fetch"): [(2.0, 4.0)], ("RD", "opcode_fetch"): [(0.5, 2.0)],
    ("MREQ", "opcode_fetch"): [(0.5, 2.0), (2.5, 3.5)], ("WR", "opcode_fetch"): [], ("IORQ", "opcode_fetch"): [],
    ("MREQ", "memory_read"): [(0.5, 2.5)], ("RD", "memory_read"): [(0.5, 2.5)], ("WR", "memory_read"): [], ("M1", "memory_read"): [],
    ("WR", "memory_write"): [(1.5, 2.5)], ("RD", "memory_write"): [], ("IORQ", "io_read"): [(1.0, 3.5)], ("RD", "io_read"): [(1.0, 3.5)],
    ("WR", "io_write"): [(1.0, 3.5)], ("M1", "interrupt_acknowledge"): [(0.0, 4.0)], ("IORQ", "interrupt_acknowledge"): [(2.5, 4.0)],
    ("RFSH", "interrupt_acknowledge"): [(4.0, 6.0)], ("MREQ", "bus_granted"): [], ("M1", "unknown"): [],
}  # fmt: skip


@pytest.mark.parametrize(("line", "kind"), WANTED, ids=str)
def test_the_table_of_expected_pulses(line, kind):
    assert list(expected(line, kind)) == WANTED[line, kind]


@pytest.mark.parametrize("line", ["M1", "RFSH", "RD", "WR", "MREQ"])
def test_on_a_healthy_machine_the_ghost_is_what_the_strobe_did(tmp_path, line):
    path = tmp_path / "good.vcd"
    with path.open("w") as file:
        simulate(lines="eight", duration_s=0.001, waits=[]).write_vcd(file)
    (data,) = collect_all(diagnose([path]), Options())
    window = data.windows[-1]
    row = next(row for row in viewer([data])["windows"] if row["key"] == window.key)
    trace = row["traces"][line]
    assert data.t_ticks is not None
    spans = ghosts([line], window.cycles, data.t_ticks, data.examined.start_tick)[line]
    inside = [n for n in range(0, len(spans), 2) if window.start <= spans[n] and spans[n + 1] <= window.end - data.t_ticks]
    agree = [n for n in inside if level(trace, (spans[n] + spans[n + 1]) / 2) == 0 and level(trace, spans[n] - 0.25 * data.t_ticks) == 1]
    assert inside and len(agree) == len(inside)


def level(trace, ticks):
    return next(trace[n + 1] for n in range(len(trace) - 2, -1, -2) if trace[n] <= ticks)


def test_only_the_lines_at_fault_have_a_ghost(tmp_path):
    path = tmp_path / "dead.vcd"
    with path.open("w") as file:
        simulate(lines="eight", duration_s=0.001, faults=[fault("dead-low", line="M1")]).write_vcd(file)
    windows = viewer(collect_all(diagnose([path]), Options()))["windows"]
    assert set(windows[0]["ghosts"]) == {"M1"} and windows[-1]["ghosts"] == {}
