"""``strobewise cycles`` from the outside: files, pipes, and what goes wrong with them."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import subprocess
import sys

import pytest

from conftest import ROOT, TRACES, all_traces, run_strobewise

EIGHT = TRACES / "good" / "healthy-eight.vcd.gz"
VCD = b"""$timescale 10 ns $end
$var wire 1 ! CH0 $end
$var wire 1 " CH1 $end
$enddefinitions $end
#0 1! 1"
#10 0!
#20 1!
"""


def rows(output: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(output.decode())))


@pytest.mark.parametrize("trace", all_traces(), ids=lambda p: p.name)
def test_every_trace_can_be_listed_in_order_of_time(trace):
    done = run_strobewise("cycles", trace)
    assert done.returncode == 0, done.stderr
    starts = [float(row["start_s"]) for row in rows(done.stdout)]
    assert starts == sorted(starts)
    assert b"error" not in done.stderr


def test_both_formats_say_the_same():
    table = rows(run_strobewise("cycles", EIGHT).stdout)
    objects = [json.loads(line) for line in run_strobewise("cycles", EIGHT, "--format", "jsonl").stdout.splitlines()]
    assert len(objects) == len(table) > 1000
    assert [o["kind"] for o in objects] == [row["kind"] for row in table]
    assert [o["start_s"] for o in objects] == [float(row["start_s"]) for row in table]
    assert [o["address"] for o in objects] == [None] * len(table) == [row["address"] or None for row in table]


def test_a_pipe_gives_the_same_as_a_file(tmp_path):
    plain = gzip.decompress(EIGHT.read_bytes())
    out = tmp_path / "out.csv"
    piped = run_strobewise("cycles", "-", stdin=plain)
    assert run_strobewise("cycles", EIGHT, "-o", out).returncode == 0
    assert piped.returncode == 0
    assert piped.stdout == out.read_bytes()


def test_unlabelled_channels_are_refused_with_advice():
    done = run_strobewise("cycles", "-", stdin=VCD)
    assert done.returncode == 2
    assert done.stderr == (
        b"strobewise: error: no channel has the name of a line (-): it has 'CH0', 'CH1'; say which is which, as --map M1=CH0\n"
    )
    assert run_strobewise("cycles", "-", "--map", "M1=CH0", "--map", "MREQ=CH1", stdin=VCD).returncode == 0


def test_a_damaged_capture_leaves_no_file(tmp_path):
    capture = tmp_path / "x.vcd"
    capture.write_bytes(gzip.decompress(EIGHT.read_bytes())[:60_000] + b"\n?broken\n")
    done = run_strobewise("cycles", capture, "-o", tmp_path / "out.csv")
    assert done.returncode == 2 and done.stderr.startswith(b"strobewise: error: ")
    assert [path.name for path in tmp_path.iterdir()] == ["x.vcd"]


def test_a_reader_that_has_seen_enough_is_no_error():
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    process = subprocess.Popen(
        [sys.executable, "-m", "strobewise_cli", "cycles", str(EIGHT)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": search},
    )  # fmt: skip
    with process:
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 141  # as a shell shows SIGPIPE


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")
def test_a_full_disk_is_said():
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "strobewise_cli", "cycles", str(EIGHT)], stdout=full, stderr=subprocess.PIPE, check=False,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])},
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith(b"strobewise: error: no space left on device (standard output)")


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-"])
def test_closed_streams_make_no_traceback(closed, tmp_path):
    command = f'"{sys.executable}" -m strobewise_cli cycles - {closed}'
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])}
    done = subprocess.run(
        ["bash", "-c", command], input=VCD if closed[0] != "<" else None, env=environment, capture_output=True, check=False
    )
    assert done.returncode == 2 and b"Traceback" not in done.stderr


def test_lines_shows_a_dead_strobe():
    trace = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
    text = run_strobewise("lines", trace).stdout.decode()
    assert any(line.split()[:4] == ["/M1", "27", "stuck", "low"] for line in text.splitlines())
    document = json.loads(run_strobewise("lines", trace, "--json", "-").stdout)
    assert document["format"] == "strobewise-lines" and document["version"] == 1
    assert {"line": "M1", "state": "stuck_low"}.items() <= next(x for x in document["lines"] if x["line"] == "M1").items()


def test_lines_of_an_unlabelled_capture_asks_for_names():
    text = run_strobewise("lines", "-", stdin=VCD).stdout.decode()
    assert "channels without a line: CH0, CH1" in text
    assert "--map M1=CH0" in text
