"""No output of a command line replaces an input, no two outputs meet, and what is read has a bound."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import threading

import pytest

from conftest import ROOT, TRACES, run_strobewise
from strobewise.errors import UsageError
from strobewise.files.reading import read_named, read_toml
from strobewise.files.writing import claimed, own_folder
from strobewise_cli.main import build_parser
from strobewise_cli.named_files import INPUT_FOLDERS, INPUTS, OUTPUT_FOLDERS, OUTPUTS

GOOD = TRACES / "good" / "healthy-two.vcd"
SCENARIO = TRACES / "scenarios" / "healthy-eight.toml"
FILES = {"FILE", "FOLDER", "CAPTURE", "PROFILE", "SCENARIO", "GOOD", "SUSPECT", "FILE@ADDRESS"}


def commands():
    actions = build_parser()._subparsers._group_actions
    return next(action for action in actions if isinstance(action, argparse._SubParsersAction)).choices


@pytest.mark.parametrize("command", commands())
def test_every_option_that_names_a_file_is_known(command):
    known = {*INPUTS, *INPUT_FOLDERS, *OUTPUTS, *OUTPUT_FOLDERS}
    named = {action.dest for action in commands()[command]._actions if action.metavar in FILES}
    assert named <= known


@pytest.fixture
def bench(tmp_path):
    """Files to lose: a capture, a profile with its ROM image, a map, a scenario with all it names, expectations."""
    shutil.copy(GOOD, tmp_path / "x.vcd")
    (tmp_path / "boot.rom").write_bytes(bytes(256))
    (tmp_path / "p.toml").write_text(
        '[[memory]]\nkind = "rom"\nstart = 0\nend = 0x1FFF\nfile = "boot.rom"\n'
        '[[memory]]\nkind = "ram"\nstart = 0x8000\nend = 0xFFFF\n'
    )
    (tmp_path / "m.toml").write_text('[map]\nM1 = "m1"\n')
    (tmp_path / "s.toml").write_text('machine = "p.toml"\n[[contents]]\nat = 0\nfile = "boot.rom"\n')
    (tmp_path / "e.toml").write_text('version = 1\n[capture]\nmachine = "p.toml"\n')
    (tmp_path / "link").symlink_to("x.vcd")
    (tmp_path / "hard").hardlink_to(tmp_path / "x.vcd")
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "a.vcd").hardlink_to(tmp_path / "x.vcd")
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        "diagnose x.vcd --json x.vcd", "diagnose x.vcd --html link", "diagnose x.vcd --markdown hard", "diagnose x.vcd --json d/../x.vcd",
        "diagnose x.vcd --machine p.toml --json p.toml", "diagnose x.vcd --machine p.toml --json boot.rom",
        "lines x.vcd --map-file m.toml --json m.toml",
        "diagnose x.vcd --rom boot.rom@0 --html boot.rom", "cycles x.vcd -o link", "cycles link -o x.vcd", "listing x.vcd -o x.vcd",
        "prepare x.vcd -o hard",
        "compare x.vcd hard --json link", "hookup --after x.vcd --json x.vcd", "watch x.vcd --log x.vcd", "watch d/a.vcd --save d",
        "survey d --json d/a.vcd", "survey d --json hard", "survey d --machine p.toml --json boot.rom", "simulate s.toml -o s.toml",
        "simulate s.toml -o p.toml", "simulate s.toml -o out.vcd --truth boot.rom", "verify x.vcd --expect e.toml --junit e.toml",
        "verify x.vcd --expect e.toml --junit p.toml", "verify x.vcd --expect e.toml --junit boot.rom", "verify x.vcd --record link",
    ],
)  # fmt: skip
def test_no_input_is_replaced(arguments, bench):
    before = contents(bench)
    done = run_strobewise(*arguments.split(), cwd=bench)
    assert done.returncode == 2 and done.stdout == b""
    assert b"the output would replace the input" in done.stderr or b"lies in the folder that is written to" in done.stderr, done.stderr
    assert contents(bench) == before


@pytest.mark.parametrize(
    "arguments",
    ["diagnose d/a.vcd --json d/a.vcd.map.toml", "survey d --json d/a.vcd.map.toml", "case next c2 --closed c --json c/case.toml"],
)  # fmt: skip
def test_maps_beside_captures_and_the_sheets_of_cases_are_inputs_too(arguments, bench):
    (bench / "d" / "a.vcd.map.toml").write_text('M1 = "M1"\n')
    for name in ("c", "c2"):
        assert run_strobewise("case", "new", name, cwd=bench).returncode == 0
    before = contents(bench)
    done = run_strobewise(*arguments.split(), cwd=bench)
    assert done.returncode == 2 and b"the output would replace the input" in done.stderr, done.stderr
    assert contents(bench) == before


def test_the_lines_that_start_a_cluster_listen_to_this_machine_alone():
    page = (ROOT / "docs" / "watch-and-survey.md").read_text(encoding="utf-8")
    lines = [line for line in page.splitlines() if line.startswith(("dask scheduler", "dask worker"))]
    assert len(lines) == 2 and all("--host 127.0.0.1" in line and "--dashboard-address 127.0.0.1:" in line for line in lines)


def contents(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    "arguments",
    [
        "diagnose x.vcd --json out --html out", "diagnose x.vcd --json - --html -", "diagnose x.vcd --json out --markdown d/../out",
        "diagnose x.vcd --json - --markdown /dev/stdout", "simulate s.toml -o out --truth out", "simulate s.toml --truth -",
        "compare x.vcd hard --json d/new --html d/new", "survey d -o r --json r/captures.parquet",
    ],
)  # fmt: skip
def test_no_two_outputs_meet(arguments, bench):
    before = contents(bench)
    done = run_strobewise(*arguments.split(), cwd=bench)
    assert done.returncode == 2 and b" would write to the same place (" in done.stderr, done.stderr
    assert contents(bench) == before


def test_standard_streams_are_files_too(bench):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])}
    command = [sys.executable, "-m", "strobewise_cli", "diagnose"]
    capture = str(bench / "x.vcd")
    before = contents(bench)
    with open(bench / "x.vcd", "ab") as appended, open(bench / "x.vcd", "rb") as read:
        for arguments, streams in (([capture], {"stdout": appended}), (["-", "--json", capture], {"stdin": read})):
            done = subprocess.run([*command, *arguments], env=environment, stderr=subprocess.PIPE, check=False, **streams)
            assert done.returncode == 2 and b"the output would replace the input" in done.stderr, done.stderr
    assert contents(bench) == before


def test_what_is_harmless_stays_allowed(bench):
    assert run_strobewise("diagnose", "x.vcd", "--json", "/dev/null", "--html", "/dev/null", cwd=bench).returncode == 0
    for _ in range(2):  # the second time replaces what the first one wrote
        assert run_strobewise("diagnose", "x.vcd", "--json", "d/out.json", cwd=bench).returncode == 0
        assert run_strobewise("survey", "d", "--json", "d/out.json", "--processes", "1", cwd=bench).returncode == 0


@pytest.mark.parametrize("name", ["/dev/zero", "pipe", "large", "."])
@pytest.mark.parametrize(
    "arguments",
    [
        ("diagnose", "x.vcd", "--machine"), ("lines", "x.vcd", "--map-file"), ("verify", "x.vcd", "--expect"), ("simulate",),
        ("diagnose", "x.vcd", "--rom"),
    ],
    ids=lambda arguments: arguments[-1],
)  # fmt: skip
def test_a_named_file_has_a_bound(arguments, name, bench):
    os.mkfifo(bench / "pipe")
    with open(bench / "large", "wb") as file:
        file.truncate(1 << 40)
    name += "@0" if arguments[-1] == "--rom" else ""
    done = run_strobewise(*arguments, name, cwd=bench)
    assert done.returncode == 2 and done.stderr.startswith(b"strobewise: error: ") and done.stderr.count(b"\n") == 1, done.stderr


def test_an_image_that_a_profile_names_has_a_bound(bench):
    for name in ("/dev/zero", "pipe"):
        os.mkfifo(bench / "pipe") if name == "pipe" else None
        (bench / "p.toml").write_text((bench / "p.toml").read_text().replace("boot.rom", name))
        done = run_strobewise("diagnose", "x.vcd", "--machine", "p.toml", cwd=bench)
        assert done.returncode == 2 and b"this is no plain file" in done.stderr


def test_a_stream_on_purpose_is_read(bench):
    reading, writing = os.pipe()
    threading.Thread(target=lambda: (os.write(writing, (bench / "m.toml").read_bytes()), os.close(writing))).start()
    assert read_toml(f"/dev/fd/{reading}") == {"map": {"M1": "m1"}}
    os.close(reading)
    with pytest.raises(ValueError, match="it holds 16 bytes"):
        read_named(bench / "m.toml", 3)


def test_values_nested_without_end_are_an_error(bench):
    (bench / "m.toml").write_text("a = " + "[" * 100_000)
    with pytest.raises(ValueError, match="nested too deeply"):
        read_toml(bench / "m.toml")


def test_pipes_in_a_folder_are_no_captures(bench):
    os.mkfifo(bench / "d" / "pipe.vcd")
    (bench / "d" / "device.csv").symlink_to("/dev/zero")
    assert b"1 captures: " in run_strobewise("survey", "d", "--processes", "1", cwd=bench).stdout


def test_a_folder_belongs_to_one_run(bench):
    with claimed(str(bench / "d")), pytest.raises(UsageError, match="another run is writing there"), claimed(str(bench / "d")):
        pass
    with claimed(str(bench / "d")):
        pass


def test_a_folder_for_unfinished_files_goes_with_what_is_in_it(bench):
    with own_folder(str(bench)) as made:
        (bench / os.path.basename(made) / "part").write_text("x")
    assert not os.path.exists(made)
