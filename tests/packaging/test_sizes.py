"""Files and functions stay small enough to be read in one go; what is longer stands here with its reason."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from conftest import ROOT

FILE_LINES = 400
FUNCTION_LINES = 40  #: without the docstring

LONGER_FILES: dict[str, str] = {}
LONGER_FUNCTIONS = {
    "decoders/strobewise/stream/fast.py follow": "the hot loop of the host: a call for each edge would cost a third of the speed",
    "decoders/strobewise/capture/vcd/plain.py read_plain": "a straight line of checks, each of which may send the block elsewhere",
    "decoders/strobewise/stream/plugin.py sinks": "closures over the same few names, bound once since they run for every cycle",
}
FILES = sorted([*(ROOT / "decoders").rglob("*.py"), *(ROOT / "cli").rglob("*.py")])


def own_name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def length_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return the lines of a function without its docstring."""
    first = function.body[0]
    is_text = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str)
    text = (first.end_lineno or 0) - first.lineno + 1 if is_text else 0
    return (function.end_lineno or 0) - function.lineno + 1 - text


def long_functions(path: Path) -> set[str]:
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    functions = [node for node in nodes if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))]
    return {f"{own_name(path)} {node.name}" for node in functions if length_of(node) > FUNCTION_LINES}


@pytest.mark.parametrize("path", FILES, ids=own_name)
def test_no_file_is_long_without_a_reason(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= FILE_LINES or own_name(path) in LONGER_FILES
    assert long_functions(path) <= set(LONGER_FUNCTIONS)


def test_every_exception_is_still_needed():
    long = {own_name(path) for path in FILES if len(path.read_text(encoding="utf-8").splitlines()) > FILE_LINES}
    assert set(LONGER_FILES) == long
    assert set(LONGER_FUNCTIONS) == set().union(*map(long_functions, FILES))
