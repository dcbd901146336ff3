"""`Any` stays at the border of the program, where another program or a library says what a value is: here, with the reason."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_args

import pytest

from conftest import ROOT
from strobewise.bus import model

#: File -> how often `Any` may stand in it at most, and why.
ALLOWED: dict[str, tuple[int, str]] = {
    "decoders/strobewise/cpu/generator.py": (2, "the tables of functions that are made from text; an arithmetic that a caller brings"),
    "decoders/strobewise/cpu/model.py": (1, "the same arithmetic"),
    "decoders/strobewise/cycles/engine.py": (1, "an array of whatever type of number"),
    "decoders/strobewise/replay/unknown.py": (2, "a comparison that may not be known; tables and functions that are made from text"),
    "decoders/strobewise/stream/plugin.py": (5, "what the capture host gives a plug-in: its module, its calls, the options' values"),
    "decoders/strobewise/stream/conditions.py": (2, "the capture host's own spelling of a condition"),
    "cli/strobewise_cli/commands/simulate.py": (1, "what argparse gives, by names of fields"),
    "cli/strobewise_cli/output.py": (2, "a file of text or of bytes, as the caller asks"),
    "cli/strobewise_cli/render/explain_pictures.py": (5, "fields of a scenario by their names, which simulate() checks"),
}
FILES = sorted([*(ROOT / "decoders" / "strobewise").rglob("*.py"), *(ROOT / "cli").rglob("*.py")])
VOCABULARIES = {
    "KINDS": model.CycleKind,
    "NOTES": model.CycleNote,
    "SUSPECTS": model.Suspect,
    "LINE_STATES": model.LineStateName,
    "SEVERITIES": model.Severity,
    "VERDICT_STATES": model.VerdictState,
    "LEAD_PLACES": model.LeadPlace,
}


def own_name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def count_any(source: str) -> int:
    """Count the places where a name or an attribute `Any` stands, in annotations and aliases; an import is one under another name alone."""
    nodes = list(ast.walk(ast.parse(source)))
    renamed = [alias for node in nodes if isinstance(node, ast.ImportFrom) for alias in node.names if alias.name == "Any" and alias.asname]
    texts = [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    quoted = sum(count_any(text) for text in texts if "Any" in text and _is_type(text))
    names = sum(isinstance(node, ast.Name) and node.id == "Any" for node in nodes)
    return len(renamed) + names + quoted + sum(isinstance(node, ast.Attribute) and node.attr == "Any" for node in nodes)


def _is_type(text: str) -> bool:
    """Say whether a text could be an annotation in quotes."""
    try:
        return isinstance(ast.parse(text, mode="eval").body, (ast.Subscript, ast.BinOp))
    except SyntaxError:
        return False


def test_any_is_found_wherever_it_stands():
    assert count_any("from typing import Any\nx: Any\ndef f(a: list[Any]) -> 'dict[str, Any]': ...\nT = dict[typing.Any, int]") == 4
    assert count_any("from typing import Any\n'Any program.'\n") == 0
    assert count_any("from typing import Any as Whatever\nx: Whatever") == 1


@pytest.mark.parametrize("path", FILES, ids=own_name)
def test_no_any_but_at_the_border(path):
    allowed, _ = ALLOWED.get(own_name(path), (0, ""))
    assert count_any(path.read_text(encoding="utf-8")) <= allowed


def test_every_exception_has_a_file_and_a_reason():
    needed = {own_name(path) for path in FILES if count_any(path.read_text(encoding="utf-8"))}
    assert set(ALLOWED) == needed and all(reason for _, reason in ALLOWED.values())


@pytest.mark.parametrize("name", VOCABULARIES)
def test_a_closed_vocabulary_stands_once(name):
    values = getattr(model, name)
    assert values == get_args(VOCABULARIES[name]) and len(set(values)) == len(values) > 1
    table = {value: key for key, value in vars(model).items() if isinstance(value, tuple) and value == values}
    assert list(table.values()) == [name]
