"""The commands on a system that lacks what only some systems have; checks of types for three systems."""

from __future__ import annotations

import errno
import importlib.util
import io
import json
import ntpath
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
import taken_away

import stand_in_host
from bench_server import serving
from conftest import ROOT, TRACES, require_component, run_strobewise
from strobewise.files import names
from strobewise.machine import LINE_SETS, fault, simulate
from strobewise_cli import main as commands
from strobewise_cli.host_cost import write_decoders
from strobewise_cli.install import available
from wave_files import from_vcd, needs_library, wave_library
from writers import WRITERS

__all__ = ["wave_library"]

FULL = str(TRACES / "good" / "healthy-full.vcd.gz")
EIGHT = str(TRACES / "good" / "healthy-eight.vcd.gz")
DEAD = str(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz")
DUNLIN = str(TRACES / "machines" / "dunlin.toml")

#: Commands and what each ends with; OUT stands for a folder. Those that write files: test_files_held.py.
COMMANDS = (
    (("diagnose", FULL), 0), (("cycles", EIGHT, "--processes", "2", "-o", "OUT/cycles.csv"), 0), (("lines", FULL), 0),
    (("compare", FULL, DEAD), 1), (("survey", str(TRACES / "good"), "--processes", "2"), 0), (("hookup", "--channels", "8"), 0),
    (("explain", "wait-held"), 0), (("demo", "copy", "OUT/traces"), 0), (("plugins", "--path"), 0), (("--version",), 0),
)  # fmt: skip


TAKEN_AWAY = str(Path(__file__).with_name("taken_away.py"))


def without(arguments, stdin=None, environment=None, cwd=None):
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    return subprocess.run(
        [sys.executable, TAKEN_AWAY, *map(str, arguments)], input=stdin, capture_output=True, check=False,
        timeout=300, cwd=cwd,
        env={**os.environ, "PYTHONPATH": search, "PYTHONWARNDEFAULTENCODING": "1", "COLUMNS": "80", **(environment or {})},
    )  # fmt: skip


@pytest.mark.parametrize(("arguments", "status"), COMMANDS, ids=[" ".join(arguments[:1] + arguments[2:3]) for arguments, _ in COMMANDS])
def test_it_works_without_what_only_some_systems_have(arguments, status, tmp_path):
    done = without([each.replace("OUT", str(tmp_path)) for each in arguments])
    assert done.returncode == status, done.stderr.decode()
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("arguments", [("diagnose", DEAD), ("cycles", EIGHT), ("lines", FULL)])
def test_it_says_the_same_there(arguments):
    assert without(arguments).stdout.replace(b"\r\n", b"\n") == run_strobewise(*arguments).stdout


def test_a_stream_is_watched_there():
    done = without(["watch", "-"], (TRACES / "faults" / "reset-loop" / "reset-loop.vcd.gz").read_bytes())
    assert done.returncode == 1 and b"Traceback" not in done.stderr, done.stderr.decode()


def test_every_format_is_read_and_written_there(tmp_path):
    raw = ("--raw", "24M:CLK=0,M1=1,MREQ=2,IORQ=3,RD=4,WR=5,RFSH=6,RESET=7")
    due = run_strobewise("lines", EIGHT, "--json", "-").stdout.count(b'"state": "active"')
    assert due > 4
    for kind in ("vcd", "sr", "csv", "raw"):
        made = tmp_path / f"made.{kind}"
        assert without(["prepare", EIGHT, "-o", str(made)]).returncode == 0, kind
        for name, stdin in ((str(made), None), ("-", made.read_bytes())):
            done = without(["lines", name, "--json", "-", *(raw if kind == "raw" else ())], stdin)
            assert (done.returncode, done.stderr, done.stdout.count(b'"state": "active"')) == (0, b"", due), (kind, name)
    done = without(["watch", "-", *raw], (tmp_path / "made.raw").read_bytes())
    assert (done.returncode, b"Traceback" in done.stderr) == (0, False), done.stderr.decode()


@needs_library
def test_a_waveform_file_is_read_there(tmp_path):
    assert run_strobewise("prepare", EIGHT, "-o", tmp_path / "made.vcd").returncode == 0
    from_vcd((tmp_path / "made.vcd").read_text(encoding="utf-8"), tmp_path / "made.fst")
    done = without(["cycles", str(tmp_path / "made.fst"), "-o", str(tmp_path / "cycles.csv")])
    assert (done.returncode, done.stderr) == (0, b"") and (tmp_path / "cycles.csv").stat().st_size


CASE = (
    (("case", "new", "OUT/box", "--machine", DUNLIN, "--symptom", "dead"), 0), (("case", "add", "OUT/box", DEAD), 1),
    (("case", "next", "OUT/box"), 0), (("case", "answer", "OUT/box", "replaced", "cpu"), 0), (("case", "add", "OUT/box", FULL), 0),
    (("case", "show", "OUT/box"), 0), (("case", "report", "OUT/box", "--html", "OUT/sheet.html", "--bundle", "OUT/box.zip"), 0),
    (("case", "close", "OUT/box", "--was", "cpu", "--part", "U1"), 0), (("prove", "--before", DEAD, "--after", FULL), 0),
)  # fmt: skip


def test_a_case_is_kept_there(tmp_path):
    for arguments, status in CASE:
        done = without([each.replace("OUT", str(tmp_path)) for each in arguments])
        assert (done.returncode, b"Traceback" in done.stderr) == (status, False), (arguments, done.stderr.decode())
    assert (tmp_path / "box.zip").stat().st_size and (tmp_path / "sheet.html").stat().st_size


def test_a_case_is_served_as_a_page_there(tmp_path):
    require_component("starlette and uvicorn", importlib.util.find_spec("uvicorn"), 'pip install "strobewise[bench]"')
    with serving(tmp_path / "mine", begin=(TAKEN_AWAY,)) as bench:
        assert bench.change("/case", {"symptom": "dead", "leads": "8"})[0] == 200
        assert bench.ask("PUT", "/captures?name=m1.vcd.gz", Path(DEAD).read_bytes())[0] == 200
        page = bench.ask("GET", "/")[2]
        assert "/M1 (pin 27) is dead" in page and "the CPU" in page
        assert bench.ask("GET", "/sheet")[0] == 200
    assert len(list((tmp_path / "mine" / "captures").glob("*.vcd.gz"))) == 1


def test_a_capture_is_taken_there(tmp_path):
    out = io.StringIO()
    simulate(lines="eight", duration_s=0.002, faults=[fault("dead-high", line="M1")]).write_vcd(out)
    environment = stand_in_host.furnish(tmp_path, [out.getvalue()])
    maps = [option for number, line in enumerate(LINE_SETS["eight"]) for option in ("--map", f"{line}=D{number}")]
    done = without(["capture", "-o", str(tmp_path / "taken.vcd"), *maps, "--json", str(tmp_path / "taken.json")], environment=environment)
    assert (done.returncode, done.stderr) == (0, b"") and b"/M1 (pin 27) is dead" in done.stdout
    assert (tmp_path / "taken.vcd").read_text() == out.getvalue() and (tmp_path / "taken.vcd.map.toml").stat().st_size
    assert json.loads((tmp_path / "taken.json").read_text())["verdict"]["state"] == "fault"


def test_a_stream_is_prepared_there(tmp_path):
    done = without(["prepare", "-", "-o", tmp_path / "made.csv"], Path(EIGHT).read_bytes())
    assert (done.returncode, done.stderr) == (0, b"") and (tmp_path / "made.csv").stat().st_size


def test_plug_ins_are_installed_there_as_copies(tmp_path):
    home = {"LOCALAPPDATA": str(tmp_path / "local"), "XDG_DATA_HOME": ""}
    done = without(["plugins", "install"], environment=home)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"plugins install --copy" in done.stderr, done.stderr
    assert without(["plugins", "install", "--copy"], environment=home).returncode == 0
    decoders = tmp_path / "local" / "libsigrokdecode" / "decoders"
    assert (decoders / "strobewise_cycles" / "strobewise" / "bus" / "lines.py").is_file()
    assert without(["plugins", "uninstall"], environment=home).returncode == 0 and not decoders.exists()


def test_what_plug_ins_cost_is_measured_of_copies_there(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "symlink", taken_away.no_link)
    write_decoders(tmp_path / "decoders", available(), {})
    made = sorted((tmp_path / "decoders").iterdir())
    assert len(made) == 4 and all((each / "strobewise" / "bus" / "lines.py").is_file() and not each.is_symlink() for each in made)


def test_a_console_without_utf_8_is_served():
    done = without(["diagnose", DEAD], environment={"PYTHONIOENCODING": "ascii", "TERM": "dumb"})
    assert done.returncode == 1 and done.stdout.isascii() and not done.stderr, done.stderr


@pytest.mark.parametrize("option", ["--html", "--markdown", "--json"])
def test_a_document_on_standard_output_is_that_of_a_file(option, tmp_path):
    done = without(["diagnose", DEAD, option, "-"], environment={"PYTHONIOENCODING": "cp437"})
    assert without(["diagnose", DEAD, option, tmp_path / "file"]).returncode == done.returncode == 1
    assert done.stdout == (tmp_path / "file").read_bytes()


class Gone(io.StringIO):
    """Standard output whose reader has gone, on a system that calls that an invalid argument."""

    def flush(self):
        raise OSError(errno.EINVAL, "Invalid argument")

    def fileno(self):
        return os.open(os.devnull, os.O_WRONLY)


@pytest.mark.parametrize(
    ("system", "status", "said"), [("win32", 141, ""), ("linux", 2, "strobewise: error: invalid argument (standard output)")]
)
def test_a_reader_that_has_gone_is_no_error(system, status, said, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdout", Gone())
    monkeypatch.setattr(sys, "platform", system)
    assert commands.main(["explain"]) == status
    assert capsys.readouterr().err.startswith(said) and bool(said) == (status == 2)


def test_no_command_is_forgotten():
    """The others have a test of their own here: a stream that is watched, a page that is served, a capture that is taken."""
    tried = {arguments[0] for arguments, _ in (*COMMANDS, *CASE)} | {str(writer.arguments[0]) for writer in WRITERS}
    assert tried | {"watch", "bench", "capture"} == {*commands.COMMANDS, "--version"}


def test_they_are_really_away():
    code = "import os, taken_away; taken_away.take_away(); assert not hasattr(os, 'fork'); import fcntl"
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1 and "No module named 'fcntl'" in done.stderr


SYSTEMS = ("linux", "win32", "darwin")  #: as sys.platform calls them


@pytest.mark.parametrize("system", SYSTEMS)
def test_types_hold_on_every_system(system):
    done = mypy_on(system)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(("system", "status"), [("linux", 0), ("win32", 1), ("darwin", 1)])
def test_the_types_of_a_system_know_what_it_lacks(system, status, tmp_path):
    (tmp_path / "asks.py").write_text("import os\nos.sched_getaffinity(0)\n")
    done = mypy_on(system, str(tmp_path / "asks.py"))
    assert (done.returncode, "has no attribute" in done.stdout) == (status, status == 1), done.stdout


def mypy_on(system, *arguments):
    require_component("mypy", importlib.util.find_spec("mypy"), "pip install -e '.[dev]'")
    cache = ROOT / ".mypy_cache" / system  # what has not changed since is not looked at again
    command = [sys.executable, "-m", "mypy", "--platform", system, "--cache-dir", str(cache), *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=390)


@pytest.mark.parametrize("text", [r"C:\roms\monitor.rom@0x0000", r"\\bench\share\m.rom@0"])
def test_names_with_drives_and_backslashes_are_taken_apart_at_their_end(text):
    from strobewise.errors import StrobewiseError
    from strobewise_cli.commands.options import rom_image

    with pytest.raises((FileNotFoundError, StrobewiseError)) as caught:
        rom_image(text)
    assert str(getattr(caught.value, "filename", caught.value)) == text.rpartition("@")[0]


@pytest.mark.parametrize(
    ("name", "seen"),
    [
        (r"C:\bench\captures\boot.vcd", "captures/boot.vcd"), (r"C:\boot.vcd", "../boot.vcd"),
        (r"D:\boot.vcd", r"D:\boot.vcd"), (r"\\bench\share\boot.vcd", r"\\bench\share\boot.vcd"),
    ],
)  # fmt: skip
def test_a_file_names_others_with_slashes_and_another_drive_whole(name, seen, monkeypatch):
    monkeypatch.setattr(names, "os", SimpleNamespace(path=ntpath, sep="\\", getcwd=lambda: "C:\\"))
    assert names.seen_from(r"C:\bench\board.expect.toml", name) == seen
