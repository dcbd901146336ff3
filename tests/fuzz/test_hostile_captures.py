"""A hostile capture costs bounded memory and time, gets one clear line, and puts nothing of its own into a terminal or a file."""

from __future__ import annotations

import os
import re
import resource
import subprocess
import sys
import tomllib

import pytest
from hostile import ESCAPES, MARKUP, SMALL, write_gzip_bomb, write_gzip_bomb_of_comments, write_million_channels, write_session_bomb
from lxml import etree

from conftest import ROOT, TRACES

MEMORY = 1 << 30  #: address space that a command may use: a healthy capture of any length takes about half of it
SECONDS = 60  #: for the slowest machine; here each takes about one
CONTROL = re.compile(rb"[\x00-\x08\x0b-\x1f\x7f\x80-\x9f]")


def limited():
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))


def run(*arguments, cwd=None):
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    return subprocess.run(
        [sys.executable, "-m", "strobewise_cli", *map(str, arguments)],
        capture_output=True, check=False, timeout=SECONDS, preexec_fn=limited, cwd=cwd,
        env={**os.environ, "PYTHONPATH": search, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip


def good_manners(done):
    """Check what every command owes its user, whatever it was given."""
    assert done.returncode in (0, 1, 2, 3), done.stderr[-2000:]
    assert b"Traceback" not in done.stderr, done.stderr[-2000:]
    assert not CONTROL.search(done.stdout.replace("\u00b5".encode(), b"")), CONTROL.search(done.stdout)
    assert not CONTROL.search(done.stderr.replace("\u00b5".encode(), b""))
    if done.returncode == 2:
        errors = [line for line in done.stderr.decode().splitlines() if line.startswith("strobewise: error: ")]
        assert len(errors) == 1 and len(errors[0]) < 2000
    return done


@pytest.fixture(params=sorted(SMALL))
def capture(request, tmp_path):
    ending = ".csv" if request.param.startswith("csv") else ".vcd.gz" if "gzip" in request.param else ".vcd"
    path = tmp_path / f"hostile{ending}"
    path.write_bytes(SMALL[request.param])
    return path


def test_diagnose(capture):
    good_manners(run("diagnose", capture))


@pytest.mark.parametrize("name", ["escapes-in-names", "not-utf-8", "greatest-time"])
@pytest.mark.parametrize("command", [("cycles",), ("lines",), ("lines", "--json", "-"), ("watch",)], ids=" ".join)
def test_other_commands(name, command, tmp_path):
    path = tmp_path / "hostile.vcd"
    path.write_bytes(SMALL[name])
    good_manners(run(command[0], path, *command[1:]))


@pytest.mark.parametrize(
    "write", [write_million_channels, lambda path: write_gzip_bomb(path, 512), lambda path: write_gzip_bomb_of_comments(path, 512)],
    ids=["a-million-channels", "gzip-bomb", "gzip-bomb-of-comments"],
)  # fmt: skip
def test_large_ones(write, tmp_path):
    path = tmp_path / ("hostile.vcd.gz" if "bomb" in str(write) or "lambda" in str(write) else "hostile.vcd")
    write(path)
    assert good_manners(run("diagnose", path)).returncode == 2


def test_a_session_that_unpacks_to_half_a_gigabyte(tmp_path):
    path = tmp_path / "hostile.sr"
    write_session_bomb(path, 512)
    assert path.stat().st_size < 1 << 20
    for arguments in (("diagnose", path), ("lines", path)):
        good_manners(run(*arguments))


@pytest.mark.parametrize("name", ["escapes-in-names", "markup-in-names", "toml-in-names"])
def test_nothing_gets_into_junit_or_toml(name, tmp_path):
    os.mkdir(tmp_path / "made")
    capture = tmp_path / os.fsdecode(b"\x1b[31m<b>\"]" + name.encode() + b".vcd")
    capture.write_bytes(SMALL[name])
    record, report = tmp_path / "made" / "hostile.expect.toml", tmp_path / "made" / "report.xml"
    good_manners(run("verify", capture, "--record", record))
    made = tomllib.loads(record.read_text())
    assert made["capture"]["files"] == [os.path.relpath(capture, tmp_path / "made")]
    good_manners(run("verify", capture, TRACES / "good" / "healthy-two.vcd", "--expect", record, "--junit", report))
    root = etree.parse(report).getroot()
    assert {element.tag for element in root.iter()} <= {"testsuites", "testsuite", "properties", "property", "testcase", "failure", "error"}
    assert not CONTROL.search(report.read_bytes().replace(b"\t", b"").replace("\u00b5".encode(), b""))


@pytest.mark.parametrize("name", ["escapes-in-names", "markup-in-names"])
def test_nothing_gets_into_a_page(name, tmp_path):
    path = tmp_path / "hostile.vcd"
    path.write_bytes(SMALL[name])
    good_manners(run("diagnose", path, "--html", tmp_path / "page.html"))
    if (tmp_path / "page.html").exists():
        page = (tmp_path / "page.html").read_bytes()
        assert b"<script>alert(1)" not in page and b"<img/src=x" not in page and ESCAPES[:4] not in page
        assert MARKUP[:8] in SMALL["markup-in-names"]  # what would have been seen


def test_a_folder_full_of_them_is_surveyed(tmp_path):
    for name, content in SMALL.items():
        if len(content) < 1 << 16:
            (tmp_path / f"{name}.vcd").write_bytes(content)
    done = good_manners(run("survey", tmp_path, "--processes", "1"))
    assert done.returncode in (1, 3)
    assert b"please report it" not in done.stdout
