"""The plug-in for findings, inside the real host: silent on healthy machines, and it names a dead strobe."""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest

from conftest import ROOT, TRACES, all_traces, require_component, run_strobewise
from strobewise.bus.lines import BIT
from strobewise.capture import open_capture
from strobewise.capture.channels import map_channels

HOST = shutil.which("sigrok-cli")
HEALTHY = [path for path in all_traces() if path.parent.name == "good" and ".vcd" in path.name]


@pytest.fixture(autouse=True)
def host():
    require_component("the capture host", HOST, "install sigrok-cli, without its bundled decoders")


def findings(trace, tmp_path) -> str:
    prepared = tmp_path / "prepared.vcd"
    assert run_strobewise("prepare", trace, "-o", prepared).returncode == 0
    with open_capture(str(prepared)) as capture:
        channels = map_channels(capture.header.channels).channels
    mapping = ":".join(f"{line.lower()}={name}" for line, name in channels.items() if line in BIT)
    done = subprocess.run(
        [HOST, "-i", prepared, "-P", f"strobewise_cycles:{mapping},strobewise_faults", "-A", "strobewise_faults=finding"],
        env={**os.environ, "SIGROKDECODE_DIR": str(ROOT / "decoders" / "host")}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout


@pytest.mark.parametrize("trace", HEALTHY, ids=lambda p: p.name)
def test_a_healthy_machine_has_no_findings(trace, tmp_path):
    assert findings(trace, tmp_path) == ""


def test_a_dead_strobe_is_named(tmp_path):
    assert "/M1 dead" in findings(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz", tmp_path)
