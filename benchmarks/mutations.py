"""The small wrong changes that mutants.py tries: where in a source text they can be made, and what the text then reads."""

from __future__ import annotations

import ast
import functools
import re
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

#: A comparison and what becomes of it: turned round, and moved by one.
COMPARISONS: dict[type[ast.cmpop], tuple[str, tuple[str, ...]]] = {
    ast.Lt: ("<", (">", "<=")),
    ast.LtE: ("<=", (">=", "<")),
    ast.Gt: (">", ("<", ">=")),
    ast.GtE: (">=", ("<=", ">")),
    ast.Eq: ("==", ("!=",)),
    ast.NotEq: ("!=", ("==",)),
    ast.In: ("in", ("not in",)),
    ast.NotIn: ("not in", ("in",)),
    ast.Is: ("is", ("is not",)),
    ast.IsNot: ("is not", ("is",)),
}


class Change(NamedTuple):
    """A stretch of a source text and what stands there instead."""

    kind: str
    start: int  #: offset in characters
    end: int
    new: str
    line: int
    where: str  #: the function or class it stands in, "" for the module; with #2 where the same change of the same text stands there again
    before: str  #: the first changed line, without its indent
    after: str

    def apply(self, source: str) -> str:
        return source[: self.start] + self.new + source[self.end :]


def changes_of(source: str) -> list[Change]:
    """Return all changes that may be made to a source text; whether what comes of one is a program is not known yet."""
    seen: Counter[tuple[str, str, str]] = Counter()
    changes = []
    for kind, start, end, new in _Finder(_Text(source)).sites(ast.parse(source)):
        changed = source[:start] + new + source[end:]
        before, after = _line_at(source, start), _line_at(changed, start)
        if before == after:  # an entry that fills the next line
            before, after = source[start:end].strip(" ,\n"), ""
        line = source.count("\n", 0, start) + 1
        where = _place(source, line)
        seen[where, before, after] += 1
        again = seen[where, before, after]
        changes.append(Change(kind, start, end, new, line, where if again == 1 else f"{where}#{again}", before, after))
    return changes


def is_another_program(source: str, change: Change) -> bool:
    """Return whether Python can compile what comes of a change, and reads it as another program."""
    try:
        return ast.dump(ast.parse(change.apply(source))) != _dumped(source)
    except SyntaxError:
        return False


@functools.lru_cache(maxsize=4)
def _dumped(source: str) -> str:
    return ast.dump(ast.parse(source))


@functools.lru_cache(maxsize=4)
def _places(source: str) -> list[tuple[int, int, str]]:
    """Return the first line, the last one and the dotted name of every function and class, the outer before the inner."""
    found = []

    def walk(node: ast.AST, above: str) -> None:
        for child in ast.iter_child_nodes(node):
            name = above
            if isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
                name = f"{above}.{child.name}".lstrip(".")
                first = min([child.lineno, *(each.lineno for each in child.decorator_list)])
                found.append((first, child.end_lineno or first, name))
            walk(child, name)

    walk(ast.parse(source), "")
    return found


def _place(source: str, line: int) -> str:
    around = [name for first, last, name in _places(source) if first <= line <= last]
    return around[-1] if around else ""


def _line_at(source: str, offset: int) -> str:
    first = source.rfind("\n", 0, offset) + 1
    return source[first : source.find("\n", offset)].strip()


class _Text:
    """A source text in which nodes are found by character."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.lines = source.split("\n")
        self.starts = [0]
        for line in self.lines:
            self.starts.append(self.starts[-1] + len(line) + 1)

    def _offset(self, line: int, column: int) -> int:
        """column: in bytes of UTF-8, as the syntax tree counts."""
        return self.starts[line - 1] + len(self.lines[line - 1].encode()[:column].decode())

    def start(self, node: ast.expr) -> int:
        return self._offset(node.lineno, node.col_offset)

    def end(self, node: ast.expr) -> int:
        return self._offset(node.end_lineno or 0, node.end_col_offset or 0)

    def of(self, node: ast.expr) -> str:
        return self.source[self.start(node) : self.end(node)]


_Found = tuple[str, int, int, str]


class _Finder:
    """Walks a tree; knows what is text for people or for the type checker (an alias of a type as well) and leaves that alone."""

    def __init__(self, text: _Text) -> None:
        self.text = text

    def sites(self, tree: ast.Module) -> Iterator[_Found]:
        for node in tree.body:
            if not isinstance(node, (ast.Assign, ast.AnnAssign)) or isinstance(node.value, ast.Subscript):
                continue
            if "__all__" not in ast.dump(node):
                yield from self._dropped(node)
        yield from self._walk(tree, returns_truth=False)

    def _walk(self, node: ast.AST, returns_truth: bool) -> Iterator[_Found]:
        if isinstance(node, (ast.JoinedStr, ast.Raise, ast.Assert, ast.Import, ast.ImportFrom)):
            return
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            return
        if isinstance(node, ast.FunctionDef):
            returns_truth = isinstance(node.returns, ast.Name) and node.returns.id == "bool"
        yield from self._of_node(node, returns_truth)
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    yield from self._walk(child, returns_truth)

    def _of_node(self, node: ast.AST, returns_truth: bool) -> Iterator[_Found]:
        if isinstance(node, ast.Compare):
            yield from self._compared(node)
        elif isinstance(node, ast.BoolOp):
            old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            for left, right in zip(node.values, node.values[1:], strict=False):
                yield from self._between("and-or", left, right, old, new)
        elif isinstance(node, ast.Constant):
            yield from self._number(node)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield "not", self.text.start(node), self.text.end(node), f"({self.text.of(node.operand)})"
        elif isinstance(node, ast.Return) and returns_truth and node.value is not None:
            yield "return", self.text.start(node.value), self.text.end(node.value), f"not ({self.text.of(node.value)})"

    def _compared(self, node: ast.Compare) -> Iterator[_Found]:
        left = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            old, others = COMPARISONS[type(operator)]
            for new in others:
                yield from self._between("compare", left, right, old, new)
            if isinstance(operator, (ast.In, ast.NotIn)) and isinstance(right, (ast.Tuple, ast.List, ast.Set)):
                yield from self._without_each(right)
            left = right

    def _between(self, kind: str, left: ast.expr, right: ast.expr, old: str, new: str) -> Iterator[_Found]:
        start = self.text.end(left)
        pattern = rf"\b{old}\b".replace(" ", r"\s+") if old[0].isalpha() else re.escape(old)
        match = re.search(pattern, self.text.source[start : self.text.start(right)])
        if match is not None:
            yield kind, start + match.start(), start + match.end(), new

    def _number(self, node: ast.Constant) -> Iterator[_Found]:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return
        double, half = (2 * value, value // 2) if isinstance(value, int) else (2 * value, value / 2)
        for new in {double, half} - {value} or {1}:
            yield "constant", self.text.start(node), self.text.end(node), repr(new)

    def _dropped(self, node: ast.Assign | ast.AnnAssign) -> Iterator[_Found]:
        """Drop entries of the tables that stand at the level of the module."""
        for inner in ast.walk(node.value) if node.value is not None else ():
            if isinstance(inner, (ast.Tuple, ast.List, ast.Set)) and _is_table(inner.elts):
                yield from self._without_each(inner)
            elif isinstance(inner, ast.Dict) and len(inner.keys) > 1:
                ends = [self.text.end(value) for value in inner.values]
                for key, end in zip(inner.keys[1:], ends[1:], strict=True):
                    if key is not None:
                        yield "entry", self.text.start(key), end, ""

    def _without_each(self, node: ast.Tuple | ast.List | ast.Set) -> Iterator[_Found]:
        for before, entry in zip(node.elts, node.elts[1:], strict=False):
            new = "," if isinstance(node, ast.Tuple) and len(node.elts) == 2 else ""
            yield "entry", self.text.end(before), self.text.end(entry), new


def _is_table(entries: list[ast.expr]) -> bool:
    """Return whether entries are alike, as a table's are; the fields of a record are not, and one cannot go."""
    return len(entries) > 1 and len({type(entry) for entry in entries}) == 1 and len({_shape(entry) for entry in entries}) == 1


def _shape(entry: ast.expr) -> str:
    if isinstance(entry, ast.Constant):
        return type(entry.value).__name__
    return ast.dump(entry.func) if isinstance(entry, ast.Call) else ""
