"""Raw samples: how the user says what they are, from files, from pipes, and beside captures that say it themselves."""

from __future__ import annotations

import gzip
import os
import re
import threading

import numpy as np
import pytest

from conftest import TRACES, run_strobewise
from session_files import write_session
from strobewise.capture import open_capture
from strobewise.capture.raw.form import parse_raw
from strobewise.capture.raw.reader import RawCapture
from strobewise.capture.records import BitAssignment
from strobewise.capture.source import TextSource
from strobewise.errors import CaptureError, UsageError
from strobewise_cli.commands.options import raw_form

VCD = b"$timescale 1 us $end\n$var wire 1 ! M1 $end\n$enddefinitions $end\n#0 0!\n#3 1!\n#4\n"


@pytest.mark.parametrize(
    "text, rate, unit, channels",
    [
        ("24M:MREQ=0,M1=1", 24_000_000, 1, [("MREQ", 0), ("M1", 1)]),
        ("12 MHz/2: RD = 3 , /M1=9", 12_000_000, 2, [("RD", 3), ("/M1", 9)]),
        ("1M/4:M1=0", 1_000_000, 4, [("M1", 0)]),
        ("1M:D=8..10,M1=0", 1_000_000, 2, [("D0", 8), ("D1", 9), ("D2", 10), ("M1", 0)]),
        ("1M:D=2..0", 1_000_000, 1, [("D0", 2), ("D1", 1), ("D2", 0)]),
    ],
)
def test_what_it_says(text, rate, unit, channels):
    form = raw_form(text)
    assert (form.rate, form.unit_bytes, list(form.channels)) == (rate, unit, channels)


@pytest.mark.parametrize(
    "text, message",
    [
        ("24M", "'24M' names no sample rate and channels (--raw): write RATE[/BYTES]:LINE=BIT,..., as 24M:MREQ=0,M1=1 or 12M/2:MREQ=0"),
        ("often:M1=0", "'often:M1=0' names no sample rate and channels (--raw): write"),
        ("24M:", "'' is no line and bit (--raw): write"),
        ("24M:M1", "'M1' is no line and bit (--raw): write"),
        ("24M:M1=-1", "'M1=-1' is no line and bit (--raw): write"),
        ("24M:M1=0,RD=0", "bit 0 is given twice (--raw): one bit of a sample is one channel"),
        ("24M:M1=70000", "there is no bit 70000 (--raw): bits are counted from 0, the least significant first"),
        ("24M/1:M1=8", "'1' is no number of bytes for these bits (--raw): they need 2 a sample at least"),
        ("24M/x:M1=8", "'x' is no number of bytes for these bits (--raw): they need 2 a sample at least"),
    ],
)
def test_what_is_wrong_with_it(text, message):
    with pytest.raises(UsageError, match="^" + re.escape(message)):
        parse_raw(text)


def rows(capture):
    bits = [BitAssignment(channel.code, 0, at) for at, channel in enumerate(capture.header.channels)]
    return [row for block in capture.blocks(bits) for row in zip(block.times.tolist(), block.words.tolist(), strict=True)]


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "packed"])
def test_samples_of_two_bytes(tmp_path, pack):
    path = tmp_path / "a.bin"
    path.write_bytes(pack(bytes([0, 1, 0, 1, 128, 0, 5])))
    with open_capture(str(path), parse_raw("1M/2:M1=8,RD=7")) as capture:
        for _ in range(2):  # a file may be read again
            assert rows(capture) == [(0, 1), (2, 2), (3, 2)]
            assert capture.warnings == ["the last sample is cut off: it has 1 of 2 bytes"]


def test_a_capture_that_says_what_it_is_is_read_as_that(tmp_path):
    form = parse_raw("1M:RD=0")
    (tmp_path / "a").write_bytes(VCD)
    for path in (tmp_path / "a", write_session(tmp_path / "b", ["M1"], [bytes([0, 0, 0, 1])], rate="1 MHz")):
        with open_capture(str(path), form) as capture:
            assert capture.header.channels[0].name == "M1" and rows(capture) == [(0, 0), (3, 1), (4, 1)]


@pytest.mark.parametrize("content", [b"0,1\n1,0\n", b"\x24\x24", b"P", b"$da", b"\x1f"])
def test_all_else_is_taken_for_samples(tmp_path, content):
    (tmp_path / "a").write_bytes(content)
    with open_capture(str(tmp_path / "a"), parse_raw("1M:M1=0")) as capture:
        assert isinstance(capture, RawCapture) and rows(capture)[-1][0] == len(content)


def test_a_file_without_a_sample(tmp_path):
    (tmp_path / "a").write_bytes(b"\1")
    with open_capture(str(tmp_path / "a"), parse_raw("1M/2:M1=0")) as capture, pytest.raises(CaptureError, match=r"holds no samples"):
        rows(capture)


def test_what_a_pipe_holds_is_handed_on_while_it_stalls(tmp_path):
    """The writer waits for the rows of what it has written before it writes more."""
    os.mkfifo(tmp_path / "pipe")
    seen = threading.Event()

    def write():
        with open(tmp_path / "pipe", "wb", buffering=0) as out:
            out.write(bytes([0, 0, 1]))
            assert seen.wait(30)
            out.write(bytes([1, 0]))

    writer = threading.Thread(target=write)
    writer.start()
    with RawCapture(str(tmp_path / "pipe"), parse_raw("1M:M1=0"), source=TextSource(str(tmp_path / "pipe"))) as capture:
        found = []
        for block in capture.blocks([BitAssignment("0", 0, 0)]):
            found += block.times.tolist()
            seen.set()
        assert found == [0, 2, 4, 5]
        with pytest.raises(CaptureError, match="a pipe can be read only once"):
            capture.blocks([])
    writer.join()


def test_every_command_takes_it(tmp_path):
    with open_capture(str(TRACES / "good" / "healthy-two.vcd")) as capture:
        blocks = list(capture.blocks([BitAssignment(channel.code, 0, at) for at, channel in enumerate(capture.header.channels)]))
        times = np.concatenate([block.times for block in blocks]) * capture.header.timescale_fs
        words = np.concatenate([block.words for block in blocks]).astype(np.uint8)
    at = np.searchsorted(times, np.arange(0, times[-1], 10**15 / 24e6) + 10**6, "right") - 1
    samples = words[at].tobytes()
    session = write_session(tmp_path / "a.sr", ["M1", "MREQ"], [samples])
    (tmp_path / "a.bin").write_bytes(samples)
    raw = ("--raw", "24M:M1=0,MREQ=1")
    for command in (("cycles",), ("lines",), ("diagnose", "--brief")):
        told = [
            run_strobewise(*command, path, *more, stdin=samples)
            for path, more in ((session, ()), (tmp_path / "a.bin", raw), ("-", raw))
        ]  # fmt: skip
        shown = [done.stdout.replace(str(tmp_path / "a.bin").encode(), b"FILE").replace(str(session).encode(), b"FILE") for done in told]
        assert told[0].returncode == told[1].returncode == told[2].returncode != 2, told[1].stderr
        assert shown[0] == shown[1] and len(shown[2]) > 10


def test_the_report_says_what_a_capture_was_taken_for(tmp_path):
    samples = bytes([3, 3, 0, 0, 0, 2, 2, 1, 1, 3] * 300)
    write_session(tmp_path / "a", ["M1", "MREQ"], [samples])
    (tmp_path / "b").write_bytes(samples)
    (tmp_path / "c").write_text("".join(f"{at / 24e6:.9f},{value & 1},{value >> 1}\n" for at, value in enumerate(samples)))
    (tmp_path / "d").write_bytes(VCD)
    for name, more, words in (
        ("a", (), b"read as a session file, told by its first bytes"),
        ("b", ("--raw", "24M:M1=0,MREQ=1"), b"read as raw samples, as --raw says"),
        ("c", ("--map", "M1=CH1", "--map", "MREQ=CH2"), b"read as a CSV, told by its first rows"),
    ):
        assert words in run_strobewise("diagnose", tmp_path / name, *more).stdout
    assert b"read as" not in run_strobewise("diagnose", tmp_path / "d").stdout


def test_bad_usage_is_one_line(tmp_path):
    done = run_strobewise("diagnose", "x.bin", "--raw", "24M")
    assert done.returncode == 2 and done.stderr.decode().startswith("strobewise: error: '24M' names no sample rate and channels (--raw): ")
    assert done.stderr.count(b"\n") == 1
