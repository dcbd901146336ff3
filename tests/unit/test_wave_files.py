"""Waveform files of logic simulators: what they hold, and what is said of one that cannot be read."""

from __future__ import annotations

import gzip
import importlib.util
import re
import sys

import pytest

from conftest import run_strobewise
from strobewise.capture import open_capture
from strobewise.capture.records import BitAssignment
from strobewise.capture.waves import MAGIC, convert, reader
from strobewise.diagnosis.facade import diagnose
from strobewise.errors import CaptureError
from strobewise.profile.options import Options
from wave_files import needs_library, wave_library, write_waves

__all__ = ["wave_library"]

CHANNELS = [("top", "M1", 1), ("top.cpu", "A [3:0]", 4), ("top.cpu", "D[6]", 1), ("", "RD", 1)]
ROWS = [(0, {0: "x", 1: "zz01", 2: "1", 3: "1"}), (10, {0: "0"}), (20, {0: "1", 1: "101x"}), (30, {3: "0"}), (45, {})]


@needs_library
def test_what_it_holds(tmp_path):
    with open_capture(str(write_waves(tmp_path / "a", CHANNELS, ROWS, -10))) as capture:  # told by content
        assert [(each.name, each.scope, each.bit_range, each.width) for each in capture.header.channels] == [
            ("M1", "top", None, 1), ("A", "top.cpu", (3, 0), 4), ("D[6]", "top.cpu", (6, 6), 1), ("RD", "", None, 1),
        ]  # fmt: skip
        assert capture.header.timescale_fs == 100_000 and capture.read_as.startswith("a waveform file")
        code = [each.code for each in capture.header.channels]
        bits = [BitAssignment(code[0], 0, 0), *(BitAssignment(code[1], at, 1 + at) for at in range(4)), BitAssignment(code[3], 0, 5)]
        for _ in range(2):  # it may be read again
            blocks = list(capture.blocks(bits))
            rows = [row for block in blocks for row in zip(block.times.tolist(), block.words.tolist(), strict=True)]
            hidden = [0 if block.unknown is None else block.unknown.tolist() for block in blocks]
            assert rows == [(0, 0b100010), (10, 0b100010), (20, 0b110111), (30, 0b010111), (45, 0b010111)]
            assert hidden == [[0b11001, 0b11000, 0b00010, 0b00010], [0b00010]]
        assert capture.channel_statistics()[code[3], 0] == (1, 30, 45, 0) and capture.end_time == 45


@needs_library
@pytest.mark.parametrize(
    "content, message",
    [
        (lambda whole: whole[:60], "the waveform file (FST) is damaged, or cut short (PATH): let the simulator end, or export it as VCD"),
        (lambda whole: b"nonsense", "the waveform file (FST) is damaged, or cut short (PATH): let the simulator end, or export it as VCD"),
        (gzip.compress, "a waveform file (FST) is read from a file that is not packed (PATH): unpack it, or write it to a file"),
    ],
    ids=["short", "nonsense", "packed"],
)
def test_what_is_said_of_one_that_cannot_be_read(tmp_path, content, message):
    path = write_waves(tmp_path / "a.fst", CHANNELS, ROWS)
    path.write_bytes(content(path.read_bytes()))
    with pytest.raises(CaptureError, match="^" + re.escape(message.replace("PATH", str(path))) + "$"), open_capture(str(path)):
        pass


@needs_library
def test_a_stream_is_none(tmp_path):
    done = run_strobewise("diagnose", "-", stdin=write_waves(tmp_path / "a.fst", CHANNELS, ROWS).read_bytes())
    said = "a waveform file (FST) is read from a file that is not packed (-): unpack it, or write it to a file"
    assert (done.returncode, done.stderr.decode().strip()) == (2, f"strobewise: error: {said}")


def test_without_the_library(tmp_path, monkeypatch):
    path = tmp_path / "a.fst"
    path.write_bytes(MAGIC + bytes(321))
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    message = rf"^waveform files need pylibfst, which is not installed \({path}\): pip install 'strobewise\[fst\]', or export it as VCD$"
    with pytest.raises(CaptureError, match=message):
        open_capture(str(path))


@pytest.mark.parametrize(
    "status, what",
    [
        (convert.NOT_INSTALLED, "waveform files need pylibfst"), (convert.NOT_READABLE, "the waveform file (FST) is damaged"),
        (-9, "the library that reads waveform files (FST) broke down over this one"),
    ],
)
def test_how_the_other_process_ends_is_said(tmp_path, monkeypatch, status, what):
    path = tmp_path / "a.fst"
    path.write_bytes(MAGIC + bytes(321))
    written = "$timescale 1 ns $end $var wire 1 ! M1 $end $enddefinitions $end #0 0! "
    ends = "os.kill(os.getpid(), signal.SIGKILL)" if status < 0 else f"os._exit({status})"
    code = f"import os, signal; print({written!r}, flush=True); {ends}"
    monkeypatch.setattr(reader, "command", lambda path: [sys.executable, "-c", code])
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: name)
    with pytest.raises(CaptureError, match="^" + re.escape(what)), open_capture(str(path)) as capture:
        list(capture.blocks([BitAssignment("!", 0, 0)]))


@needs_library
def test_the_other_process_ends_with_the_reader(tmp_path):
    path = write_waves(tmp_path / "a.fst", CHANNELS, ROWS)
    capture = open_capture(str(path))
    process = capture._source._process
    capture.close()
    assert process.poll() is not None


@needs_library
def test_a_channel_of_two_scopes_is_asked_for(tmp_path):
    path = write_waves(tmp_path / "a.fst", [("top", "M1", 1), ("top.cpu", "M1", 1)], [(0, {0: "0", 1: "1"}), (9, {0: "1"}), (20, {})])
    assert diagnose([str(path)], Options(maps=("M1=top.M1",))).evidence.line("M1").edges == 1
    assert diagnose([str(path)], Options(maps=("M1=top.cpu.M1",))).evidence.line("M1").edges == 0
