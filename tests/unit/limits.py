"""Limits of the rules, and of the time base: each is a row with a value just on it and one just off it, and what is made of the two.

The values are written as numbers, not taken from the rules, so that a row fails when its constant moves by one step.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from hand_made import evidence_of, of_memory

from conftest import ROOT
from strobewise.bus.lines import ADDRESS, DATA
from strobewise.records.evidence import LineEvidence, Span
from strobewise.records.memory import Levels
from strobewise.rules import Found, find_rule
from strobewise.rules.grades import STRONG

ENGINE = ROOT / "decoders" / "strobewise"
TABLES = ("__init__", "grades", "blame", "work", "picture")  #: files whose numbers are tables, each tested by itself
#: Files whose constants are limits of rules, by what the rows call them: each of rules/, and what strobes share with others.
FILES = {path.stem: path for path in sorted((ENGINE / "rules").glob("*.py")) if path.stem not in TABLES}
FILES["records"] = ENGINE / "records" / "strobes.py"
FILES.update({name: ENGINE / "bus" / f"{name}.py" for name in ("calibration", "estimates", "in_step")})
#: How much of a capture is looked at, not what is made of it.
NO_LIMITS = ("calibration.WARM_UP_EVENTS", "calibration.CLOCK_EDGES_WANTED", "calibration.PULSES_WANTED")
MANY = 200  #: a whole number from here on moves by a share, as one that is not whole does
STEP = 0.05
HZ = 3.5e6  #: the clock of the evidence that is made by hand
BUS = evidence_of().captured | {*ADDRESS, *DATA}


class Limit(NamedTuple):
    """One limit: the constant that it is, what is made of a value, a value on it and one off it, and what is made of these."""

    constant: str  #: "file.NAME", or "file.NAME[place]"
    judge: Callable[[Any], Any]
    on: Any
    off: Any
    told: Any = True
    else_: Any = False

    def holds(self) -> bool:
        """Say whether both values are judged as they should be; whatever a judgement raises, it does not hold."""
        try:
            return bool(self.judge(self.on) == self.told and self.judge(self.off) == self.else_)
        except (ArithmeticError, LookupError, TypeError, ValueError):
            return False


def found(rule: str, evidence: Any) -> list[Found]:
    """Return what a rule finds, whatever others say of the same."""
    record = find_rule(rule)
    assert record is not None, rule
    return list(record.decide(evidence))


def fires(rule: str, make: Callable[[Any], Any]) -> Callable[[Any], bool]:
    """Return a judge: whether the rule finds anything in the evidence that `make` makes of a value."""
    return lambda value: bool(found(rule, make(value)))


def severity(rule: str, make: Callable[[Any], Any]) -> Callable[[Any], str | None]:
    """Return a judge: the severity that the rule gives it, None for the rule's own."""
    return lambda value: found(rule, make(value))[0].severity


def strong(rule: str, make: Callable[[Any], Any]) -> Callable[[Any], bool]:
    """Return a judge: whether the rule is STRONG, or surer."""
    return lambda value: (found(rule, make(value))[0].confidence or 0.0) >= STRONG


def says(rule: str, words: str, make: Callable[[Any], Any]) -> Callable[[Any], bool]:
    """Return a judge: whether the rule's sentence has these words."""
    return lambda value: any(words in each.evidence for each in found(rule, make(value)))


def held(line: str, start: float, end: float, edges: int = 1, assertions: int = 1, last: bool | None = None, **changes: Any) -> Any:
    """Return evidence of a line that is active from start to end, seconds."""
    evidence = evidence_of(**changes)
    evidence.lines[line] = LineEvidence(
        line, edges=edges, high_fraction=0.5, asserted_last=end >= evidence.end_s if last is None else last, asserted_s=end - start,
        longest=Span(start, end), assertions=assertions,
    )  # fmt: skip
    return evidence


def memory(pages: Any = (), addresses: int = 64, **changes: Any) -> Any:
    """Return evidence of a full bus with a record of memory, with changes to that record."""
    record = of_memory(pages, **{"reads_ram": Levels(), **changes})
    record.fetched[:addresses] = True
    record.fetched[addresses:] = False
    return evidence_of(memory=record, captured=BUS)


def constants() -> Iterator[tuple[str, str, Any]]:
    """Yield (file, name, place or None) of each number that something is held against."""
    for file, path in FILES.items():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target if isinstance(node, ast.AnnAssign) else None
            if target is None or node.value is None:
                continue
            several = isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
            for each, value in zip(target.elts, node.value.elts, strict=True) if several else ((target, node.value),):
                if f"{file}.{ast.unparse(each)}" not in NO_LIMITS:
                    yield from ((file, ast.unparse(each), place) for place in _places(value))


def _places(value: ast.expr) -> list[Any]:
    if isinstance(value, ast.Dict) and value.values and all(map(_number, value.values)):
        return [ast.literal_eval(key) for key in value.keys if key is not None]
    if isinstance(value, ast.Tuple) and value.elts and all(map(_number, value.elts)):
        return list(range(len(value.elts)))
    return [None] if _number(value) or (isinstance(value, ast.BinOp) and _number(value.right)) else []


def _number(node: ast.expr) -> bool:
    node = node.operand if isinstance(node, ast.UnaryOp) else node
    return isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool)


def moved(value: Any, up: bool) -> Any:
    """Return a number one step further on."""
    if isinstance(value, int) and value < MANY:
        return value + (1 if up else -1)
    return value * (1 + STEP if up else 1 - STEP)
