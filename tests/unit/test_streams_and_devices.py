"""What is no plain file: streams that the shell hands over, pipes, devices, and files that cannot be read to their end."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from conftest import TRACES, run_strobewise
from strobewise.case.bundle import bundle
from strobewise.case.state import judge_case
from strobewise.case.store import add_capture, new_case, open_case
from strobewise.errors import UsageError
from strobewise.files.reading import is_stream
from writers import ENVIRONMENT, WRITERS

GOOD = TRACES / "good" / "healthy-two.vcd"
FULL = TRACES / "good" / "healthy-full.vcd.gz"
UNREADABLE = "/proc/self/mem"  #: a plain file by its type, which gives an error at its first byte (proc(5) of Linux)
#: Writers whose files may be streams: not a folder that is filled, nor a map, which lies beside a capture.
TO_STREAMS = [each for each in WRITERS if all(name in map(str, each.arguments) for name in each.files)]

linux = pytest.mark.skipif(not os.path.exists(UNREADABLE), reason="needs the files of /proc and /dev/fd, of Linux")


def test_nearly_every_writer_writes_to_streams():
    assert {each.name for each in WRITERS} - {each.name for each in TO_STREAMS} == {"watch --save", "survey -o", "hookup --write-map"}


@linux
@pytest.mark.parametrize("writer", TO_STREAMS, ids=lambda writer: writer.name)
def test_a_stream_that_the_shell_opened_gets_what_a_file_gets(writer, tmp_path):
    """As ``-o /dev/fd/3 3> FILE``, and ``-o >(command)``: what is behind the descriptor is no file to be looked at or replaced."""
    opened = {name: open(tmp_path / f"stream-{name}", "wb") for name in writer.files}  # for as long as the command runs
    named = {name: f"/dev/fd/{file.fileno()}" for name, file in opened.items()}
    command = [named.get(word, word) for word in writer.command]
    there = set(os.listdir(tmp_path))
    done = subprocess.run(
        command, cwd=tmp_path, env=ENVIRONMENT, capture_output=True, check=False, timeout=120,
        pass_fds=[file.fileno() for file in opened.values()],
    )  # fmt: skip
    for file in opened.values():
        file.close()
    assert done.returncode in (0, 1) and set(os.listdir(tmp_path)) == there, done.stderr
    subprocess.run(writer.command, cwd=tmp_path, env=ENVIRONMENT, capture_output=True, check=False, timeout=120)
    for name in writer.files:
        of_file = [line for line in (tmp_path / name).read_bytes().splitlines() if name.encode() not in line and b"out." not in line]
        of_stream = [line for line in (tmp_path / f"stream-{name}").read_bytes().splitlines() if b"out." not in line]
        assert of_stream == of_file, name


@pytest.mark.parametrize("name", ["-", "/dev/stdout", "/dev/null", ".", "gone/"])
def test_no_map_lies_beside_what_is_no_file(name, tmp_path):
    done = run_strobewise("hookup", "--channels", "4", "--write-map", name, cwd=tmp_path)
    assert done.returncode == 2 and b"no map can lie beside that (--write-map" in done.stderr
    assert list(tmp_path.iterdir()) == [] and not os.path.exists(f"{name}.map.toml")


@linux
def test_a_capture_from_a_stream_gets_no_map_either(tmp_path):
    names = (b"/M1", b"CH0"), (b"/MREQ", b"CH1")
    text = GOOD.read_bytes()
    for name, blind in names:
        text = text.replace(b" " + name + b" ", b" " + blind + b" ")
    with open(tmp_path / "x.vcd", "wb") as made:
        made.write(text)
    with open(tmp_path / "x.vcd", "rb") as read:
        done = subprocess.run(
            [sys.executable, "-m", "strobewise_cli", "diagnose", "/dev/stdin", "--write-map"], stdin=read, env=ENVIRONMENT,
            capture_output=True, check=False, timeout=60,
        )  # fmt: skip
    assert b"no map was written" in done.stderr and not os.path.exists("/dev/stdin.map.toml"), done.stderr


def test_what_a_stream_is(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    os.mkfifo(tmp_path / "pipe")
    assert all(map(is_stream, ["-", "/dev/stdout", "/dev/fd/3", "/dev/null", tmp_path / "pipe"]))
    assert not any(map(is_stream, [tmp_path / "file", tmp_path, tmp_path / "gone", "a\0b"]))


READS = [
    "diagnose MEM", "diagnose GOOD --map-file MEM", "diagnose GOOD --machine MEM", "diagnose GOOD --rom MEM@0", "diagnose GOOD --like MEM",
    "compare GOOD MEM", "verify GOOD --expect MEM", "watch MEM", "simulate MEM", "prepare MEM -o x.vcd", "hookup --after MEM",
    "hookup --rom MEM@0", "case new n --machine MEM", "case add c MEM", "case add c GOOD --map-file MEM", "prove --before MEM --after GOOD",
    "stimulus -o x.rom --machine MEM", "learn MEM -o x.toml", "learn FULL -o MEM", "learn FULL -o x.toml --rom-out MEM",
    "bench n --machine MEM", "survey d --rom MEM@0",
]  # fmt: skip


@linux
@pytest.mark.parametrize("words", READS)
def test_an_error_of_reading_names_the_file(words, tmp_path):
    new_case(tmp_path / "c")
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "x.vcd").write_bytes(GOOD.read_bytes())
    known = {"GOOD": str(GOOD), "FULL": str(FULL), "MEM": UNREADABLE, "MEM@0": f"{UNREADABLE}@0"}
    done = run_strobewise(*(known.get(word, word) for word in words.split()), cwd=tmp_path)
    text = done.stderr.decode()
    assert done.returncode == 2 and text.count("\n") == 1 and UNREADABLE in text and "standard output" not in text, text


@pytest.fixture
def case(tmp_path):
    return add_capture(new_case(tmp_path / "case"), GOOD)


def test_a_sheet_that_names_a_pipe_keeps_nobody_waiting(case):
    path = case.path(case.items[0])
    path.unlink()
    os.mkfifo(path)
    for use in (judge_case, bundle):
        with pytest.raises(UsageError, match="no plain file"):
            use(open_case(case.folder))


@pytest.mark.parametrize("name", ["captures/1-healthy-two.vcd", "captures/1-healthy-two.vcd.map.toml", "machine/profile.toml"])
def test_a_bundle_holds_nothing_that_a_link_brings_in(name, case, tmp_path):
    own = case.folder / name
    secret = tmp_path / "secret"
    secret.write_bytes(GOOD.read_bytes() if name.endswith(".vcd") else b"# a secret\n")
    own.unlink(missing_ok=True)
    own.parent.mkdir(exist_ok=True)
    own.symlink_to(secret)
    with pytest.raises(UsageError, match="a link leads out of the case"):
        bundle(open_case(case.folder))


def test_images_of_one_name_are_all_kept(tmp_path):
    """Two images of one name, and a third one that has the very name which the second is given."""
    contents = {"a/x.rom": b"1", "b/x.rom": b"2", "2-x.rom": b"3", "c/PROFILE.toml": b"4"}
    text = 'name = "mine"\n'
    for at, (name, byte) in enumerate(contents.items()):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(byte * 256)
        text += f'[[memory]]\nkind = "rom"\nstart = {at * 256}\nend = {at * 256 + 255}\nfile = "{name}"\n'
    (tmp_path / "m.toml").write_text(text)
    profile = new_case(tmp_path / "case", tmp_path / "m.toml").profile
    assert [region.contents[:1] for region in profile.memory] == [*contents.values()]


