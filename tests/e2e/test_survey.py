"""strobewise survey from the outside, on processes and on a real local cluster of which one worker is killed."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from conftest import ROOT, TRACES, require_component, run_strobewise
from strobewise.archive.folder import ENDINGS

GOOD = TRACES / "good" / "healthy-two.vcd"
BAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]),
    "DASK_DISTRIBUTED__WORKER__DAEMON": "false",
}


@pytest.fixture
def folder(tmp_path):
    top = tmp_path / "captures"
    top.mkdir()
    shutil.copy(GOOD, top / "good.vcd")
    shutil.copy(BAD, top / "bad.vcd")
    return top


def has(name):
    return importlib.util.find_spec(name) is not None


def test_what_it_says(folder):
    (folder / "broken.vcd").write_text("no capture")
    done = run_strobewise("survey", folder, "--processes", "2")
    assert (done.returncode, done.stderr) == (1, b""), done.stdout
    lines = done.stdout.decode().splitlines()
    assert lines[0].startswith("FAULT  bad.vcd: ") and lines[1].startswith("unreadable  broken.vcd: ")
    assert lines[-1] == "3 captures: 1 without a fault, 1 with one, 0 undecided, 1 unreadable"


def test_exit_status(folder):
    os.unlink(folder / "bad.vcd")
    assert run_strobewise("survey", folder).returncode == 0
    (folder / "broken.vcd").write_text("no capture")
    assert run_strobewise("survey", folder).returncode == 3


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["gone"], "no such folder (gone): name a folder with captures in it"),
        (["empty"], f"there is no capture in the folder (empty): captures end in one of {', '.join(ENDINGS)}"),
        (["captures", "--again"], "nothing is kept from one survey to the next without -o (--again): leave it out, or give -o FOLDER"),
        (["captures", "--processes", "0"], "'0' is no number of processes (--processes): give 1 to 256"),
    ],
)
def test_bad_usage(folder, arguments, message):
    (folder.parent / "empty").mkdir()
    done = run_strobewise("survey", *arguments, cwd=folder.parent)
    assert (done.returncode, done.stdout, done.stderr.decode()) == (2, b"", f"strobewise: error: {message}\n")


def test_results_are_kept_and_taken_up(folder, tmp_path):
    require_component("duckdb and pyarrow", has("duckdb") and has("pyarrow"), 'pip install "strobewise[archive]"')
    results = folder / "results"  # inside the folder surveyed, as people do
    first = run_strobewise("survey", folder, "-o", results, "--json", tmp_path / "first.json")
    second = run_strobewise("survey", folder, "-o", results, "--json", tmp_path / "second.json")
    assert (first.returncode, second.returncode) == (1, 1)
    assert sorted(path.name for path in results.iterdir()) == [
        "captures.parquet", "cases.parquet", "findings.parquet", "journal.jsonl", "lines.parquet", "survey.duckdb",
    ]  # fmt: skip
    assert b"2 captures (2 known from before)" in second.stdout
    assert (tmp_path / "first.json").read_bytes() == (tmp_path / "second.json").read_bytes()


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("banana", "this is no address of a scheduler (--scheduler banana): write it as tcp://bench:8786"),
        ("tcp://127.0.0.1:9", "no cluster answers: [Errno 111] Connection refused (--scheduler tcp://127.0.0.1:9): start dask scheduler "
         "and dask worker, and give the address it prints"),
    ],
)  # fmt: skip
def test_no_cluster_answers(folder, address, message):
    require_component("dask", has("distributed"), 'pip install "strobewise[cluster]"')
    done = run_strobewise("survey", folder, "--scheduler", address)
    assert (done.returncode, done.stdout, done.stderr.decode()) == (2, b"", f"strobewise: error: {message}\n")


def start(*command):
    return subprocess.Popen(
        [sys.executable, "-m", *command], env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and three workers, each a process of its own; yields the address, the workers and the scheduler."""
    require_component("dask", has("distributed"), 'pip install "strobewise[cluster]"')
    file = tmp_path / "scheduler.json"
    running = [start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", file)]
    workers = []
    try:
        for _ in range(3):
            where = ("--scheduler-file", file, "--local-directory", tmp_path)
            workers.append(start("distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", "--no-dashboard", *where))
        running += workers
        assert wait_for(file)
        yield json.loads(file.read_text())["address"], workers, running[0]
    finally:
        for process in running:
            process.kill()
            process.wait()


#: The command, which waits a few seconds for a worker, not a minute: none that is started here comes back.
IMPATIENT = """
import sys
from strobewise.archive import cluster
from strobewise_cli.main import main
cluster.WITHOUT_WORKERS_S = 3
sys.exit(main())
"""


def survey_on(address, folder, results):
    """Start a survey on a cluster and wait until something has come of it."""
    survey = subprocess.Popen(
        [sys.executable, "-c", IMPATIENT, "survey", folder, "-o", results, "--scheduler", address],
        env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    journal = results / "journal.jsonl"
    while survey.poll() is None and not (journal.exists() and journal.read_bytes().count(b"\n") >= 2):
        time.sleep(0.01)
    assert survey.poll() is None, "over before anything could be done to it"
    return survey


@pytest.mark.parametrize(("which", "said"), [(0, "the scheduler has gone"), (1, "no worker is left")])
def test_a_cluster_that_dies_ends_the_run_with_one_line_and_what_is_done_stays(which, said, folder, cluster, tmp_path):
    require_component("duckdb and pyarrow", has("duckdb") and has("pyarrow"), 'pip install "strobewise[archive]"')
    for number in range(40):
        shutil.copy(TRACES / "good" / "healthy-full.vcd.gz", folder / f"copy-{number:02d}.vcd.gz")
    address, workers, scheduler = cluster
    survey = survey_on(address, folder, tmp_path / "results")
    for process in (scheduler,) if which == 0 else workers:
        process.kill()
    out, errors = survey.communicate(timeout=300)  # results of dead workers are asked for several times before it gives up
    remedy = "look at the cluster, then give the same command again: what is done stays done"
    assert (survey.returncode, out, errors.decode()) == (2, b"", f"strobewise: error: {said} (--scheduler {address}): {remedy}\n")
    done = run_strobewise("survey", folder, "-o", tmp_path / "results", "--processes", "2")
    assert done.returncode == 1 and b"42 captures (" in done.stdout and b" known from before)" in done.stdout


POISON = """
import os, time
from strobewise.archive import record
if record.observe.__name__ != "poisoned":  # a worker may load this twice
    _observe = record.observe
    def poisoned(path, options, **more):
        if "poison" in path:
            time.sleep(1)  # as a capture that uses up the memory does; a worker that dies as it starts is given up by dask's own nanny
            os._exit(9)
        return _observe(path, options, **more)
    record.observe = poisoned
"""


def test_a_capture_that_kills_its_worker_each_time_is_set_aside_and_named(folder, tmp_path):
    """Workers with a nanny, as they are by default, which starts them anew; what stood beside the poison is not blamed."""
    require_component("dask", has("distributed"), 'pip install "strobewise[cluster]"')
    for number in range(6):
        shutil.copy(GOOD, folder / f"copy-{number}.vcd")
    shutil.copy(GOOD, folder / "poison.vcd")
    (tmp_path / "preload.py").write_text(POISON)
    file = tmp_path / "scheduler.json"
    running = [start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", file)]
    try:
        where = ("--scheduler-file", file, "--local-directory", tmp_path, "--preload", tmp_path / "preload.py")
        running.append(start("distributed.cli.dask_worker", "--nthreads", "1", "--nworkers", "2", "--no-dashboard", *where))
        assert wait_for(file)
        done = run_strobewise("survey", folder, "--scheduler", json.loads(file.read_text())["address"])
    finally:
        for process in running:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    assert (done.returncode, done.stderr) == (1, b""), (done.stderr, done.stdout)
    assert b"unreadable  poison.vcd: the process that read it ended (out of memory?) (poison.vcd)" in done.stdout
    assert b"9 captures: 7 without a fault, 1 with one, 0 undecided, 1 unreadable" in done.stdout


def wait_for(file):
    deadline = time.monotonic() + 60
    while not file.exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    return file.exists()


def test_a_worker_killed_in_mid_run_changes_nothing(folder, cluster, tmp_path):
    require_component("duckdb and pyarrow", has("duckdb") and has("pyarrow"), 'pip install "strobewise[archive]"')
    for number in range(20):
        shutil.copy(GOOD if number % 3 else BAD, folder / f"copy-{number:02d}.vcd")
    address, workers, _ = cluster
    results = tmp_path / "results"
    search = subprocess.Popen(
        [
            sys.executable, "-m", "strobewise_cli", "survey", folder, "-o", results, "--scheduler", address,
            "--json", tmp_path / "cluster.json",
        ],
        env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    journal = results / "journal.jsonl"
    killed = False
    while search.poll() is None and not killed:
        if journal.exists() and 2 <= journal.read_bytes().count(b"\n") < 18:
            workers[0].send_signal(signal.SIGKILL)
            killed = True
        time.sleep(0.01)
    out, errors = search.communicate(timeout=300)
    assert killed and search.returncode == 1, errors.decode()
    assert b"22 captures: " in out
    run_strobewise("survey", folder, "--processes", "1", "--json", tmp_path / "alone.json")
    assert (tmp_path / "cluster.json").read_bytes() == (tmp_path / "alone.json").read_bytes()
