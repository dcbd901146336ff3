"""In the real host: the plug-in that offers the strobes alone says what the full one says, and samples taken one a clock are followed."""

from __future__ import annotations

import io

import pytest
from real_host import decode, joined, need_host
from test_plugins_agree import command_rows, prepared  # noqa: F401 - a fixture

from conftest import TRACES, all_traces, run_strobewise
from strobewise.machine import simulate
from strobewise.stream.pins import CHANNELS, P_ADDRESS

STROBES = CHANNELS[:P_ADDRESS]
#: Every fourth of the demo captures, and those in which a line of the bus is held or another strobe is dead.
CAPTURES = [path for path in all_traces() if ".vcd" in path.name and not path.name.startswith("clocked")]
CAPTURES = [path for number, path in enumerate(CAPTURES) if number % 4 == 0 or "dead" in path.name or "held" in path.name]


@pytest.fixture(autouse=True)
def host():
    need_host()


@pytest.mark.parametrize("trace", CAPTURES, ids=lambda path: path.name.partition(".")[0])
def test_strobes_alone(trace, prepared):  # noqa: F811
    """Rows, remarks and findings are those of the full plug-in with the same lines."""
    path = prepared(trace)
    stack = ",strobewise_faults"
    for shown in ("{}", "strobewise_faults"):
        full = decode(path, shown.format("strobewise_cycles"), stack, lines=STROBES)
        strobes = decode(path, shown.format("strobewise_strobes"), stack, base="strobewise_strobes", lines=STROBES)
        assert [line.replace("strobewise_strobes", "strobewise_cycles") for line in strobes] == full


def test_strobes_alone_offers_no_bus(prepared):  # noqa: F811
    path = prepared(TRACES / "good" / "healthy-full.vcd.gz")
    alone = {"base": "strobewise_strobes", "lines": STROBES}
    rows = joined([line.replace("_strobes-1", "_cycles-1") for line in decode(path, "strobewise_strobes", **alone)])
    assert [(*row[:5], "", "", row[7]) for row in command_rows(path)] == [row[:8] for row in rows] and len(rows) > 1000
    assert decode(path, "strobewise_instructions", ",strobewise_instructions", **alone) == [
        f"0-1 strobewise_instructions-1: No opcode can be read: map the data bus ({', '.join(CHANNELS[-8:])} missing)",
    ]


def in_the_host(path, edge, show="strobewise_cycles", stack="", options=""):
    return decode(path, show, stack, f":clocked={edge}{options}")


@pytest.mark.parametrize(("name", "edge"), [("good/clocked-healthy", "falling"), ("faults/clocked-m1-dead", "rising")])
def test_clocked_demo_captures(name, edge, tmp_path):
    """A sample of the host is a clock: the rows are those of the command line, counted in T-states."""
    (trace,) = TRACES.rglob(f"{name.split('/')[1]}.vcd.gz")
    path = tmp_path / "x.vcd"
    run_strobewise("prepare", trace, "--clocked", "no", "-o", path)
    done = run_strobewise("cycles", path, "--clocked", edge, "--clock", "1000000000", "--format", "csv")  # then a clock is a tick
    assert done.returncode == 0, done.stderr
    *rows, last = joined(in_the_host(path, edge))
    *expected, at_end = command_rows(path, "--clocked", edge, "--clock", "1000000000")
    assert rows == expected and len(rows) > 500
    assert (last[0], *last[2:]) == (at_end[0], *at_end[2:]) and abs(last[1] - at_end[1]) <= 1  # it ends between two samples


@pytest.mark.parametrize("edge", ["falling", "rising"])
@pytest.mark.parametrize("lines", ["full", "eight"])
def test_healthy_clocked_captures_are_no_fault(edge, lines, tmp_path):
    for seed in range(3):
        out = io.StringIO()
        simulate(clocked=edge, lines=lines, duration_s=0.004, seed=seed).write_vcd(out)
        path = tmp_path / f"{seed}.vcd"
        path.write_text(out.getvalue())
        for options in ("", ":clock_hz=3500000"):
            shown = in_the_host(path, edge, "strobewise_faults=findings", ",strobewise_faults", options)
            assert shown == []


def test_a_dead_strobe_of_a_clocked_capture_is_told(tmp_path):
    (trace,) = TRACES.rglob("clocked-m1-dead.vcd.gz")
    path = tmp_path / "x.vcd"
    run_strobewise("prepare", trace, "--clocked", "no", "-o", path)
    for options in ("", ":clock_hz=3500000"):
        shown = in_the_host(path, "rising", "strobewise_faults=findings", ",strobewise_faults", options)
        assert shown and all("/M1" in line for line in shown)
