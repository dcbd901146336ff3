"""What prepare writes is read by the real host without a word, and comes out of it as it went in."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from conftest import TRACES, all_traces, require_component, run_strobewise
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels

HOST = shutil.which("sigrok-cli")
DIALECTS = [path for path in all_traces() if path.parent.name == "good"]


@pytest.fixture(autouse=True)
def host():
    require_component("the capture host", HOST, "install sigrok-cli, without its bundled decoders")


def changes(path) -> list[tuple[int, dict[str, int]]]:
    """Return (femtoseconds from the first time, level of every line) at every change."""
    found = []
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        bits = {line: channels.bit(line) for line in channels.channels}
        for block in capture.blocks(channels.assignments):
            for time, word in zip(block.times.tolist(), block.words.tolist(), strict=True):
                levels = {line: word >> bit & 1 for line, bit in bits.items()}
                if not found or found[-1][1] != levels:
                    found.append((time * capture.header.timescale_fs, levels))
    start = found[0][0]
    return [(time - start, levels) for time, levels in found]


@pytest.mark.parametrize("trace", DIALECTS, ids=lambda p: p.name)
def test_the_host_reads_what_prepare_writes(trace, tmp_path):
    prepared, exported = tmp_path / "prepared.vcd", tmp_path / "exported.vcd"
    done = run_strobewise("prepare", trace, "-o", prepared)
    assert done.returncode == 0, done.stderr
    asked = subprocess.run([HOST, "-i", prepared, "-I", "vcd", "-O", "vcd", "-o", exported], capture_output=True, text=True, check=False)
    assert asked.returncode == 0 and asked.stderr == ""
    assert changes(exported) == changes(prepared)
    shown = subprocess.run([HOST, "-i", prepared, "-I", "vcd", "--show"], capture_output=True, text=True, check=False).stdout
    samples = int(done.stdout.decode().split(" channels, ")[1].split()[0])
    assert f"Logic sample count: {samples}" in shown


def test_prepare_works_in_a_pipe(tmp_path):
    trace = TRACES / "good" / "healthy-vectors.vcd.gz"
    done = run_strobewise("prepare", trace, "-o", "-")
    assert done.returncode == 0
    shown = subprocess.run([HOST, "-i", "-", "-I", "vcd", "--show"], input=done.stdout, capture_output=True, check=False)
    assert b"Channels: 38" in shown.stdout
    assert b"channels" in done.stderr  # the report does not mix with the capture


def test_a_prepared_capture_has_the_same_cycles(tmp_path):
    trace = TRACES / "good" / "healthy-vectors.vcd.gz"
    run_strobewise("prepare", trace, "-o", tmp_path / "x.vcd")
    old, new = (run_strobewise("cycles", path).stdout.splitlines() for path in (trace, tmp_path / "x.vcd"))
    assert [row.split(b",", 2)[2] for row in new] == [row.split(b",", 2)[2] for row in old]
