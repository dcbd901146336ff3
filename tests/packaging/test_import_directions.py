"""Who may import whom: read from the source of every file, not from what happens to be loaded."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from conftest import ROOT

ENGINE = ROOT / "decoders" / "strobewise"
HOST = ROOT / "decoders" / "host"
CLI = ROOT / "cli" / "strobewise_cli"

#: Room -> rooms that it may import, besides itself. Rooms are the packages and modules right below strobewise/; each has a row.
TABLES = {"bus", "errors", "records"}
ALLOWED = {
    "__init__": {"bus", "errors", "diagnosis", "profile"},
    "errors": set(),
    "bus": {"errors"},
    "files": {"errors"},
    "records": {"bus", "errors"},
    "cpu": {"bus", "errors"},
    "profile": TABLES | {"files"},
    "program": TABLES | {"cpu"},
    "stream": TABLES | {"cpu", "program"},
    "capture": TABLES | {"files"},
    "cycles": {"bus", "capture", "errors"},
    "identify": TABLES | {"capture", "cpu", "cycles", "program"},
    "evidence": TABLES | {"capture", "cpu", "cycles", "identify", "profile", "program"},
    "rules": TABLES | {"cpu", "program"},
    "verdict": TABLES | {"cpu", "rules"},
    "machine": TABLES | {"cpu", "files", "profile"},
    "replay": TABLES | {"capture", "cpu", "cycles", "evidence", "machine", "profile", "program"},
    "diagnosis": TABLES | {"capture", "cycles", "evidence", "identify", "profile", "program", "replay", "rules", "verdict"},
    "hookup": TABLES | {"profile", "replay", "rules"},
    "compare": TABLES | {"capture", "cpu", "cycles", "diagnosis", "evidence", "profile", "program", "rules", "verdict"},
    "watch": TABLES | {"capture", "cycles", "diagnosis", "evidence", "files", "profile", "rules", "verdict"},
}
ALLOWED["learn"] = TABLES | {"capture", "cycles", "diagnosis", "evidence", "profile"}
ALLOWED["expectations"] = ALLOWED["compare"] | {"compare", "files", "learn"}
ALLOWED["case"] = ALLOWED["watch"] | {"hookup"}
ALLOWED["archive"] = ALLOWED["expectations"] | ALLOWED["case"] | {"__version__", "case", "expectations"}
#: Rooms that a capture host's own Python must be able to import: the standard library only.
PLAIN = {"__init__", "errors", "files", "bus", "records", "cpu", "program", "stream", "rules", "verdict", "machine"}
NEEDS_INSTALLING = {"numpy", "bitarray", "rich", "jinja2", "vcd"}


def names_imported(node: ast.AST, package: tuple[str, ...]) -> Iterator[str]:
    """Yield the full names that a statement imports."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = [*package[: len(package) - node.level + 1]] if node.level else []
        stem = [*base, *([node.module] if node.module else [])]
        yield from (".".join([*stem, alias.name]) for alias in node.names)


def imports(path: Path, package: tuple[str, ...], top_only: bool = False) -> Iterator[str]:
    """Yield the full names that a file imports; with top_only those that load with it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body if top_only else ast.walk(tree):
        yield from names_imported(node, package)


def engine_files() -> list[Path]:
    return sorted(ENGINE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(ENGINE).parts[0].removesuffix(".py")


def package_of(path: Path, root: Path) -> tuple[str, ...]:
    return path.relative_to(root).parts[:-1]


@pytest.mark.parametrize("path", engine_files(), ids=lambda p: str(p.relative_to(ENGINE)))
def test_the_engine_imports_downwards_only(path):
    room = room_of(path)
    allowed = ALLOWED[room] | {room}
    for name in imports(path, package_of(path, ROOT / "decoders")):
        parts = name.split(".")
        assert parts[0] != "strobewise_cli", f"{path.name} imports the command line"
        if parts[0] == "strobewise":
            assert len(parts) > 1 and parts[1] in allowed, f"{room} must not import {name}"
        if room in PLAIN:
            assert parts[0] not in NEEDS_INSTALLING, f"{path.name} must do with the standard library, not {name}"


def test_every_room_has_a_row():
    assert {room_of(path) for path in engine_files()} == set(ALLOWED)


def test_nothing_is_loose_at_the_root_but_the_front_door_and_the_errors():
    assert {path.name for path in ENGINE.glob("*.py")} == {"__init__.py", "errors.py"}


def test_the_map_for_contributors_has_a_line_for_every_room():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = {entry.name for entry in ENGINE.iterdir() if (entry / "__init__.py").is_file()}
    assert [room for room in sorted(rooms) if not re.search(rf"^    (\w+/  )?{room}/  ", text, re.MULTILINE)] == []


def test_the_two_engines_do_not_know_each_other():
    assert "cycles" not in ALLOWED["stream"] and "stream" not in ALLOWED["cycles"]


def test_what_counts_never_asks_the_rules():
    assert not {"rules", "verdict"} & (ALLOWED["evidence"] | ALLOWED["records"] | ALLOWED["program"])


def module_of(path: Path, root: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def loaded_by(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes of a file but for what stands under TYPE_CHECKING, which only the type checker reads."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            continue
        yield node
        yield from loaded_by(node)


def file_imports(sources: dict[str, str], packages: set[str]) -> dict[str, set[str]]:
    """Return which modules each module imports, at its top or in a function. sources: module -> text; packages: those that are folders."""
    graph: dict[str, set[str]] = {}
    for module, text in sources.items():
        package = tuple(module.split(".") if module in packages else module.split(".")[:-1])
        named = {name for node in loaded_by(ast.parse(text)) for name in names_imported(node, package)}
        found = {name if name in sources else name.rpartition(".")[0] for name in named}  # a module, or a name out of one
        graph[module] = {known for known in found if known in sources and known != module}
    return graph


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Return modules that import each other in a circle, none where there is no circle."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_no_file_imports_itself_round_a_circle():
    sources, packages = {}, set()
    for root in (ROOT / "decoders", ROOT / "cli"):
        for path in sorted([*(root / "strobewise").rglob("*.py"), *(root / "strobewise_cli").rglob("*.py")]):
            sources[module_of(path, root)] = path.read_text(encoding="utf-8")
            packages |= {module_of(path, root)} if path.stem == "__init__" else set()
    assert len(sources) > 200
    assert circle(file_imports(sources, packages)) == []


def test_a_circle_is_noticed_in_functions_and_not_under_type_checking():
    sources = {"p": "", "p.a": "from . import b\n", "p.b": "def f():\n    from .a import x\n", "p.c": "from p.a import x\n"}
    assert set(circle(file_imports(sources, {"p"}))) == {"p.a", "p.b"}
    assert circle(file_imports({**sources, "p.b": "if TYPE_CHECKING:\n    from .a import x\n"}, {"p"})) == []


@pytest.mark.parametrize("path", sorted(HOST.rglob("*.py")), ids=lambda p: str(p.relative_to(HOST)))
def test_plug_ins_use_the_plain_engine(path):
    for name in imports(path, package_of(path, HOST)):
        parts = name.split(".")
        assert parts[0] not in NEEDS_INSTALLING | {"strobewise_cli"}
        if parts[0] == "strobewise":
            assert parts[1] in {"stream", "rules", "verdict", "program", "cpu", "records", "bus"}, f"a plug-in must not import {name}"
        assert parts[0] != "sigrokdecode" or path.name in ("pd.py", "__init__.py")


def test_the_host_folder_holds_plug_ins_only():
    for entry in HOST.iterdir() if HOST.is_dir() else ():
        if entry.name != "__pycache__":
            assert (entry / "pd.py").is_file(), f"{entry.name} would cost a line of error in the host"


def test_help_loads_nothing_heavy():
    for path in [CLI / "main.py", *sorted((CLI / "commands").glob("*.py"))]:
        for name in imports(path, package_of(path, ROOT / "cli"), top_only=True):
            assert name.split(".")[0] not in NEEDS_INSTALLING, f"{path.name} loads {name} before it is needed"
    code = "import sys; from strobewise_cli.main import build_parser; build_parser(); print(*sys.modules)"
    search = f"import sys; sys.path[:0] = {[str(ROOT / 'decoders'), str(ROOT / 'cli')]!r}; "
    loaded = subprocess.run([sys.executable, "-c", search + code], capture_output=True, text=True, check=True).stdout.split()
    assert not NEEDS_INSTALLING & set(loaded)


def test_the_plain_engine_imports_without_numpy():
    names = sorted(
        ".".join(path.relative_to(ROOT / "decoders").with_suffix("").parts).removesuffix(".__init__")
        for path in engine_files()
        if room_of(path) in PLAIN
    )
    code = (
        f"import sys, importlib; sys.path.insert(0, {str(ROOT / 'decoders')!r})\n"
        f"for name in {sorted(NEEDS_INSTALLING)!r}: sys.modules[name] = None\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("path", [p for p in engine_files() if room_of(p) in PLAIN], ids=lambda p: str(p.relative_to(ENGINE)))
def test_the_plain_engine_keeps_to_the_hosts_older_python(path):
    source = path.read_text(encoding="utf-8")
    ast.parse(source, feature_version=(3, 9))
    assert not source.strip() or "from __future__ import annotations" in source or len(source.splitlines()) < 4


def test_a_diagnosis_does_not_load_the_simulated_bench():
    """Loading is half of the time that a small capture takes; the bench is for simulating, explaining and known programs."""
    code = "import sys; from strobewise_cli.main import main; main(['diagnose', sys.argv[1]]); print('loaded', *sys.modules)"
    capture = ROOT / "traces" / "good" / "healthy-eight.vcd.gz"
    done = subprocess.run([sys.executable, "-c", code, str(capture)], capture_output=True, text=True, check=True)
    loaded = done.stdout.rpartition("loaded")[2].split()
    assert "strobewise.verdict.judge" in loaded
    assert not [name for name in loaded if name.startswith(("strobewise.machine", "strobewise_cli.render.explain"))]


#: What a diagnosis of a plain capture, told as JSON, has no use for: most of it costs more to load than a small capture to judge.
NOT_NEEDED = frozenset({
    "numpy.ma", "pathlib", "fractions", "decimal", "statistics", "difflib", "tempfile", "traceback", "tomllib", "rich", "jinja2",
    "strobewise.machine", "strobewise.replay", "strobewise.capture.scope.reader",
})  # fmt: skip


def modules_after(code: str, *arguments: str) -> set[str]:
    """Return the modules that a program of its own has loaded at its end."""
    command = [sys.executable, "-c", f"import sys; {code}; print('loaded', *sys.modules)", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(done.stdout.rpartition("loaded")[2].split())


@pytest.mark.parametrize("name", ["healthy-eight", "healthy-full"])
def test_a_diagnosis_loads_only_what_it_uses(name):
    capture = ROOT / "traces" / "good" / f"{name}.vcd.gz"
    code = "from strobewise_cli.main import main; main(['diagnose', sys.argv[1], '--json', '-'])"
    loaded = modules_after(code, str(capture)) - modules_after("import numpy")
    assert "strobewise.verdict.judge" in loaded
    assert sorted(NOT_NEEDED & loaded) == []
