"""strobewise watch from the outside: pipes, signals, files, memory."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import threading
import time

import jsonschema
import pytest

from conftest import ROOT, run_strobewise
from strobewise_cli.schemas import load_schema
from watch_streams import piece, stream

FAULT = {5: (1_000_000, 2_000_000)}


def start(*arguments):
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    return subprocess.Popen(
        [sys.executable, "-m", "strobewise_cli", "watch", "-", *map(str, arguments)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": search},
    )  # fmt: skip


def test_a_healthy_stream():
    done = run_strobewise("watch", "-", "--window", "0.005", stdin=b"".join(stream(8)))
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode()
    assert text.startswith("watched 0.0 s of the stream (2") and text.endswith("undecided 0\nno fault seen\n")


def test_it_stops_at_the_first_fault(tmp_path):
    data = b"".join(stream(10, {**FAULT, 8: (0, 1_000_000)}))
    done = run_strobewise("watch", "-", "--window", "0.005", "--save", tmp_path / "faults", stdin=data)
    assert (done.returncode, done.stderr) == (1, b"")
    assert done.stdout.decode().count("FAULT in window") == 1 and "first fault: fetch-strobe-missing" in done.stdout.decode()
    saved = list((tmp_path / "faults").iterdir())
    assert [path.name for path in saved] == ["fault-0001-fetch-strobe-missing.vcd"]
    assert run_strobewise("diagnose", saved[0]).returncode == 1


def test_it_keeps_going_and_logs(tmp_path):
    data = b"".join(stream(10, {**FAULT, 8: (0, 1_000_000)}))
    log = tmp_path / "log.jsonl"
    done = run_strobewise("watch", "-", "--window", "0.002", "--keep-going", "--save", tmp_path, "--log", log, stdin=data)
    assert done.returncode == 1
    records = [json.loads(line) for line in log.read_text().splitlines()]
    validator = jsonschema.Draft202012Validator(load_schema("watch-record"))
    for record in records:
        validator.validate(record)
    faulty = [record for record in records if record["state"] == "fault"]
    assert len(faulty) == done.stdout.decode().count("FAULT in window") >= 2
    assert all(os.path.isfile(record["saved"]) for record in faulty)
    assert all(a["end_s"] <= b["start_s"] for a, b in itertools.pairwise(records))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_end_it_with_a_summary(number):
    process = start("--window", "0.005")
    for part in stream(6):
        process.stdin.write(part)
    process.stdin.flush()  # and the pipe stays open, as that of a host that goes on
    time.sleep(2.0)  # time to start; nothing depends on how far it has come
    process.send_signal(number)
    out, errors = process.communicate(timeout=60)
    assert (process.returncode, errors) == (0, b"")
    assert out.decode().startswith("watched ") and "no fault seen" in out.decode()


def test_a_stream_that_breaks_off_in_the_middle_of_a_word():
    data = b"".join(stream(6))
    done = run_strobewise("watch", "-", stdin=data[:-2])
    assert done.returncode == 0 and b"strobewise: warning:" in done.stderr


def test_a_damaged_stream_is_an_error_with_its_place():
    done = run_strobewise("watch", "-", stdin=b"".join(stream(4)) + b"#banana\n#99999999999 1!\n")
    assert done.returncode == 2 and done.stderr.decode().count("\n") == 1 and "(-, line " in done.stderr.decode()


def test_memory_stays_flat():
    """Peak memory for a stream four times as long is the same, give or take what an allocator does."""

    def peak(tiles):
        code = (
            "import resource, sys; from strobewise_cli.main import main; status = main(['watch', '-', '--window', '0.02']);"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr); sys.exit(status)"
        )
        search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
        process = subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": search},
        )  # fmt: skip

        def feed():
            for part in stream(tiles):
                process.stdin.write(part)
            process.stdin.close()

        with process:
            feeder = threading.Thread(target=feed)
            feeder.start()
            errors = process.stderr.read()
            feeder.join()
        assert process.returncode == 0
        return int(errors)

    short, long = peak(25), peak(100)
    assert long - short < 16 << 10, f"{short} KiB, then {long} KiB"
    assert len(piece()[0]) * 75 * 16 > 32 << 20  # what holding the rest of the stream would have cost


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--window", "0"], "'0' is no length of a window (--window): give seconds, 0.001 to 10"),
        (["--ignore", "no-such"], "there is no rule 'no-such' (--ignore): strobewise explain lists the rules"),
        (["--log", "-"], "the log goes to a file (--log): name one"),
        (["--save", "file"], "this is a file (--save file): name a folder"),
    ],
)
def test_bad_usage(arguments, message, tmp_path):
    (tmp_path / "file").write_text("")
    done = run_strobewise("watch", "-", *arguments, stdin=b"".join(stream(1)), cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode() == f"strobewise: error: {message}\n"
