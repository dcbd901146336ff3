"""The tables that rules take their figures from: named grades of certainty, and rows of suspects, each with its reason."""

from __future__ import annotations

import ast

import pytest

from conftest import ROOT
from strobewise.rules import CATALOGUE, blame, find_rule, grades

FILES = sorted((ROOT / "decoders" / "strobewise" / "rules").glob("*.py"))
JUDGING = [path for path in FILES if path.stem not in ("blame", "grades")]


def test_the_grades_are_these():
    figures = {grade.name: grade.confidence for grade in grades.GRADES}
    assert figures == {"certain": 0.97, "strong": 0.9, "likely": 0.85, "fair": 0.8, "hint": 0.65, "guess": 0.5}
    assert list(figures.values()) == sorted(figures.values(), reverse=True)
    assert all(getattr(grades, grade.name.upper()) == grade.confidence and grade.means and grade.source for grade in grades.GRADES)


def figures_of(path, names):
    """Return (line, figure) of each number that stands in a rule's certainty or in its suspects."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    given = [node.value for node in ast.walk(tree) if isinstance(node, ast.keyword) and node.arg in names]
    return [
        (node.lineno, node.value)
        for value in given
        for node in ast.walk(value)
        if isinstance(node, ast.Constant) and isinstance(node.value, float)
    ]


@pytest.mark.parametrize("path", JUDGING, ids=lambda path: path.stem)
def test_no_rule_has_a_figure_of_its_own(path):
    assert not figures_of(path, ("confidence", "suspects"))


def test_a_figure_of_its_own_is_noticed(tmp_path):
    (tmp_path / "x.py").write_text("Found('x', (), suspects=(('cpu', 0.6),), confidence=0.7 if so else STRONG)\n")
    assert figures_of(tmp_path / "x.py", ("confidence", "suspects")) == [(1, 0.6), (1, 0.7)]


def test_every_row_of_suspects_has_its_reason_and_is_used():
    named = {name: value for name, value in vars(blame).items() if any(value is row.shares for row in blame.ROWS)}
    assert len(named) == len(blame.ROWS) and len({row.shares for row in blame.ROWS}) >= 80
    used = {
        node.attr
        for path in [*JUDGING, ROOT / "decoders" / "strobewise" / "diagnosis" / "joining.py"]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "blame"
    }
    assert used == set(named)
    for row in blame.ROWS:
        assert row.why and row.source in (blame.PRACTICE, blame.OURS)


def test_every_rule_takes_its_suspects_from_the_table():
    rows = {row.shares for row in blame.ROWS}
    assert not [each.id for each in CATALOGUE if each.suspects not in rows]


@pytest.mark.parametrize(
    "shares", [{"teapot": 0.5}, {"cpu": 0.2, "rom": 0.3}, {"cpu": 0.7, "rom": 0.6}, {"cpu": 0.5, "rom": 0.0}, {}],
)  # fmt: skip
def test_what_is_no_row_is_refused(shares):
    before = list(blame.ROWS)
    with pytest.raises(ValueError, match="no row of suspects"):
        blame.blame(blame.OURS, "a test", **shares)
    assert before == blame.ROWS


def test_leads_that_are_swapped_are_never_certain():
    path = next(path for path in FILES if path.stem == "leads")
    assert find_rule("leads-swapped") is not None and "CERTAIN" not in path.read_text(encoding="utf-8")
