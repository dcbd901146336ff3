"""Each number that judges says beside it what it is, and where that does not follow from its name, why it is no other."""

from __future__ import annotations

import ast

import pytest

from conftest import ROOT

ROOMS = ("rules", "evidence", "verdict", "identify", "diagnosis", "watch")
FILES = sorted(path for room in ROOMS for path in (ROOT / "decoders" / "strobewise" / room).rglob("*.py"))


def bare_numbers(source: str) -> list[str]:
    """Return the constants of a module that are numbers and have no comment, on their line or above it."""
    lines, found = source.split("\n"), []
    for node in ast.parse(source).body:
        if not isinstance(node, ast.Assign) or not isinstance(node.targets[0], (ast.Name, ast.Tuple)):
            continue
        values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
        numbers = all(isinstance(value, ast.Constant) and isinstance(value.value, (int, float)) for value in values)
        told = "#" in lines[node.lineno - 1] or lines[node.lineno - 2].lstrip().startswith("#")
        if numbers and not told:
            found.append(ast.unparse(node.targets[0]))
    return found


def test_a_bare_number_is_seen():
    assert bare_numbers("A = 4\nB = 5  #: told\n#: told\nC = 6\nD, E = 1, 2.5\nF = 'x'\n") == ["A", "(D, E)"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_threshold_is_told(path):
    assert bare_numbers(path.read_text(encoding="utf-8")) == []
