"""A capture is read once a command, and one place alone drives the cycles from its blocks.

The second half counts how often the system is asked to open a capture, while a command runs in this process. Read again on purpose are: a
capture without labels, once its lines are known, the captures of a page, for the windows that it draws, and what is written anew.
"""

from __future__ import annotations

import argparse
import ast
import os
import shutil
import sys
from collections import Counter
from pathlib import Path

import pytest

from conftest import ROOT, TRACES
from strobewise_cli.main import build_parser, main
from strobewise_cli.pytest_plugin import CaptureUnderTest

GOOD = TRACES / "good" / "healthy-full.vcd.gz"
BAD = TRACES / "faults" / "halted-for-good" / "halted.vcd.gz"
READS_PORTS = TRACES / "good" / "healthy-lodger.vcd.gz"
CODE = [path for folder in ("decoders", "cli", "benchmarks", "tests") for path in sorted((ROOT / folder).rglob("*.py"))]
DRIVER = "decoders/strobewise/cycles/rebuild.py"
#: What stands behind the one loop, and who else may have a hand on it: one large capture is read by several processes, each finds the
#: requests of its piece, and the cycles are built of all of them (archive/split.py says why that is no second loop).
PARTS = {
    "RequestFinder": {"decoders/strobewise/archive/pieces.py"},
    "CycleBuilder": {"decoders/strobewise/archive/split.py"},
}


def names(source: str) -> set[str]:
    """Return all names that a file makes use of."""
    tree = ast.parse(source)
    named = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    named |= {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    return named | {alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) for alias in node.names}


def drives(source: str) -> bool:
    """Say whether a file makes a Pipeline, or hands the class on to somebody who may."""
    return "Pipeline" in names(source)


@pytest.mark.parametrize("part", PARTS)
def test_nobody_else_drives_the_parts_of_the_loop(part):
    product = [path for path in CODE if not path.is_relative_to(ROOT / "tests") and "/cycles/" not in path.as_posix()]
    assert {str(path.relative_to(ROOT)) for path in product if part in names(path.read_text(encoding="utf-8"))} == PARTS[part]


def test_one_place_alone_drives_the_pipeline():
    assert [str(path.relative_to(ROOT)) for path in CODE if drives(path.read_text(encoding="utf-8"))] == [DRIVER]


@pytest.mark.parametrize("source", ["from a import Pipeline", "pipeline.Pipeline(lines)", "def f(): return Pipeline"])
def test_another_driver_would_be_found(source):
    assert drives(source) and not drives("class Pipeline: 'the class itself'")


# --- how often a capture is opened ------------------------------------------------------------------------------------

_opened: Counter[str] | None = None


def _hook(event: str, arguments: tuple[object, ...]) -> None:
    if event == "open" and _opened is not None and isinstance(arguments[0], (str, bytes)):
        name = os.path.basename(os.fsdecode(arguments[0]))
        if ".vcd" in name:
            _opened[name] += 1


sys.addaudithook(_hook)  # there is no way to take one out again


@pytest.fixture
def opened(monkeypatch):
    """Count what is opened in the test, by name."""
    count: Counter[str] = Counter()
    monkeypatch.setattr(sys.modules[__name__], "_opened", count)
    return count


@pytest.fixture
def here(tmp_path, monkeypatch):
    shutil.copy(GOOD, tmp_path / "good.vcd.gz")
    shutil.copy(BAD, tmp_path / "bad.vcd.gz")
    shutil.copy(READS_PORTS, tmp_path / "reads.vcd.gz")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "board.expect.toml").write_text("[[required]]\ninstruction = 'LD A,*'\n[[forbidden]]\nkind = 'io_read'\n")
    return tmp_path


BOTH = {"good.vcd.gz": 1, "bad.vcd.gz": 1}


#: A command line, and how often each capture is opened.
READS = (
    ("diagnose good.vcd.gz", {"good.vcd.gz": 1}),
    ("diagnose good.vcd.gz bad.vcd.gz", BOTH),
    ("lines good.vcd.gz", {"good.vcd.gz": 1}),
    ("cycles good.vcd.gz -o rows.csv", {"good.vcd.gz": 1}),
    ("listing good.vcd.gz -o rows.lst", {"good.vcd.gz": 1}),
    ("listing good.vcd.gz --check -o rows.lst", {"good.vcd.gz": 1}),
    ("compare good.vcd.gz bad.vcd.gz", BOTH),
    ("verify good.vcd.gz --expect board.expect.toml", {"good.vcd.gz": 1}),
    ("verify good.vcd.gz --record new.expect.toml", {"good.vcd.gz": 1}),
    ("survey . --processes 1", {**BOTH, "reads.vcd.gz": 1}),
    ("hookup --after good.vcd.gz", {"good.vcd.gz": 1}),
    ("watch good.vcd.gz", {"good.vcd.gz": 1}),
    ("diagnose good.vcd.gz --html page.html", {"good.vcd.gz": 2}),  # the windows that it draws
    ("diagnose bad.vcd.gz --like reads.vcd.gz", {"bad.vcd.gz": 1, "reads.vcd.gz": 1}),
    ("prove --before bad.vcd.gz --after good.vcd.gz", BOTH),
    ("learn good.vcd.gz bad.vcd.gz -o box.toml", BOTH),
    ("prepare good.vcd.gz -o whole.vcd", {"good.vcd.gz": 3}),  # for its grid, for what the form leaves out, to write it
    ("hookup --write-map good.vcd.gz", {"good.vcd.gz": 1}),
    ("case add box good.vcd.gz", {"good.vcd.gz": 1, "1-good.vcd.gz": 1}),  # copied, and the copy is judged
)  # fmt: skip
CAPTURES = ("capture", "captures", "before", "after", "write_map", "good")  #: where a parser keeps the names of captures


def commands_of(parser):
    """Yield (name, parser) of each command, and of each action of one."""
    for each in parser._actions:
        for name, inner in each.choices.items() if isinstance(each, argparse._SubParsersAction) else ():
            yield name, inner
            yield from ((f"{name} {action}", deeper) for action, deeper in commands_of(inner))


def test_every_command_that_takes_captures_has_a_row():
    taking = {name for name, parser in commands_of(build_parser()) if any(each.dest in CAPTURES for each in parser._actions)}
    assert {"diagnose", "prove", "case add"} < taking
    assert [name for name in sorted(taking) if not any(command.startswith(f"{name} ") for command, _ in READS)] == []


@pytest.mark.parametrize(("command", "expected"), READS, ids=[command for command, _ in READS])
def test_each_capture_is_opened_once(here, opened, capsys, command, expected):
    if command.startswith("case"):
        assert main(["case", "new", "box"]) == 0
    assert main(command.split()) in (0, 1, 3), capsys.readouterr().err
    assert opened == expected


def test_the_test_suite_of_a_user_reads_once(here, opened):
    from strobewise.profile.options import Options

    capture = CaptureUnderTest(Path("good.vcd.gz"), Options())
    assert len(capture.cycles) > 1000 and capture.diagnosis.evidence.cycles["opcode_fetch"] == (capture.cycles.kind == 0).sum()
    assert opened == {"good.vcd.gz": 1}
