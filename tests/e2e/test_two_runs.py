"""Two runs at once for each folder that a command fills: one is refused or both are served, and nothing is mixed or half-written."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time

import pytest
from test_writers import commands_of

from conftest import ROOT, TRACES, require_component
from strobewise.case.store import open_case
from strobewise_cli.main import build_parser
from strobewise_cli.named_files import OUTPUT_FOLDERS
from writers import ENVIRONMENT, FAULTY, GOOD, WRITERS, leftovers

COMMAND = WRITERS[0].command[:3]
FILLED = ("captures.parquet", "cases.parquet", "findings.parquet", "lines.parquet", "journal.jsonl", "survey.duckdb")
#: Folder that is filled, as (command, argument) -> the test that tries it.
TRIED = {
    ("survey", "results"): "here", ("watch", "save"): "test_writers.py: two watches never save into one folder", ("demo", "into"): "here",
}  # fmt: skip


def test_each_output_folder_is_tried():
    known = {(name, each.dest) for name, command in commands_of(build_parser()) for each in command._actions if each.dest in OUTPUT_FOLDERS}
    assert known == set(TRIED)


def start(*words, cwd):
    return subprocess.Popen([*COMMAND, *map(str, words)], cwd=cwd, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def told(process):
    out, errors = process.communicate(timeout=120)
    return process.returncode, out, errors


@pytest.fixture
def captures(tmp_path):
    try:
        import duckdb
        import pyarrow
    except ModuleNotFoundError:
        require_component("duckdb and pyarrow", None, 'pip install "strobewise[archive]"')
    assert duckdb and pyarrow
    folder = tmp_path / "captures"
    folder.mkdir()
    for number in range(6):
        shutil.copy(FAULTY if number % 2 else GOOD, folder / f"{number}{''.join((FAULTY if number % 2 else GOOD).suffixes)}")
    return folder


def tables(folder):
    import pyarrow.parquet as pq

    return {name: pq.read_table(folder / name).to_pylist() for name in FILLED if name.endswith(".parquet")}


def test_a_second_survey_into_the_same_folder_is_refused(captures, tmp_path):
    """The first one is stopped in its midst, as a slow one would be there: the second says so, and takes nothing of it away."""
    first = start("survey", captures, "-o", "results", "--processes", "1", cwd=tmp_path)
    try:
        deadline = time.monotonic() + 60
        while not (tmp_path / "results" / "journal.jsonl").exists() and time.monotonic() < deadline:
            time.sleep(0.005)
        os.kill(first.pid, signal.SIGSTOP)
        before = {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()}
        status, out, errors = told(start("survey", captures, "-o", "results", "--processes", "1", cwd=tmp_path))
        assert status == 2 and out == b"" and b"another run is writing there (results)" in errors, errors
        assert {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()} == before
    finally:
        os.kill(first.pid, signal.SIGCONT)
        ended = told(first)
    assert ended[0] == 1, ended[2]
    assert told(start("survey", captures, "-o", "alone", "--processes", "1", cwd=tmp_path))[0] == 1
    assert tables(tmp_path / "results") == tables(tmp_path / "alone") and leftovers(tmp_path) == []


def test_surveys_begun_in_the_same_moment(captures, tmp_path):
    """Whoever is first has the folder; who is not is refused, or finds all done if the first one was that quick."""
    runs = [told(each) for each in [start("survey", captures, "-o", "results", "--processes", "1", cwd=tmp_path) for _ in range(3)]]
    assert {status for status, _, _ in runs} <= {1, 2} and any(status == 1 for status, _, _ in runs), runs
    assert all(b"another run is writing there" in errors for status, _, errors in runs if status == 2), runs
    assert told(start("survey", captures, "-o", "alone", "--processes", "1", cwd=tmp_path))[0] == 1
    assert tables(tmp_path / "results") == tables(tmp_path / "alone") and leftovers(tmp_path) == []
    assert sorted(path.name for path in (tmp_path / "results").iterdir()) == sorted(FILLED)


def test_demo_captures_copied_twice_at_once(tmp_path):
    runs = [told(each) for each in [start("demo", "copy", "here", cwd=tmp_path) for _ in range(2)]]
    assert [status for status, _, _ in runs] == [0, 0], runs
    copied = [path for path in (tmp_path / "here").rglob("*") if path.is_file()]
    assert len(copied) > 20 and leftovers(tmp_path) == []
    for path in copied:
        sources = [TRACES / path.relative_to(tmp_path / "here"), *ROOT.rglob(f"profile/generic/{path.name}")]
        assert path.read_bytes() in [each.read_bytes() for each in sources if each.is_file()], path


def test_captures_added_at_once_all_get_onto_the_sheet(tmp_path):
    assert told(start("case", "new", "mine", cwd=tmp_path))[0] == 0
    runs = [told(each) for each in [start("case", "add", "mine", FAULTY, "--note", n, cwd=tmp_path) for n in range(3)]]
    case = open_case(tmp_path / "mine")
    assert {status for status, _, _ in runs} == {1} and sorted(item.note for item in case.items) == ["0", "1", "2"], runs
    assert all(case.path(item).read_bytes() == FAULTY.read_bytes() for item in case.items) and leftovers(tmp_path) == []
