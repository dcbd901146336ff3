"""Every command that writes, on a full disk and killed at any moment: each file is whole, or as it was, and the next run is well."""

from __future__ import annotations

import argparse
import functools
import os
import resource
import shutil
import subprocess
import tempfile
import time
import warnings

import pytest

from conftest import TRACES
from strobewise.case.records import Answer
from strobewise.case.store import add_answer, open_case
from strobewise_cli.main import COMMANDS, build_parser
from strobewise_cli.named_files import OUTPUT_FOLDERS, OUTPUTS
from writers import CASE, ENVIRONMENT, FAULTY, WRITERS, Kills, Writer, leftovers

LIMIT = 90  #: bytes that a file may have: less than any of those that are written
HITS = Kills()
LONG = 4  #: kills of each command that make a long run
KILLS = int(os.environ.get("STROBEWISE_KILLS", "1"))  #: of each command; docs/reliability-figures.md says how many were tried by hand

NOT_TRIED = {
    ("capture", "output"): "needs the capture host: test_capture_command.py",
    ("capture", "json"): "needs the capture host: test_capture_command.py",
    ("watch", "log"): "a log grows line by line: test_watch.py",
    ("demo", "into"): "replaces nothing: a file that is there stays",
}

each_writer = pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)


def outputs_of(parser, arguments):
    """Return the options of a command line that name an output."""
    given = vars(parser.parse_args(list(map(str, arguments))))
    return {(named(given["command"], given.get("action")), name) for name in (*OUTPUTS, *OUTPUT_FOLDERS) if given.get(name) is not None}


def named(command, action):
    return f"{command} {action}" if command == "case" else command


def commands_of(parser):
    """Return the commands of a parser, an action of a command as one of its own."""
    for each in parser._actions:
        if isinstance(each, argparse._SubParsersAction):
            for name, inner in each.choices.items():
                yield name, inner
                yield from ((f"{name} {action}", deeper) for action, deeper in commands_of(inner))


def test_no_output_is_forgotten():
    parser = build_parser()
    commands = dict(commands_of(parser))
    assert set(COMMANDS) < set(commands) and "case report" in commands
    options = {*OUTPUTS, *OUTPUT_FOLDERS}
    known = {(name, each.dest) for name, command in commands.items() for each in command._actions if each.dest in options}
    tried = set().union(*(outputs_of(parser, writer.arguments) for writer in WRITERS))
    assert known - tried == set(NOT_TRIED)


#: Changes of a case: what follows its folder on the command line of `strobewise case`, and the action.
CHANGES = (
    ("add", (str(FAULTY), "--note", "again")), ("answer", ("pulses", "M1", "no")), ("withdraw", ("1", "--because", "wrong clip")),
    ("close", ("--was", "cpu", "--part", "U1")),
)  # fmt: skip
each_change = pytest.mark.parametrize(("action", "words"), CHANGES, ids=[action for action, _ in CHANGES])


#: Of a command whose files may not grow: what Python compiled would be cut short, too, and be read by the next command.
SMALL = {**ENVIRONMENT, "PYTHONDONTWRITEBYTECODE": "1"}


def limited(limit=LIMIT):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))


def files_of(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@each_change
def test_a_case_is_as_it_was_where_a_file_may_not_grow(action, words, tmp_path):
    folder = shutil.copytree(str(CASE), tmp_path / "case")
    before = files_of(folder)
    command = [*WRITERS[0].command[:3], "case", action, str(folder), *words]
    done = subprocess.run(command, env=SMALL, capture_output=True, check=False, timeout=120, preexec_fn=limited)
    assert done.returncode == 2 and b"file too large" in done.stderr, done.stderr
    assert files_of(folder) == before


@each_change
def test_a_case_is_whole_after_a_kill(action, words, tmp_path):
    """The sheet is as it was, or has the change; what was there stays, and the next change is well."""
    command = [*WRITERS[0].command[:3], "case", action]
    started = time.monotonic()
    whole = shutil.copytree(str(CASE), tmp_path / "whole")
    subprocess.run([*command, str(whole), *words], env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    lasts = time.monotonic() - started
    before, after = len(open_case(str(CASE)).items), len(open_case(whole).items)
    for n in range(KILLS):
        folder = shutil.copytree(str(CASE), tmp_path / f"case-{n}")
        HITS.kill([*command, str(folder), *words], folder, lasts, n % 2 == 0)
        case = open_case(folder)
        assert len(case.items) in (before, after)
        assert case.path(case.items[0]).read_bytes() == FAULTY.read_bytes()
        if case.closed is None:
            assert len(add_answer(case, Answer("note"), "the next").items) == len(case.items) + 1


def fails_cleanly(writer, folder, prefix=(), cwd=None, **limits):
    """Run a writer that cannot finish; the old files stay, one line names the one that could not be written."""
    for name in writer.files:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(writer.before(name))
    done = subprocess.run(
        [*prefix, *writer.command], cwd=cwd or folder, env=SMALL, capture_output=True, check=False, timeout=120, **limits
    )  # fmt: skip
    errors = [line for line in done.stderr.decode().splitlines() if not line.startswith("strobewise: note: ")]
    assert done.returncode == 2 and len(errors) == 1 and errors[0].startswith("strobewise: error: "), done.stderr
    assert any(os.path.basename(name) in errors[0] for name in (*writer.files, *writer.folders)), errors
    assert all((folder / name).read_bytes() == writer.before(name) for name in writer.files)
    assert leftovers(folder) == []
    return errors[0]


@each_writer
def test_a_file_that_may_not_grow(writer, tmp_path):
    assert "file too large" in fails_cleanly(writer, tmp_path, preexec_fn=limited)


#: Runs a command in a folder on a file system of 64 KiB without room, and copies what is in it then to where it can be seen.
ON_A_FULL_DISK = """
mount -t tmpfs -o size=64k none disk && cp -a here/. disk && ! dd if=/dev/zero of=disk/filling bs=4096 2> /dev/null || exit 99
(cd disk && "$@"); status=$?; rm disk/filling; rm -rf here; cp -a disk here || exit 99; exit $status
"""
#: Who may mount: a superuser, or a user who is one in a namespace of his own. The mount ends with the namespace.
MOUNTING = (("unshare", "--mount"), ("unshare", "--user", "--map-root-user", "--mount"))


@functools.cache
def may_mount():
    """Return what runs a command with a mount of its own, nothing where that is not allowed."""
    with tempfile.TemporaryDirectory() as folder:
        os.mkdir(os.path.join(folder, "disk"))
        os.mkdir(os.path.join(folder, "here"))
        for each in MOUNTING if shutil.which("unshare") else ():
            command = [*each, "sh", "-c", ON_A_FULL_DISK, "sh", "true"]
            if subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 0:
                return each
    return ()


@each_writer
def test_a_full_disk(writer, tmp_path):
    """Where nobody may mount a file system, files that may not grow are tried in its place, and a warning says so."""
    if not may_mount():
        warnings.warn("nobody may mount a file system here: files that may not grow are tried in place of a full disk", stacklevel=1)
        assert "file too large" in fails_cleanly(writer, tmp_path, preexec_fn=limited)
        return
    (tmp_path / "disk").mkdir()
    (tmp_path / "here").mkdir()
    prefix = [*may_mount(), "sh", "-c", ON_A_FULL_DISK, "sh"]
    assert "no space left on device" in fails_cleanly(writer, tmp_path / "here", prefix, cwd=tmp_path)


@pytest.mark.parametrize("limit", [LIMIT, 3000])
def test_demo_captures_come_whole_or_not_at_all(limit, tmp_path):
    command = [*WRITERS[0].command[:3], "demo", "copy", "here"]
    done = subprocess.run(
        command, cwd=tmp_path, env=SMALL, capture_output=True, check=False, timeout=120, preexec_fn=lambda: limited(limit)
    )
    assert done.returncode == 2 and b"file too large" in done.stderr, done.stderr
    for path in (tmp_path / "here").rglob("*.vcd*"):
        assert path.read_bytes() == next(TRACES.rglob(path.name)).read_bytes()
    assert leftovers(tmp_path) == []


CONFIRMED = (*WRITERS, Writer("watch --log", ("watch", FAULTY, "--log", "out.jsonl"), ("out.jsonl",)))


@pytest.mark.parametrize("writer", CONFIRMED, ids=lambda writer: writer.name)
def test_a_terminal_is_told_where_each_file_is(writer, tmp_path):
    """By the path that was given, or by the folder that was filled."""
    ours, theirs = os.openpty()
    with open(ours, "rb", buffering=0) as terminal:
        run = subprocess.Popen(writer.command, cwd=tmp_path, env={**ENVIRONMENT, "TERM": "dumb"}, stdout=theirs, stderr=theirs)
        os.close(theirs)
        said = b""
        try:
            while more := terminal.read(1 << 16):
                said += more
        except OSError:
            pass  # as Linux says that nobody writes there any more
        assert run.wait(120) in (0, 1)
    text = said.decode().replace("\r\n", "\n")
    for name in writer.files:
        folder = os.path.dirname(name)
        assert (tmp_path / name).exists() and (f"wrote {name}\n" in text or (folder and f": {folder}" in text)), (name, text)


def content(writer, folder):
    return [(folder / name).read_bytes() for name in writer.files]


@each_writer
def test_kills_at_any_moment(writer, tmp_path):
    """A killed run leaves each file whole or as it was; part files may stay, and disturb nobody."""
    whole, place = tmp_path / "whole", tmp_path / "place"
    for folder in (whole, place):
        for name in writer.files:
            (folder / name).parent.mkdir(exist_ok=True, parents=True)
            (folder / name).write_bytes(writer.before(name))
    started = time.monotonic()
    subprocess.run(writer.command, cwd=whole, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    lasts = time.monotonic() - started
    expected = content(writer, whole)
    for n in range(KILLS):
        HITS.kill(writer.command, place, lasts, n % 2 == 0)
        for name, found, new in zip(writer.files, content(writer, place), expected, strict=True):
            assert found in (writer.before(name), new)
    subprocess.run(writer.command, cwd=place, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    if content(writer, place) != expected:
        # A kill between its two files leaves the first one new: then the run after it is as a second one, which may say so (learn does).
        subprocess.run(writer.command, cwd=whole, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
        assert content(writer, place) == content(writer, whole)


def test_kills_that_hit(capsys):
    """Says what the kills of this run fell into; a long run must have hit files that were being written."""
    with capsys.disabled():
        print(f"\n{sum(HITS.hit.values())} kills: " + ", ".join(f"{count} {what}" for what, count in HITS.hit.items()))
    if KILLS >= LONG and sum(HITS.hit.values()) > 20 * LONG:  # more than a choice of the tests was run
        assert HITS.hit["while a file was being written"] > 0 and HITS.hit["at work"] > 0


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
