"""The small wrong changes of benchmarks/mutants.py: each kind is found, compiles, and is another program."""

from __future__ import annotations

import ast
import sys

import pytest

from conftest import ROOT

sys.path.insert(0, str(ROOT / "benchmarks"))
import mutants
import mutations

SOURCE = '''"""Doc 5 < 6."""
LIMITS = (1, 2, 3)
PAIRS = {"a": 4, "b": 8}
Alias = Tuple[int, int]
def judge(value: int, on: bool) -> bool:
    if value < 10 and not on:
        raise ValueError(f"{value + 7}")
    return value == LIMITS[0] or value in (5, 6)
'''


def made():
    return [change for change in mutations.changes_of(SOURCE) if mutations.is_another_program(SOURCE, change)]


@pytest.mark.parametrize(
    ("kind", "before", "after"),
    [
        ("compare", "if value < 10 and not on:", "if value > 10 and not on:"),
        ("compare", "if value < 10 and not on:", "if value <= 10 and not on:"),
        ("and-or", "if value < 10 and not on:", "if value < 10 or not on:"),
        ("not", "if value < 10 and not on:", "if value < 10 and (on):"),
        ("constant", "if value < 10 and not on:", "if value < 20 and not on:"),
        ("constant", "if value < 10 and not on:", "if value < 5 and not on:"),
        ("entry", "LIMITS = (1, 2, 3)", "LIMITS = (1, 2)"),
        ("return", "return value == LIMITS[0] or value in (5, 6)", "return not (value == LIMITS[0] or value in (5, 6))"),
        ("compare", "return value == LIMITS[0] or value in (5, 6)", "return value == LIMITS[0] or value not in (5, 6)"),
        ("entry", "return value == LIMITS[0] or value in (5, 6)", "return value == LIMITS[0] or value in (5,)"),
    ],
)
def test_a_change_of_each_kind(kind, before, after):
    assert (kind, before, after) in [(change.kind, change.before, change.after) for change in made()]


def test_changes_are_other_programs_and_leave_texts_alone():
    for change in made():
        changed = change.apply(SOURCE)
        assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(SOURCE))
        assert '"""Doc 5 < 6."""' in changed and "{value + 7}" in changed


def test_an_alias_of_a_type_is_left_alone():
    assert not any("Alias" in change.before for change in made())


def test_a_change_is_known_by_the_place_that_it_stands_in():
    source = "class Lamp:\n    def lit(self):\n        if self.on > 1:\n            return 1\n        return 1\nON = 1\n"
    places = {(change.line, change.where) for change in mutations.changes_of(source)}
    assert places == {(3, "Lamp.lit"), (4, "Lamp.lit"), (5, "Lamp.lit#2"), (6, "")}


def test_what_may_live_on_is_a_change_of_the_code_as_it_is_with_its_reason():
    accepted = mutants.load_accepted()
    assert set(accepted) - {mutant.key for mutant in mutants.of_journal(accepted)} == set()
    assert all(reason.strip() for reason in accepted.values())
