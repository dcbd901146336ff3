"""What every command says on a console whose encoding lacks characters: the same, with stand-ins, and never a failure."""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys

import pytest

from conftest import TRACES
from strobewise_cli.main import main
from strobewise_cli.terminal import READABLE, STAND_INS
from writers import ENVIRONMENT

FULL = str(TRACES / "good" / "healthy-full.vcd.gz")
DEAD = str(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz")
DUNLIN = str(TRACES / "machines" / "dunlin.toml")
ENCODINGS = ("cp437", "cp1252", "ascii")
TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9:]{5,8}|[0-9.]+ s \([0-9]+ MB/s\)")
NAME = "größe → 5 Ω ł"

#: What is said, in the order in which it is asked: some build on those before.
COMMANDS = (
    ("diagnose", DEAD), ("diagnose", DEAD, "--brief"), ("lines", FULL), ("listing", FULL), ("compare", FULL, DEAD), ("demo",),
    ("explain",), ("explain", "wait-held"), ("hookup", "--channels", "8", "--symptom", "dies-warm"), ("plugins",), ("--help",),
    ("case", "new", "box", "--machine", DUNLIN, "--symptom", "dead"), ("case", "add", "box", DEAD, "--note", NAME), ("case", "next", "box"),
    ("case", "answer", "box", "note", NAME), ("case", "answer", "box", "replaced", "cpu"), ("case", "add", "box", FULL),
    ("case", "show", "box"), ("prove", "--before", DEAD, "--after", FULL), ("watch", DEAD), ("learn", FULL, "-o", NAME),
    ("verify", FULL, "--record", NAME + ".toml"), ("verify", DEAD, "--expect", NAME + ".toml"),
    ("simulate", DUNLIN, "--duration", "1ms", "-o", NAME + ".vcd"),
    ("lines", NAME + ".vcd"), ("prepare", NAME + ".vcd", "-o", NAME + ".sr"),
    ("diagnose", "no " + NAME), ("diagnose", FULL, "--map", f"M1={NAME}"), (NAME,), ("explain", NAME),
    ("hookup", "--symptom", NAME), ("case", "next", NAME),
    ("diagnose", DEAD, "--machine", NAME + ".toml"),
)  # fmt: skip


def said(commands, encoding, monkeypatch):
    """Run commands; return what each says, on both streams and with its status."""
    told = []
    for arguments in commands:
        streams = [io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict") for _ in range(2)]
        monkeypatch.setattr(sys, "stdout", streams[0])
        monkeypatch.setattr(sys, "stderr", streams[1])
        try:
            status = main(list(arguments))
        except SystemExit as ended:
            status = ended.code
        texts = []
        for stream in streams:
            stream.flush()
            texts.append(TIME.sub("now", stream.buffer.getvalue().decode(encoding)))
        told.append((arguments, status, *texts))
    return told


def as_shown(text, encoding):
    """Return a text as a console of this encoding can show it."""
    shown = []
    for char in text:
        try:
            char.encode(encoding)
            shown.append(char)
        except UnicodeEncodeError:
            shown.append(STAND_INS.get(char) or char.encode("ascii", "backslashreplace").decode())
    return "".join(shown)


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    return tmp_path_factory.mktemp("utf"), tmp_path_factory.mktemp("other")


@pytest.fixture(scope="module")
def due(places):
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.chdir(places[0])
        return said(COMMANDS, "utf-8", monkeypatch)


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_every_command_says_the_same_with_stand_ins(encoding, due, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    assert sorted({status for _, status, *_ in due}) == [0, 1, 2]
    for (arguments, status, *texts), (_, *got) in zip(due, said(COMMANDS, encoding, monkeypatch), strict=True):
        assert got == [status, *(as_shown(text, encoding) for text in texts)], arguments


@pytest.mark.parametrize(
    ("encoding", "due"),
    [("utf-8", "5 µs ▁▄█ /‾\\_ →"), ("cp437", "5 µs 1▄█ /-\\_ \\u2192"), ("ascii", "5 us 148 /-\\_ \\u2192")],
)
def test_characters_of_ours_have_readable_stand_ins(encoding, due):
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors=READABLE)
    stream.write("5 µs ▁▄█ /‾\\_ →")
    stream.flush()
    assert stream.buffer.getvalue().decode(encoding) == due


def on_a_terminal(arguments, **environment):
    """Run a command with a terminal for all its streams; return what it shows there."""
    pty = pytest.importorskip("pty", reason="needs a terminal of a POSIX system")
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "strobewise_cli", *arguments], stdin=theirs, stdout=theirs, stderr=theirs, env={**ENVIRONMENT, **environment}
    ) as process:  # fmt: skip
        os.close(theirs)
        shown = b""
        with contextlib.suppress(OSError):  # how the end is told
            while piece := os.read(ours, 1 << 16):
                shown += piece
    os.close(ours)
    assert process.returncode == 1, shown
    return shown


COLOURED = re.compile(rb"\x1b\[(?:[0-9;]*;)?(?:3[0-7]|9[0-7])m")


@pytest.mark.parametrize("arguments", [("diagnose", DEAD), ("watch", DEAD), ("compare", FULL, DEAD)], ids=lambda arguments: arguments[0])
def test_a_terminal_that_knows_no_codes_gets_none(arguments):
    assert b"\x1b" not in on_a_terminal(arguments, TERM="dumb")


def test_colours_are_left_out_where_nobody_wants_any():
    assert COLOURED.search(on_a_terminal(("diagnose", DEAD), TERM="xterm", NO_COLOR=""))
    assert not COLOURED.search(on_a_terminal(("diagnose", DEAD), TERM="xterm", NO_COLOR="1"))
