"""Which tests are likely to notice a change, so that mutants.py can try these first.

Without further data: the files of unit tests that name the module of the changed file, or a rule that is written there. With a run
of the tests under coverage: those that run the changed line. Such a run (three times as slow as without) is made once:

    pytest tests/unit tests/golden ... --cov --cov-config=benchmarks/coverage.ini --cov-context=test --cov-report= --junitxml=times.xml

Its data must be of the code as it is, else the lines do not agree. A line that runs when its module loads, as a table's, has no test of
its own: the tests of the lines that use its name stand for it.
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

from coverage import CoverageData

MOST_SECONDS = 12.0  #: of tests that a mutant is tried on first
UNTIMED_S = 0.5
MOST_FILES = 10  #: a module that more files of tests name is used by all of them and meant by few
Span = tuple[int, int]


def naming(root: Path, path: str) -> list[str]:
    """Return the files of unit tests that import the module of a file or name a rule of it, small ones first; none where too many do."""
    source = (root / path).read_text(encoding="utf-8")
    module = ".".join(Path(path).with_suffix("").parts[1:]).removesuffix(".__init__")
    room, _, name = module.rpartition(".")
    wanted = [rf"\b{re.escape(module)}\b", rf"from {re.escape(room)} import [^\n]*\b{name}\b"]
    wanted += [f'"{rule}"' for rule in re.findall(r'^@rule\(\s*"([a-z0-9-]+)"', source, re.MULTILINE)]
    texts = {test: test.read_text(encoding="utf-8") for test in (root / "tests" / "unit").glob("*.py")}
    found = _with(texts, wanted)
    beside = [test for test in found if not test.stem.startswith("test_")]  # rows that a test takes from a file beside it
    found |= _with(texts, [f"^from {test.stem} import" for test in beside])
    own = sorted((test for test in found if test.stem.startswith("test_")), key=lambda test: (len(texts[test]), test.name))
    return [test.relative_to(root).as_posix() for test in own] if len(own) <= MOST_FILES else []


def _with(texts: dict[Path, str], patterns: list[str]) -> set[Path]:
    pattern = re.compile("|".join(patterns), re.MULTILINE)
    return {test for test, text in texts.items() if patterns and pattern.search(text)}


class Nearest:
    """Answers which tests run a line, the quick ones first."""

    def __init__(self, root: Path, data_file: Path, times: Path) -> None:
        self._root = root
        data = CoverageData(str(data_file))
        data.read()
        self._tests: dict[str, dict[int, set[str]]] = {}
        for measured in data.measured_files():
            by_line = data.contexts_by_lineno(measured)
            self._tests[Path(measured).as_posix()] = {line: {c.partition("|")[0] for c in found if c} for line, found in by_line.items()}
        self._seconds = _durations(times)
        self._texts = {path: (root / path).read_text(encoding="utf-8").split("\n") for path in self._tests if (root / path).exists()}

    def tests_of(self, path: str, line: int) -> list[str]:
        """Return tests that run a line, or what it defines, for MOST_SECONDS at most."""
        tree = ast.parse((self._root / path).read_text(encoding="utf-8"))
        spans = _statements(tree, line)
        found: set[str] = set()
        if _in_a_function(tree, line):
            found = self._running(path, min(spans, key=lambda span: span[1] - span[0]))
        if not found:
            found = self._using(_names(tree, line))
        chosen, spent = [], 0.0
        for test in sorted(found, key=lambda test: (self._seconds.get(test, UNTIMED_S), test)):
            spent += self._seconds.get(test, UNTIMED_S)
            if chosen and spent > MOST_SECONDS:
                break
            chosen.append(test)
        return chosen

    def _running(self, path: str, span: Span) -> set[str]:
        lines = self._tests.get(path, {})
        return {test for number in range(span[0], span[1] + 1) for test in lines.get(number, ())}

    def _using(self, names: set[str]) -> set[str]:
        if not names:
            return set()
        word = re.compile(rf"\b(?:{'|'.join(map(re.escape, sorted(names)))})\b")
        found = set()
        for path, text in self._texts.items():
            for number, tests in self._tests[path].items():
                if tests and number <= len(text) and word.search(text[number - 1]):
                    found |= tests
        return found


def _durations(times: Path) -> dict[str, float]:
    """Return the seconds of each test of a JUnit file, by the name that pytest knows it by."""
    seconds: dict[str, float] = defaultdict(float)
    for case in ElementTree.parse(times).iter("testcase"):
        file = str(case.get("classname")).replace(".", "/") + ".py"
        seconds[f"{file}::{case.get('name')}"] += float(case.get("time", 0))
    return dict(seconds)


def _statements(tree: ast.Module, line: int) -> list[Span]:
    """Return the spans of the statements around a line; of those that hold others only the head."""
    spans = []
    for node in ast.walk(tree):
        if isinstance(node, ast.stmt):
            last = node.end_lineno or node.lineno
            body = getattr(node, "body", None)
            if isinstance(body, list) and body:
                last = max(node.lineno, body[0].lineno - 1)
            if node.lineno <= line <= last:
                spans.append((node.lineno, last))
    return spans or [(line, line)]


def _functions(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)))


def _in_a_function(tree: ast.Module, line: int) -> bool:
    """Tell whether a line runs with a function, and not with its module, as the function's decorators and defaults do."""
    return any(function.body[0].lineno <= line <= (function.end_lineno or 0) for function in _functions(tree))


def _names(tree: ast.Module, line: int) -> set[str]:
    """Return the names that the statement of a module or class around a line defines."""
    names: set[str] = set()
    for node in ast.walk(tree):
        first = min([node.lineno, *(each.lineno for each in getattr(node, "decorator_list", ()))]) if isinstance(node, ast.stmt) else 0
        if not isinstance(node, ast.stmt) or not first <= line <= (node.end_lineno or 0):
            continue
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            names.add(node.name)
        targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        names |= {target.id for target in targets if isinstance(target, ast.Name)}
    return names
