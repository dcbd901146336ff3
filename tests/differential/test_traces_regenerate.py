"""The captures in traces/ are what their scenarios give, bit for bit, and nothing else lies there."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from strobewise.machine.scenario import Scenario
from strobewise.profile.machine import load_profile

TRACES = Path(__file__).resolve().parents[2] / "traces"


@pytest.fixture(scope="module")
def regenerate():
    spec = importlib.util.spec_from_file_location("regenerate_traces", TRACES / "regenerate.py")
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    spec.loader.exec_module(module)
    sys.path[:] = path
    return module


CAPTURES = sorted([*TRACES.glob("good/*.vcd*"), *TRACES.glob("faults/*/*.vcd*")])


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.name)
def test_a_capture_is_what_its_scenario_gives(regenerate, capture):
    rows = {TRACES / row["file"]: row for row in regenerate.sources()}
    assert regenerate.render(rows[capture]) == regenerate.unpacked(capture)
    assert capture.stat().st_size < 100_000


def test_every_source_has_its_capture_and_every_scenario_its_source(regenerate):
    rows = regenerate.sources()
    assert sorted(TRACES / row["file"] for row in rows) == CAPTURES
    assert sorted(TRACES / row["scenario"] for row in rows) == sorted(TRACES.glob("scenarios/*.toml"))
    for row in rows:
        assert row["producer"] and row["licence"] and row["made_how"] and int(row["sample_hz"]) > 0


def test_packed_files_carry_no_time_stamp(regenerate):
    assert regenerate.packed(b"x") == regenerate.packed(b"x")
    for capture in CAPTURES:
        if capture.suffix == ".gz":
            assert capture.read_bytes()[4:8] == b"\0\0\0\0"


def test_the_image_of_the_demo_rom_is_the_program_that_the_demo_machine_runs():
    profile = load_profile(TRACES / "machines" / "dunlin.toml")
    assert (TRACES / "machines" / "dunlin.rom").read_bytes() == Scenario(machine=profile).demo("patrol").ljust(0x3000, b"\xff")
