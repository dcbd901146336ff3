"""What crosses rooms has a type, and every field of it a reader: counted in the source of every file.

Fields are told apart by their name alone here: one that is read hides another of its name. benchmarks/unread_fields.py, which CI runs
beside the type checker, counts them by class, as the types say.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

from conftest import ROOT

ENGINE = ROOT / "decoders" / "strobewise"
CLI = ROOT / "cli" / "strobewise_cli"
HOST = ROOT / "decoders" / "host"
SOURCES = sorted([*ENGINE.rglob("*.py"), *CLI.rglob("*.py"), *HOST.rglob("*.py")])

#: Fields that no code of the product reads by name, and why they stay.
KEPT = {
    "Operation.documented": "a fact of the opcode table, which the tests hold against the manual's count",
    "_Place.shift": "unpacked with its neighbours, once for every cycle",
    "Grade.means": "what a grade means, for the reader of the table; a test sees that each has it",
    "Operation.useless_prefix": "a fact of the opcode table, by which the tests choose what other emulators agree on",
}


def is_record(node: ast.ClassDef) -> bool:
    """Say whether a class is a dataclass, a named tuple or a protocol's plain data."""
    decorators = [each.func if isinstance(each, ast.Call) else each for each in node.decorator_list]
    return any("dataclass" in ast.unparse(each) for each in decorators) or any("NamedTuple" in ast.unparse(each) for each in node.bases)


def fields_of(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Yield (class, field) for every field of every record."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef) and is_record(node):
            for each in node.body:
                if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name):
                    yield node.name, each.target.id


def names_read(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
            yield node.attr


def unread(trees: list[ast.AST], also_read: set[str] = frozenset()) -> set[str]:
    """Return Class.field for each field that is read nowhere by its name."""
    read = {name for tree in trees for name in names_read(tree)} | also_read
    return {f"{record}.{name}" for tree in trees for record, name in fields_of(tree) if name not in read}


def test_every_field_of_a_record_is_read_by_someone():
    templates = "\n".join(path.read_text(encoding="utf-8") for path in (CLI / "render" / "templates").glob("*.j2"))
    in_templates = set(re.findall(r"\.([a-z_][a-z_0-9]*)", templates))
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES]
    assert unread(trees, in_templates) == set(KEPT)


def test_a_field_that_nobody_reads_is_noticed():
    text = "@dataclass(frozen=True)\nclass Seen:\n    count: int\n    last_s: float\nclass Row(NamedTuple):\n    name: str\n"
    reader = "def use(seen, row):\n    row.name = 1\n    seen.last_s = 2\n    return seen.count\n"
    assert unread([ast.parse(text), ast.parse(reader)]) == {"Seen.last_s", "Row.name"}
