"""Every limit of every rule, and of the time base, has a value just on it and one just off it: when it moves by a step, that is noticed."""

from __future__ import annotations

import sys

import pytest
from limits import ENGINE, FILES, Limit, constants, moved
from limits_of_calibration import CALIBRATION
from limits_of_lines import LINES
from limits_of_memory import MEMORY
from limits_of_programs import PROGRAMS

LIMITS: list[Limit] = [*LINES, *MEMORY, *PROGRAMS, *CALIBRATION]
CONSTANTS = list(constants())
ALL = [f"{file}.{name}" + ("" if place is None else f"[{place}]") for file, name, place in CONSTANTS]


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.constant)
def test_just_on_a_limit_and_just_off_it(limit):
    assert (limit.judge(limit.on), limit.judge(limit.off)) == (limit.told, limit.else_)


def test_every_limit_has_its_row():
    assert sorted(set(ALL) - {limit.constant for limit in LIMITS}) == []
    assert sorted({limit.constant for limit in LIMITS} - set(ALL)) == []


@pytest.mark.parametrize(("file", "name", "place"), CONSTANTS, ids=ALL)
@pytest.mark.parametrize("up", [True, False], ids=["up", "down"])
def test_a_limit_that_moves_by_one_step_is_noticed(monkeypatch, file, name, place, up):
    home = sys.modules[module_name(file)]
    value = getattr(home, name)
    if place is None:
        other = moved(value, up)
    elif isinstance(value, dict):
        other = {**value, place: moved(value[place], up)}
    else:
        other = tuple(moved(each, up) if number == place else each for number, each in enumerate(value))
    own = {module_name(each) for each, its_name, _ in CONSTANTS if its_name == name}
    for module in [sys.modules[module_name(each)] for each in FILES]:
        if module is home or (vars(module).get(name) is value and module.__name__ not in own):
            monkeypatch.setattr(module, name, other)
    constant = f"{file}.{name}" + ("" if place is None else f"[{place}]")
    assert not all(limit.holds() for limit in LIMITS if limit.constant == constant)


def module_name(file: str) -> str:
    return ".".join(FILES[file].relative_to(ENGINE.parent).with_suffix("").parts)
