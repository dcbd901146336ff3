"""Every command that writes, on a full disk and killed at any moment: each file is whole, or as it was, and the next run is well."""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import signal
import subprocess
import time

import pytest

from strobewise_cli.main import COMMANDS, build_parser
from strobewise_cli.named_files import OUTPUT_FOLDERS, OUTPUTS
from writers import ENVIRONMENT, FAULTY, WRITERS, leftovers

OLD = b"what was there before\n"
LIMIT = 90  #: bytes that a file may have: less than any of those that are written
KILLS = int(os.environ.get("STROBEWISE_KILLS", "1"))  #: of each command; docs/reliability-figures.md says how many were tried by hand

NOT_TRIED = {
    ("capture", "output"): "needs the capture host: test_capture_command.py",
    ("capture", "json"): "needs the capture host: test_capture_command.py",
    ("watch", "log"): "a log grows line by line: test_watch.py",
    ("demo", "into"): "replaces nothing: a file that is there stays",
    ("learn", "output"): "reads the profile that stands there and keeps its lines: test_learn.py",
    ("learn", "rom_out"): "written with the profile: test_learn.py",
}

each_writer = pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)


def outputs_of(parser, arguments):
    """Return the options of a command line that name an output."""
    given = vars(parser.parse_args(list(map(str, arguments))))
    return {(given["command"], name) for name in (*OUTPUTS, *OUTPUT_FOLDERS) if given.get(name) is not None}


def test_no_output_is_forgotten():
    parser = build_parser()
    commands = next(action for action in parser._subparsers._group_actions if isinstance(action, argparse._SubParsersAction)).choices
    known = {(name, each.dest) for name in COMMANDS for each in commands[name]._actions if each.dest in {*OUTPUTS, *OUTPUT_FOLDERS}}
    tried = set().union(*(outputs_of(parser, writer.arguments) for writer in WRITERS))
    assert known - tried == set(NOT_TRIED)


def fails_cleanly(writer, folder, **limits):
    """Run a writer that cannot finish; the old files stay, one line names the one that could not be written."""
    for name in writer.files:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(OLD)
    done = subprocess.run(writer.command, cwd=folder, env=ENVIRONMENT, capture_output=True, check=False, timeout=120, **limits)
    errors = [line for line in done.stderr.decode().splitlines() if not line.startswith("strobewise: note: ")]
    assert done.returncode == 2 and len(errors) == 1 and errors[0].startswith("strobewise: error: "), done.stderr
    assert any(os.path.basename(name) in errors[0] for name in (*writer.files, *writer.folders)), errors
    assert {(folder / name).read_bytes() for name in writer.files} == {OLD}
    assert leftovers(folder) == []
    return errors[0]


@each_writer
def test_a_file_that_may_not_grow(writer, tmp_path):
    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT, LIMIT))

    assert "file too large" in fails_cleanly(writer, tmp_path, preexec_fn=limited)


@pytest.fixture
def full_disk(tmp_path):
    """A file system of 64 KiB without room for more than the old files."""
    place = tmp_path / "disk"
    place.mkdir()
    if shutil.which("mount") is None or subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "none", place], capture_output=True, check=False
    ).returncode:  # fmt: skip
        pytest.skip("needs the right to mount a file system")
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


@each_writer
def test_a_full_disk(writer, full_disk):
    for name in writer.files:
        (full_disk / name).parent.mkdir(exist_ok=True)
        (full_disk / name).write_bytes(OLD)
    with pytest.raises(OSError, match="No space"), open(full_disk / "filling", "wb", buffering=0) as filling:
        while True:
            filling.write(bytes(4096))
    assert "no space left on device" in fails_cleanly(writer, full_disk)


def content(writer, folder):
    return [(folder / name).read_bytes() for name in writer.files]


@each_writer
def test_kills_at_any_moment(writer, tmp_path):
    """A killed run leaves each file whole or as it was; part files may stay, and disturb nobody."""
    whole, place = tmp_path / "whole", tmp_path / "place"
    whole.mkdir()
    place.mkdir()
    for name in writer.files:
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(OLD)
    started = time.monotonic()
    subprocess.run(writer.command, cwd=whole, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    lasts = time.monotonic() - started
    expected = content(writer, whole)
    for _ in range(KILLS):
        process = subprocess.Popen(
            writer.command, cwd=place, env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )  # fmt: skip
        try:
            process.wait(lasts * random.uniform(0.2, 1.0))
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        for found, new in zip(content(writer, place), expected, strict=True):
            assert found in (OLD, new)
    subprocess.run(writer.command, cwd=place, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    assert content(writer, place) == expected


def test_two_watches_never_save_into_one_folder(tmp_path):
    """The second would replace the first one's files, which have the same names."""
    reading, writing = os.pipe()
    command = [*WRITERS[0].command[:3], "watch", "-", "--save", "faults"]
    with subprocess.Popen(command, cwd=tmp_path, env=ENVIRONMENT, stdin=reading, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        import gzip

        os.close(reading)
        os.write(writing, gzip.decompress(FAULTY.read_bytes())[:5000])
        deadline = time.monotonic() + 60
        while not (tmp_path / "faults").is_dir() and time.monotonic() < deadline:
            time.sleep(0.02)
        time.sleep(0.3)
        second = subprocess.run(
            [*command[:4], str(FAULTY), "--save", "faults"], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, check=False, timeout=60
        )  # fmt: skip
        os.close(writing)
        first.communicate(timeout=60)
    assert second.returncode == 2 and b"another run is writing there (faults)" in second.stderr
    again = subprocess.run([*command[:4], str(FAULTY), "--save", "faults"], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, check=False)
    assert again.returncode == 1 and len(list((tmp_path / "faults").iterdir())) == 1
