"""Runs that are cut off: no process is left behind, nobody else's code runs, Ctrl-C is answered once."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from conftest import ROOT, TRACES

GOOD = TRACES / "good" / "healthy-full.vcd.gz"
PROC = Path("/proc/self/task")
pytestmark = pytest.mark.skipif(not PROC.is_dir(), reason="needs /proc, as Linux has it")


@pytest.fixture
def strobewise(tmp_path):
    """Return a function that starts the command as an installed script does: the current folder is none of its places for modules."""
    script = tmp_path / "script" / "run.py"
    script.parent.mkdir()
    # Whoever runs the tests in the background of a shell has them ignore Ctrl-C, which a process hands on; a terminal's command does not.
    head = "import signal\nimport sys\nfrom strobewise_cli.main import main\n\nif __name__ == '__main__':\n"
    script.write_text(head + "    signal.signal(signal.SIGINT, signal.default_int_handler)\n    sys.exit(main())\n")
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    started = []

    def start(*arguments, cwd, stdin=subprocess.DEVNULL):
        process = subprocess.Popen(
            [sys.executable, str(script), *map(str, arguments)], cwd=cwd, env={**os.environ, "PYTHONPATH": search}, start_new_session=True,
            stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        started.append(process)
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.fixture
def captures(tmp_path):
    folder = tmp_path / "captures"
    folder.mkdir()
    for number in range(40):
        shutil.copy(GOOD, folder / f"{number:02d}.vcd.gz")
    return folder


def children(process):
    """Return the processes of a process, and theirs."""
    try:
        direct = [int(word) for word in Path(f"/proc/{process}/task/{process}/children").read_text().split()]
    except OSError:
        return []
    return direct + [below for child in direct for below in children(child)]


def wait_until(condition, seconds=60):
    deadline = time.monotonic() + seconds
    while not condition() and time.monotonic() < deadline:
        time.sleep(0.02)
    return condition()


def alive(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def workers(process):
    """Return the processes that read captures, once two of them are at work."""
    return [child for child in children(process.pid) if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()]


def test_no_code_from_the_current_folder_runs(strobewise, captures, tmp_path):
    for name in ("multiprocessing", "numpy", "pickle", "strobewise"):
        (captures / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w').close()\nraise SystemExit\n")
    process = strobewise("survey", ".", "--processes", "2", cwd=captures)
    out, errors = process.communicate(timeout=200)
    assert (process.returncode, errors) == (0, b"") and b"40 captures: 40 without a fault" in out
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_no_worker_outlives_a_survey(number, strobewise, captures):
    process = strobewise("survey", ".", "--processes", "2", cwd=captures)
    assert wait_until(lambda: len(workers(process)) == 2)
    all_of_them = children(process.pid)
    process.send_signal(number)
    process.wait(60)
    assert wait_until(lambda: not any(map(alive, all_of_them)), 30)


def test_an_interrupt_is_answered_once(strobewise, captures, tmp_path):
    """A terminal sends Ctrl-C to every process of the group."""
    for moment in (0.0, 0.3):
        process = strobewise("survey", ".", "--processes", "2", "-o", tmp_path / "results", cwd=captures)
        assert wait_until(lambda process=process: len(children(process.pid)) >= 2)
        time.sleep(moment)
        all_of_them = children(process.pid)
        os.killpg(process.pid, signal.SIGINT)
        out, errors = process.communicate(timeout=60)
        assert (process.returncode, out, errors) == (130, b"", b"")
        assert wait_until(lambda: not any(map(alive, all_of_them)), 30)  # noqa: B023
    assert sorted(path.name for path in (tmp_path / "results").iterdir()) == ["journal.jsonl"]


def test_the_reader_ends_with_a_watch_that_was_killed(strobewise, tmp_path):
    """The process that reads may be waiting for a stream in which nothing comes."""
    reading, writing = os.pipe()
    process = strobewise("watch", "-", cwd=tmp_path, stdin=reading)
    import gzip

    os.write(writing, gzip.decompress(GOOD.read_bytes())[:60_000])
    assert wait_until(lambda: len(children(process.pid)) == 1)
    (reader,) = children(process.pid)
    process.kill()
    assert wait_until(lambda: not alive(reader), 20)
    os.close(reading)
    os.close(writing)
