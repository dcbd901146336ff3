"""Full disks, closed pipes, files and folders that cannot be written: one line, and nothing half-written."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from conftest import ROOT, TRACES, run_strobewise

GOOD = TRACES / "good" / "healthy-two.vcd"
FULL = "/dev/full"
READERS = (
    ("verify", GOOD, "--expect", "EXPECT"), ("survey", TRACES / "good", "--processes", "1"), ("watch", GOOD), ("diagnose", GOOD),
    ("lines", GOOD), ("compare", GOOD, GOOD), ("hookup", "--channels", "8"), ("explain", "wait-held"),
)  # fmt: skip


def one_line(done):
    text = done.stderr.decode()
    assert done.returncode == 2 and text.startswith("strobewise: error: ") and text.count("\n") == 1, text
    return text


@pytest.fixture
def expect(tmp_path):
    path = tmp_path / "board.expect.toml"
    assert run_strobewise("verify", GOOD, "--record", path).returncode == 0
    return path


@pytest.mark.skipif(not os.path.exists(FULL), reason="needs /dev/full, a device of Linux")
@pytest.mark.parametrize(
    "command",
    [
        ("verify", GOOD, "--record", FULL),
        ("verify", GOOD, "--expect", "EXPECT", "--junit", FULL),
        ("survey", TRACES / "good", "--json", FULL, "--processes", "1"),
        ("watch", GOOD, "--log", FULL, "--window", "0.001"),
        ("diagnose", GOOD, "--json", FULL),
        ("cycles", GOOD, "-o", FULL),
    ],
    ids=lambda command: " ".join(str(word) for word in command[:1]),
)
def test_a_full_disk(command, expect):
    text = one_line(run_strobewise(*[expect if word == "EXPECT" else word for word in command]))
    assert "no space left on device" in text


@pytest.mark.skipif(not os.path.exists(FULL), reason="needs /dev/full, a device of Linux")
@pytest.mark.parametrize("command", READERS, ids=lambda command: command[0])
def test_standard_output_on_a_full_disk(command, expect):
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    with open(FULL, "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "strobewise_cli", *[str(expect if word == "EXPECT" else word) for word in command]],
            stdout=full, stderr=subprocess.PIPE, check=False, timeout=120, env={**os.environ, "PYTHONPATH": search},
        )  # fmt: skip
    assert "no space left on device" in one_line(done)


@pytest.mark.parametrize("command", READERS, ids=lambda command: command[0])
def test_a_closed_pipe_ends_quietly(command, expect):
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    reading, writing = os.pipe()
    os.close(reading)
    with open(writing, "wb") as closed:
        done = subprocess.run(
            [sys.executable, "-m", "strobewise_cli", *[str(expect if word == "EXPECT" else word) for word in command]],
            stdout=closed, stderr=subprocess.PIPE, check=False, timeout=120, env={**os.environ, "PYTHONPATH": search},
        )  # fmt: skip
    assert done.returncode == 141 and done.stderr == b""


@pytest.mark.parametrize(
    "arguments",
    [
        ("verify", GOOD, "--record", "gone/board.toml"),
        ("verify", GOOD, "--record", "."),
        ("verify", GOOD, "--expect", "board.expect.toml", "--junit", "gone/report.xml"),
        ("survey", TRACES / "good", "--json", "gone/survey.json", "--processes", "1"),
        ("survey", TRACES / "good", "-o", "board.expect.toml", "--processes", "1"),
        ("watch", GOOD, "--log", "gone/log.jsonl"),
        ("watch", GOOD, "--save", "board.expect.toml"),
    ],
    ids=lambda arguments: " ".join(str(word) for word in arguments[::2]),
)
def test_places_that_cannot_be_written(arguments, expect, tmp_path):
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    one_line(run_strobewise(*arguments, cwd=tmp_path))
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write and read everywhere")
def test_permissions(expect, tmp_path):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    for arguments in (("--record", locked / "board.toml"), ("--expect", expect, "--junit", locked / "report.xml")):
        assert "permission denied" in one_line(run_strobewise("verify", GOOD, *arguments))
    secret = tmp_path / "secret.vcd"
    secret.write_bytes(GOOD.read_bytes())
    secret.chmod(0)
    one_line(run_strobewise("verify", secret, "--expect", expect))
    one_line(run_strobewise("watch", secret))
    assert run_strobewise("survey", tmp_path).returncode == 3
