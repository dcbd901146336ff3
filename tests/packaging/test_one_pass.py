"""A capture is read once a command, and one place alone drives the cycles from its blocks.

The second half counts how often the system is asked to open a capture, while a command runs in this process. Read again on purpose are: a
capture without labels, once its lines are known, and the captures of a page, for the windows that it draws.
"""

from __future__ import annotations

import ast
import os
import shutil
import sys
from collections import Counter
from pathlib import Path

import pytest

from conftest import ROOT, TRACES
from strobewise_cli.main import main
from strobewise_cli.pytest_plugin import CaptureUnderTest

GOOD = TRACES / "good" / "healthy-full.vcd.gz"
BAD = TRACES / "faults" / "halted-for-good" / "halted.vcd.gz"
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
    monkeypatch.chdir(tmp_path)
    (tmp_path / "board.expect.toml").write_text("[[required]]\ninstruction = 'LD A,*'\n[[forbidden]]\nkind = 'io_read'\n")
    return tmp_path


BOTH = {"good.vcd.gz": 1, "bad.vcd.gz": 1}


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        ("diagnose good.vcd.gz", {"good.vcd.gz": 1}),
        ("diagnose good.vcd.gz bad.vcd.gz", BOTH),
        ("lines good.vcd.gz", {"good.vcd.gz": 1}),
        ("cycles good.vcd.gz -o rows.csv", {"good.vcd.gz": 1}),
        ("listing good.vcd.gz -o rows.lst", {"good.vcd.gz": 1}),
        ("listing good.vcd.gz --check -o rows.lst", {"good.vcd.gz": 1}),
        ("compare good.vcd.gz bad.vcd.gz", BOTH),
        ("verify good.vcd.gz --expect board.expect.toml", {"good.vcd.gz": 1}),
        ("verify good.vcd.gz --record new.expect.toml", {"good.vcd.gz": 1}),
        ("survey . --processes 1", BOTH),
        ("hookup --after good.vcd.gz", {"good.vcd.gz": 1}),
        ("watch good.vcd.gz", {"good.vcd.gz": 1}),
        ("diagnose good.vcd.gz --html page.html", {"good.vcd.gz": 2}),  # the windows that it draws
    ],
)  # fmt: skip
def test_each_capture_is_opened_once(here, opened, capsys, command, expected):
    assert main(command.split()) in (0, 1, 3), capsys.readouterr().err
    assert opened == expected


def test_the_test_suite_of_a_user_reads_once(here, opened):
    from strobewise.profile.options import Options

    capture = CaptureUnderTest(Path("good.vcd.gz"), Options())
    assert len(capture.cycles) > 1000 and capture.diagnosis.evidence.cycles["opcode_fetch"] == (capture.cycles.kind == 0).sum()
    assert opened == {"good.vcd.gz": 1}
