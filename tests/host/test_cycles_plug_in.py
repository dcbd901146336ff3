"""The plug-in for machine cycles, inside the real host, says the same as ``strobewise cycles`` on the same capture."""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
import subprocess

import pytest

from conftest import ROOT, all_traces, require_component, run_strobewise
from strobewise.bus.lines import BIT
from strobewise.capture import open_capture
from strobewise.capture.channels import map_channels
from strobewise.stream.labels import NOTE_WORDS, WORDS

HOST = shutil.which("sigrok-cli")
TRACES = [path for path in all_traces() if ".vcd" in path.name and path.parent.name != "capture-damaged"]
ITEM = re.compile(r"(\d+)-(\d+) strobewise_cycles-1: (.*)")
LONG = "|".join(re.escape(words.long) for words in WORDS.values())
BEGUN = re.compile(rf"({LONG})(?: at (0x[0-9a-f]{{4}}))?(?:: (0x[0-9a-f]{{2}}))?( \(inferred\))?")
ENDED = re.compile(r"(?:(\d+) T-states|length not known)(?:, (.*))?")
KIND_OF = {words.long: kind for kind, words in WORDS.items()}
NOTE_OF = {words.long: note for note, words in NOTE_WORDS.items()}
HOST_ENVIRONMENT = {**os.environ, "SIGROKDECODE_DIR": str(ROOT / "decoders" / "host")}


@pytest.fixture(autouse=True)
def host():
    require_component("the capture host", HOST, "install sigrok-cli, without its bundled decoders")


def test_the_host_lists_the_plug_in_without_a_message():
    listed = subprocess.run([HOST, "-L"], env=HOST_ENVIRONMENT, capture_output=True, text=True, check=False)
    assert "strobewise_cycles" in listed.stdout
    assert listed.stderr == ""


def from_the_host(prepared) -> list[tuple]:
    """Return (start, end, kind, T-states, address, data, inferred, note) of every cycle, its two items joined; times in samples."""
    with open_capture(str(prepared)) as capture:
        channels = map_channels(capture.header.channels).channels
    mapping = ":".join(f"{line.lower()}={channel}" for line, channel in channels.items() if line in BIT)
    done = subprocess.run(
        [HOST, "-i", prepared, "-P", f"strobewise_cycles:{mapping}", "-A", "strobewise_cycles", "--protocol-decoder-samplenum"],
        env=HOST_ENVIRONMENT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    begun, ended = [], {}
    for line in done.stdout.splitlines():
        start, end, text = ITEM.fullmatch(line).groups()
        if words := BEGUN.fullmatch(text):
            begun.append((int(start), words))
        elif words := ENDED.fullmatch(text):
            ended[int(start)] = (int(end), words[1] or "", NOTE_OF[words[2] or ""])
    rows = []
    for start, words in begun:
        end, t_states, note = ended[start]
        rows.append((start, end, KIND_OF[words[1]], t_states, words[2] or "", words[3] or "", bool(words[4]), note))
    return rows


def from_the_file(prepared, tick_s) -> list[tuple]:
    """Return the same from ``strobewise cycles``."""
    rows = csv.DictReader(io.StringIO(run_strobewise("cycles", prepared).stdout.decode()))
    return [
        (
            max(0, round(float(row["start_s"]) / tick_s)), round(float(row["end_s"]) / tick_s), row["kind"], row["t_states"],
            row["address"], row["data"], row["inferred"] == "1", row["note"],
        )
        for row in rows
    ]  # fmt: skip


@pytest.mark.parametrize("trace", TRACES, ids=lambda p: p.name)
def test_host_and_file_agree(trace, tmp_path):
    prepared = tmp_path / "prepared.vcd"
    done = run_strobewise("prepare", trace, "-o", prepared)
    assert done.returncode == 0, done.stderr
    with open_capture(str(prepared)) as capture:
        tick_s = capture.header.timescale_fs * 1e-15
    assert from_the_host(prepared) == from_the_file(prepared, tick_s)
