"""What stands in the code about a rule, beside its words: its record, and what its function and the helpers put into a finding."""

from __future__ import annotations

import ast
import functools
import inspect
import sys
from typing import Any

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.rules import Rule
from strobewise.rules.base import named

#: Fields of the record that are words for the reader, or the function itself.
WORDS = frozenset(("id", "title", "looks_for", "causes", "next_step", "source", "caution", "picture", "decide"))
FLAGS = (
    "derails", "seen_astray", "explains_its_lines", "relabels", "stands_by_itself", "lasting", "softens", "names_channels", "praises",
)  # fmt: skip
LISTED = frozenset((
    "severity", "needs", "judges", "suspects", "host", "explains", "speaks_for", "undecided", "answered_by", "sort", *FLAGS
))  # fmt: skip


def lines_in_short(lines: tuple[str, ...]) -> str:
    """Return lines with one word for all of the address bus and one for all of the data bus."""
    text = " ".join(lines)
    return text.replace(" ".join(ADDRESS), "A0-A15").replace(" ".join(DATA), "D0-D7")


def shares_in_short(shares: Any) -> str:
    return ", ".join(f"{name} {share:g}" for name, share in shares)


def facts_of(rule: Rule) -> dict[str, Any]:
    """Return a rule's facts as rule_table.toml writes them; what is empty or untrue is left out."""
    said = said_by(rule.decide)
    facts = {
        "severity": rule.severity,
        "also_severity": sorted(said["severity"]),
        "confidence": sorted(said["confidence"]),
        "suspects": shares_in_short(rule.suspects),
        "also_suspects": sorted(shares_in_short(shares) for shares in said["suspects"]),
        "needs": [lines_in_short(lines) for lines in rule.needs],
        "judges": lines_in_short(rule.judges),
        "host": rule.host or "",
        "sort": rule.sort,
        "explains": sorted(named(rule.explains)),
        "speaks_for": [f"{name}: {scope}" for name, scope in sorted(rule.speaks_for.items())],
        "answered_by": sorted(rule.answers()),
        "undecided": rule.undecided,
        "flags": [name for name in FLAGS if getattr(rule, name)],
    }
    return {name: value for name, value in facts.items() if value}


def said_by(decide: Any) -> dict[str, set[Any]]:
    """Return the constants that a rule's function, and the functions of its file that it uses, give as these fields of a finding."""
    module = sys.modules[decide.__module__]
    said: dict[str, set[Any]] = {"severity": set(), "confidence": set(), "suspects": set()}
    seen: set[str] = set()
    waiting = [decide.__name__]
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        for node in ast.walk(_functions(module.__name__)[name]):
            if isinstance(node, ast.Name) and node.id in _functions(module.__name__):
                waiting.append(node.id)
            for field, value in _fields(node):
                if field in said:
                    said[field].update(_constants(value, field, module))
    return said


@functools.cache
def _functions(module: str) -> dict[str, ast.FunctionDef]:
    tree = ast.parse(inspect.getsource(sys.modules[module]))
    functions = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    for node in functions.values():
        node.decorator_list = []  # the record, which is read from the rule itself
    return functions


def _fields(node: ast.AST) -> list[tuple[str, ast.expr]]:
    """Return what is given by name in a call, or put in a variable of that name."""
    if isinstance(node, ast.keyword) and node.arg is not None:
        return [(node.arg, node.value)]
    if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
        return [(node.targets[0].id, node.value)]
    if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
        return [(node.target.id, node.value)]
    return []


def _constants(value: ast.expr, field: str, module: Any) -> list[Any]:
    """Return what an expression may come to, as far as constants say it: each branch of "if" and "or" counts."""
    if isinstance(value, ast.IfExp):
        return [*_constants(value.body, field, module), *_constants(value.orelse, field, module)]
    if isinstance(value, ast.BoolOp):
        return [each for part in value.values for each in _constants(part, field, module)]
    try:
        found = eval(compile(ast.Expression(value), "", "eval"), {"__builtins__": {}}, dict(vars(module)))
    except (NameError, AttributeError, TypeError, IndexError, KeyError):
        return []  # made as the rule runs
    right = {"severity": str, "confidence": float, "suspects": tuple}[field]
    return [found] if isinstance(found, right) and found else []
