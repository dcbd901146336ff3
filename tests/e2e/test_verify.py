"""strobewise verify from the outside: exit status, output, files."""

from __future__ import annotations

import os

import pytest
from lxml import etree

from conftest import ROOT, TRACES, run_strobewise

GOOD = TRACES / "good" / "healthy-full.vcd.gz"
BAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    path = tmp_path_factory.mktemp("verify") / "board.expect.toml"
    done = run_strobewise("verify", GOOD, "--record", path)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    return path


def test_as_expected(board):
    done = run_strobewise("verify", GOOD, "--expect", board)
    assert done.returncode == 0 and done.stderr == b""
    assert done.stdout.decode().startswith(f"{GOOD}: as expected (")


def test_not_as_expected(board, tmp_path):
    report = tmp_path / "report.xml"
    done = run_strobewise("verify", GOOD, BAD, "--expect", board, "--junit", report)
    assert done.returncode == 1 and done.stderr == b""
    text = done.stdout.decode()
    assert "lines.M1\n  - active\n  + stuck_low\n" in text and "verdict.state\n  - no_fault_found\n  + fault   (from " in text
    assert "\x1b" not in text
    root = etree.parse(report)
    etree.XMLSchema(etree.parse(ROOT / "tests" / "data" / "junit-10.xsd")).assertValid(root)
    assert len(root.xpath("//testsuite")) == 2 and int(root.getroot().get("failures")) == len(root.xpath("//failure")) > 3


def test_an_unreadable_capture_does_not_hide_the_others(board, tmp_path):
    report = tmp_path / "report.xml"
    done = run_strobewise("verify", tmp_path / "gone.vcd", GOOD, "--expect", board, "--junit", report)
    assert done.returncode == 2
    assert done.stderr.decode() == (
        f"strobewise: error: 1 of 2 captures could not be read, the first: no such file ({tmp_path / 'gone.vcd'}): check the name\n"
    )
    assert f"{GOOD}: as expected" in done.stdout.decode()
    assert len(etree.parse(report).xpath("//error")) == 1


def test_standard_input_and_output(board):
    import gzip

    done = run_strobewise("verify", "-", "--expect", board, "--junit", "-", stdin=gzip.decompress(GOOD.read_bytes()))
    assert done.returncode == 0 and etree.fromstring(done.stdout).get("failures") == "0"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["x.vcd"], "one of the arguments --expect --record is required (command line)"),
        (["x.vcd", "--expect", "gone.toml"], "cannot read it: No such file or directory (gone.toml)"),
        (["x.vcd", "--expect", "a.toml", "--exact"], "only a recording can be exact (--exact)"),
        (["x.vcd", "--record", "a.toml", "--junit", "b.xml"], "nothing is checked while recording (--junit)"),
        (["x.vcd", "--expect", "a.toml", "--record", "b.toml"], "not allowed with argument"),
    ],
)
def test_bad_usage(arguments, message, tmp_path):
    done = run_strobewise("verify", *arguments, cwd=tmp_path)
    assert done.returncode == 2 and done.stdout == b""
    assert done.stderr.decode().count("\n") == 1 and message in done.stderr.decode()
    assert os.listdir(tmp_path) == []


def test_a_recording_that_fails_leaves_the_old_file(tmp_path):
    (tmp_path / "board.toml").write_text("old")
    (tmp_path / "broken.vcd").write_text("no capture")
    done = run_strobewise("verify", "broken.vcd", "--record", "board.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "board.toml").read_text() == "old" and sorted(os.listdir(tmp_path)) == ["board.toml", "broken.vcd"]


def test_recorded_paths_start_at_the_file(tmp_path):
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "good.vcd.gz").write_bytes(GOOD.read_bytes())
    done = run_strobewise("verify", "captures/good.vcd.gz", "--record", "board.expect.toml", cwd=tmp_path)
    assert done.returncode == 0 and 'files = ["captures/good.vcd.gz"]' in (tmp_path / "board.expect.toml").read_text()


def test_a_faulty_capture_is_recorded_with_a_warning(tmp_path):
    done = run_strobewise("verify", BAD, "--record", tmp_path / "bad.toml")
    assert done.returncode == 0 and b"strobewise: warning: this is not a good capture" in done.stderr
    assert run_strobewise("verify", BAD, "--expect", tmp_path / "bad.toml").returncode == 0
    assert run_strobewise("verify", GOOD, "--expect", tmp_path / "bad.toml").returncode == 1
