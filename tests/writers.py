"""Every command that writes files, for the tests of what becomes of them: a full disk, a kill, a second run at the same time."""

from __future__ import annotations

import atexit
import functools
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from conftest import ROOT, TRACES

GOOD = TRACES / "good" / "healthy-two.vcd"
FAULTY = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
SCENARIO = TRACES / "scenarios" / "healthy-eight.toml"
EXPECTED = ROOT / "tests" / "example_repository" / "captures" / "board.expect.toml"
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]), "COLUMNS": "80"}


OLD = b"what was there before\n"


class Writer(NamedTuple):
    """A command, run in a folder of its own, and the files that it makes there."""

    name: str
    arguments: tuple[object, ...]
    files: tuple[str, ...]
    folders: tuple[str, ...] = ()  #: what an error may name instead
    old: bytes = OLD  #: what its files hold before
    old_of: Mapping[str, bytes] = MappingProxyType({})  #: the same of those that may not hold just anything

    def before(self, name: str) -> bytes:
        """Return what a file holds before."""
        return self.old_of.get(name, self.old)


    @property
    def command(self) -> list[str]:
        return [sys.executable, "-m", "strobewise_cli", *map(str, self.arguments)]


class MadeCase:
    """The folder of a case with a capture, made once it is asked for."""

    @functools.cache  # noqa: B019  # there is one
    def __str__(self) -> str:
        from strobewise.case.store import add_capture, new_case

        folder = Path(tempfile.mkdtemp(prefix="strobewise-writers-")) / "case"
        atexit.register(shutil.rmtree, folder.parent, ignore_errors=True)
        add_capture(new_case(folder, symptom="dead"), FAULTY)
        return str(folder)


CASE = MadeCase()
RESULTS = tuple(f"results/{name}.parquet" for name in ("captures", "findings", "lines"))

WRITERS = (
    Writer("diagnose --json", ("diagnose", FAULTY, "--json", "out.json"), ("out.json",)),
    Writer("diagnose --html", ("diagnose", FAULTY, "--html", "out.html"), ("out.html",)),
    Writer("diagnose --markdown", ("diagnose", FAULTY, "--markdown", "out.md"), ("out.md",)),
    Writer("cycles", ("cycles", GOOD, "-o", "out.csv"), ("out.csv",)),
    Writer("listing", ("listing", TRACES / "good" / "healthy-full.vcd.gz", "--format", "csv", "-o", "out.csv"), ("out.csv",)),
    Writer("lines", ("lines", GOOD, "--json", "out.json"), ("out.json",)),
    Writer("compare", ("compare", GOOD, GOOD, "--json", "out.json", "--html", "out.html"), ("out.json", "out.html")),
    Writer("verify --record", ("verify", GOOD, "--record", "out.toml"), ("out.toml",)),
    Writer("verify --junit", ("verify", GOOD, "--expect", EXPECTED, "--junit", "out.xml"), ("out.xml",)),
    Writer("watch --save", ("watch", FAULTY, "--save", "faults"), ("faults/fault-0001-fetch-strobe-missing.vcd",)),
    Writer("survey --json", ("survey", TRACES / "good", "--processes", "1", "--json", "out.json"), ("out.json",)),
    Writer("survey --html", ("survey", TRACES / "good", "--processes", "1", "--html", "out.html"), ("out.html",)),
    Writer("survey -o", ("survey", TRACES / "good", "--processes", "1", "-o", "results"), RESULTS, ("journal.jsonl", "survey.duckdb")),
    Writer("simulate", ("simulate", SCENARIO, "-o", "out.vcd", "--truth", "out.json"), ("out.vcd", "out.json")),
    Writer("prepare", ("prepare", GOOD, "-o", "out.vcd"), ("out.vcd",)),
    Writer("prove", ("prove", "--before", FAULTY, "--after", TRACES / "good" / "healthy-full.vcd.gz", "--json", "out.json"), ("out.json",)),
    Writer("hookup", ("hookup", "--channels", "8", "--json", "out.json"), ("out.json",)),
    Writer("hookup --write-map", ("hookup", "--channels", "8", "--write-map", "out.vcd"), ("out.vcd.map.toml",)),
    Writer("case next", ("case", "next", CASE, "--json", "out.json"), ("out.json",)),
    Writer("case show", ("case", "show", CASE, "--json", "out.json"), ("out.json",)),
    Writer("case report", ("case", "report", CASE, "--html", "out.html", "--markdown", "out.md"), ("out.html", "out.md")),
    Writer("case report --bundle", ("case", "report", CASE, "--bundle", "out.zip"), ("out.zip",)),
    Writer(
        "learn", ("learn", TRACES / "good" / "healthy-full.vcd.gz", "-o", "out.toml", "--rom-out", "out.rom"), ("out.toml", "out.rom"),
        old=b'name = "mine"\n', old_of={"out.rom": b"\xff" * 16},
    ),
    Writer("stimulus", ("stimulus", "-o", "out.rom"), ("out.rom",)),
)


#: Runs a command in a process namespace of its own, so that what it started dies with it, whatever becomes of its process group.
NAMESPACES = (("unshare", "--pid", "--fork", "--kill-child"), ("unshare", "--user", "--map-root-user", "--pid", "--fork", "--kill-child"))


@functools.cache
def namespace() -> tuple[str, ...]:
    """Return what runs a command in a process namespace of its own, nothing where that is not allowed."""
    for each in NAMESPACES if shutil.which("unshare") else ():
        if subprocess.run([*each, "true"], capture_output=True, check=False).returncode == 0:
            return each
    return ()


class Kills:
    """SIGKILLs at any moment, counted by what they hit."""

    def __init__(self) -> None:
        self.hit = {"while a file was being written": 0, "at work": 0, "too late": 0}

    def kill(self, command: Sequence[str], folder: Path, lasts_s: float, while_writing: bool) -> None:
        """Start a command in a folder and kill it with all that it started: at a random moment, or as soon as a part file is there."""
        nowhere = subprocess.DEVNULL
        with subprocess.Popen(
            [*namespace(), *command], cwd=folder, env=ENVIRONMENT, stdout=nowhere, stderr=nowhere, start_new_session=True
        ) as process:  # fmt: skip
            before, end = set(leftovers(folder)), time.monotonic() + lasts_s * random.uniform(0.2, 1.0)
            while process.poll() is None and (while_writing or time.monotonic() < end):
                if while_writing and set(leftovers(folder)) - before:
                    break
                time.sleep(0.0005 if while_writing else 0.01)
            alive = process.poll() is None
            if alive:
                os.killpg(process.pid, signal.SIGKILL)
        written = bool(set(leftovers(folder)) - before)
        self.hit["too late" if not alive else "while a file was being written" if written else "at work"] += 1


def leftovers(folder: Path) -> list[str]:
    """Return the names of part files in a folder."""
    return [path.name for path in folder.rglob("*") if path.name.startswith(".strobewise-")]
