"""Each number that judges has a name, and beside it stands what it is, and where that does not follow from its name, why it is no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from conftest import ROOT

ENGINE = ROOT / "decoders" / "strobewise"
FILES = sorted(ENGINE.rglob("*.py"))  #: all of the engine; what the command line draws with are sizes, not judgements
#: Rooms whose every number in a comparison has a name. In the others whole numbers are mostly the shape of things (rows of a cycle,
#: lines of a bus, edges of a pulse), so only those that are not whole are looked at.
JUDGING = ("rules", "records", "verdict")
STRUCTURE = (0, 1, 2)  #: none, one or many, both: no thresholds
#: What is let through, and why.
LET_THROUGH = {
    "verdict/steps.py: 40": "the pins of the CPU",
    "case/proof.py: 60.0": "seconds of a minute",
}
DIRECTIVE = re.compile(r"#\s*(fmt|type|noqa|mypy|pragma)\b.*")


def reason(line: str) -> str:
    """Return the comment of a line, without what only speaks to a tool."""
    return DIRECTIVE.sub("", line[line.index("#") :]).strip("#: ") if "#" in line else ""


def is_number(node: ast.expr) -> bool:
    node = node.operand if isinstance(node, ast.UnaryOp) else node
    return isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool)


def numbers(node: ast.expr) -> bool:
    """Say whether a value is numbers and nothing else: one, several, or one for each name."""
    if isinstance(node, ast.Dict):
        return bool(node.values) and all(map(numbers, node.values))
    if isinstance(node, (ast.Tuple, ast.List)):
        return bool(node.elts) and all(map(numbers, node.elts))
    return is_number(node)


def untold(source: str) -> list[str]:
    """Return the constants of a module that are numbers and have no reason, on their lines or above them."""
    lines, found = source.split("\n"), []
    for node in ast.parse(source).body:
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target if isinstance(node, ast.AnnAssign) else None
        if target is None or node.value is None or not numbers(node.value):
            continue
        above = lines[node.lineno - 2].lstrip()
        told = any(map(reason, lines[node.lineno - 1 : node.end_lineno])) or (above.startswith("#") and reason(above))
        if not told:
            found.append(ast.unparse(target))
    return found


def nameless(source: str, whole: bool) -> list[str]:
    """Return the numbers that functions compare something with and that have no name; whole: whole ones, too."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare) and any(isinstance(sign, (ast.Lt, ast.LtE, ast.Gt, ast.GtE)) for sign in node.ops):
            for value in (number for side in (node.left, *node.comparators) for number in _parts(side)):
                if value not in STRUCTURE and (whole or isinstance(value, float)):
                    found.append((node.lineno, value))
    return [f"{value}" for _, value in sorted(set(found))]


def _parts(node: ast.expr) -> Iterator[float]:
    """Yield the numbers that one side of a comparison is made of; not those that pick bits or places."""
    if isinstance(node, ast.Constant) and is_number(node):
        yield node.value
    elif isinstance(node, ast.BinOp) and isinstance(node.op, (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.FloorDiv)):
        yield from (number for side in (node.left, node.right) for number in _parts(side))
    elif isinstance(node, ast.UnaryOp):
        yield from _parts(node.operand)
    elif isinstance(node, ast.IfExp):
        yield from (number for side in (node.body, node.orelse) for number in _parts(side))
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("max", "min"):
        yield from (number for each in node.args for number in _parts(each))


def test_what_has_no_reason_is_seen():
    source = "A = 4\nB = 5  #: told\n#: told\nC = 6\nD, E = 1, 2.5\nF = 'x'\nG: float = 3.0\nH = 7  # fmt: skip\n"
    source += "I = {'a': 1}\nJ = 8  #: so  # fmt: skip\n"
    assert untold(source) == ["A", "(D, E)", "G", "H", "I"]


def test_what_has_no_name_is_seen():
    source = "def f(x):\n    return x > 5 or max(3, x * 0.5) <= x or x == 9 or x & 7 > 2 or f(6) < 1 or x < (4 if x else N)\n"
    assert nameless(source, whole=True) == ["0.5", "3", "4", "5"]
    assert nameless(source, whole=False) == ["0.5"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ENGINE).as_posix())
def test_every_threshold_is_told(path):
    assert untold(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ENGINE).as_posix())
def test_every_threshold_has_a_name(path):
    room = path.relative_to(ENGINE).parts[0]
    found = nameless(path.read_text(encoding="utf-8"), whole=room in JUDGING)
    assert [each for each in found if f"{path.relative_to(ENGINE).as_posix()}: {each}" not in LET_THROUGH] == []
