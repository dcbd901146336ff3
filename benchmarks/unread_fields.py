"""Fields of records that no code of the product reads, by class, as the type checker knows what each expression is.

tests/packaging/test_records.py counts by name alone and is quick; where several records share a name, one that is read hides another that
is not. This takes a minute or so, so it is run by hand and by .ci/run: python benchmarks/unread_fields.py
It exits with 1 where a field is read nowhere, or one that is said to be kept is read after all.

What is read through a value of any type counts as read of every record that has a field of that name, and so does what a template of a page
reads: for the records of the command line alone, which it is handed.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import jinja2
import jinja2.nodes
from mypy import build, modulefinder, nodes, types
from mypy.options import Options

ROOT = Path(__file__).resolve().parents[1]
ENGINE = ROOT / "decoders"
FOLDERS = {ENGINE: "strobewise", ROOT / "cli": "strobewise_cli"}
WHOLE = "its rows are taken apart whole, not field by field"
TOLD = "what a table says of its rows, for its reader; tests see that each has it"
#: Classes, or fields of them, that nobody reads by name, and why they stay.
KEPT = {
    "bus.semantics.CycleSpec.source": TOLD,
    "bus.timing.Characteristic.source": TOLD,
    "case.records.Closed.note": "written into the sheet with all other fields, for whoever opens the case",
    "cpu.disassembly.Instruction.operation": "for those who use the engine: what the opcode is, beside its words",
    "cpu.opcodes.Operation.documented": "a fact of the opcode table, which the tests hold against the manual's count",
    "cpu.opcodes.Operation.useless_prefix": "a fact of the opcode table, by which the tests choose what other emulators agree on",
    "cycles.ending.Columns": WHOLE,
    "identify.raw.Pulses": WHOLE,
    "machine.analyser.Settings": WHOLE,
    "machine.pins.Event": WHOLE,
    "program.clues.Explanation": WHOLE,
    "rules.blame.Row": TOLD,
    "rules.grades.Grade": TOLD,
    "stream.paging.Asked": WHOLE,
    "stream.records.Begun": WHOLE,
    "stream.records.Ended": WHOLE,
    "stream.records.Request": WHOLE,
    "stream.rows._Place": WHOLE,
    "watch.stretch.Stretch": "answers like a capture: read through the protocol of one",
}


def module_of(path: Path, folder: Path) -> str:
    parts = path.relative_to(folder).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources() -> dict[str, Path]:
    """Return the files of the product by the name of their module."""
    return {module_of(path, folder): path for folder, package in FOLDERS.items() for path in sorted((folder / package).rglob("*.py"))}


def typed(files: dict[str, Path]) -> dict[nodes.Expression, types.Type]:
    """Return the type of every expression of these files."""
    options = Options()
    options.export_types = options.preserve_asts = options.ignore_missing_imports = options.check_untyped_defs = True
    options.incremental, options.follow_imports = False, "silent"
    options.mypy_path = [str(folder) for folder in FOLDERS]
    return build.build([modulefinder.BuildSource(str(path), name, None) for name, path in files.items()], options).types


def classes(of: types.Type | None) -> Iterator[nodes.TypeInfo | None]:
    """Yield the classes that a value may be of, None where it may be anything."""
    proper = types.get_proper_type(of) if of is not None else None
    if isinstance(proper, types.UnionType):
        for each in proper.items:
            yield from classes(each)
    elif isinstance(proper, types.TupleType):
        yield from classes(proper.partial_fallback)
    elif isinstance(proper, types.TypeVarType):
        yield from classes(proper.upper_bound)
    elif isinstance(proper, types.Instance):
        yield proper.type
    elif proper is None or isinstance(proper, types.AnyType):
        yield None


def read_by_templates() -> set[str]:
    """Return the names of all attributes that the templates of pages read."""
    texts = [path.read_text(encoding="utf-8") for path in sorted((ROOT / "cli").rglob("*.j2"))]
    return {each.attr for text in texts for each in jinja2.Environment().parse(text).find_all(jinja2.nodes.Getattr)}


def is_record(node: ast.ClassDef) -> bool:
    decorators = [each.func if isinstance(each, ast.Call) else each for each in node.decorator_list]
    return any("dataclass" in ast.unparse(each) for each in decorators) or any("NamedTuple" in ast.unparse(each) for each in node.bases)


def unread() -> set[str]:
    """Return the fields of records that nothing reads: module.Class.field, without the name of the engine."""
    files = sources()
    trees = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in files.items()}
    places = (node for tree in trees.values() for node in ast.walk(tree))
    attributes = (node for node in places if isinstance(node, ast.Attribute) and not isinstance(node.ctx, ast.Load))
    written = {(node.lineno, node.col_offset, node.attr) for node in attributes}
    known, read, read_of_any = typed(files), set(), set()
    for expression in known:
        if isinstance(expression, nodes.MemberExpr) and (expression.line, expression.column, expression.name) not in written:
            for each in classes(known.get(expression.expr)):
                if each is None:
                    read_of_any.add(expression.name)
                else:
                    read.update(f"{base.fullname}.{expression.name}" for base in each.mro)
    fields = {
        f"{name}.{node.name}.{each.target.id}": each.target.id
        for name, tree in trees.items()
        for node in ast.walk(tree) if isinstance(node, ast.ClassDef) and is_record(node)
        for each in node.body if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name)
    }  # fmt: skip
    shown = read_by_templates()
    fields = {name: field for name, field in fields.items() if name.startswith("strobewise.") or field not in shown}
    return {name.removeprefix("strobewise.") for name, field in fields.items() if name not in read and field not in read_of_any}


def main() -> int:
    found = unread()
    kept = {name: next((each for each in (name, name.rpartition(".")[0]) if each in KEPT), None) for name in found}
    for name in sorted(name for name, reason in kept.items() if reason is None):
        print(f"nobody reads {name}")
    for name in sorted(set(KEPT) - {reason for reason in kept.values() if reason}):
        print(f"{name} is said to be kept, and is read")
    print(f"{len(found)} fields are read nowhere by name, {sum(reason is not None for reason in kept.values())} of them kept with a reason")
    return int(None in kept.values() or bool(set(KEPT) - set(kept.values())))


if __name__ == "__main__":
    sys.exit(main())
