"""Values of which some bits are not known, and the CPU's instructions over them.

At power-on nobody knows what RAM and most registers hold. A byte is therefore a whole number where all of it is known (so that the
ordinary case costs nothing) and an `Unknown` where it is not: known bits, and a mask of those that are not. The arithmetic is that of
"known bits" as compilers use it: sound, never exact beyond single bits. An `Unknown` is one value, though nobody knows which: the same
object twice cancels (`XOR A`).

Where the program branches on an unknown value somebody has to choose: `Unknown.choose` is called, see course.py.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Sequence
from typing import Any, ClassVar, Union

from ..cpu.dependences import shows_on_the_bus
from ..cpu.generator import TABLES, Action, Arithmetic, actions_after, source
from ..cpu.model import Z80
from ..cpu.opcodes import Operation

FULL = (1 << 20) - 1  #: arithmetic is modulo 2 ** 20: wide enough for 17-bit sums and their signs
Value = Union[int, "Unknown"]


class Lost(Exception):
    """The machine's further course hangs on a value that nobody knows: an address to go on at, or an opcode."""


def _no_choice(value: Unknown) -> bool:
    raise Lost


class Unknown:
    """A value with unknown bits. Immutable; the unknown bits of `value` are 0."""

    __slots__ = ("mask", "value")
    choose: ClassVar[Callable[[Unknown], bool]] = staticmethod(_no_choice)

    def __init__(self, value: int, mask: int) -> None:
        self.value = value & ~mask
        self.mask = mask

    def __repr__(self) -> str:
        return f"Unknown({self.value:#x}, {self.mask:#x})"

    def __hash__(self) -> int:
        return 1 << 60 | id(self)  # never that of a small number: looked up in a table it must not be compared with the keys

    def __bool__(self) -> bool:
        return bool(self.value) or Unknown.choose(self)

    def __index__(self) -> int:
        raise Lost

    def __eq__(self, other: object) -> Any:
        if self is other:
            return True
        if not isinstance(other, (int, Unknown)):
            return NotImplemented
        value, mask = _parts(other)
        return False if (self.value ^ value) & ~(self.mask | mask) & FULL else Unknown(0, 1)

    def __gt__(self, other: int) -> Union[bool, Unknown]:
        if self.value > other:
            return True
        return Unknown(0, 1) if self.value + self.mask > other else False

    def __and__(self, other: Value) -> Value:
        if self is other:
            return self
        value, mask = _parts(other)
        return known(self.value & value, (self.mask | self.value) & (mask | value) & ~(self.value & value))

    def __or__(self, other: Value) -> Value:
        if self is other:
            return self
        value, mask = _parts(other)
        ones = self.value | value
        return known(ones, (self.mask | mask) & ~ones)

    def __xor__(self, other: Value) -> Value:
        if self is other:
            return 0
        value, mask = _parts(other)
        return known(self.value ^ value, self.mask | mask)

    def __add__(self, other: Value) -> Value:
        value, mask = _parts(other)
        low, high = self.value + value, self.value + self.mask + value + mask
        return known(low & FULL, (low ^ high | self.mask | mask) & FULL)

    def __sub__(self, other: Value) -> Value:
        if self is other:
            return 0
        value, mask = _parts(other)
        difference = self.value - value
        changed = (difference + self.mask) ^ (difference - mask)
        return known(difference & FULL, (changed | self.mask | mask) & FULL)

    def __rsub__(self, other: int) -> Value:
        difference = other - self.value
        return known(difference & FULL, (difference ^ (difference - self.mask) | self.mask) & FULL)

    def __neg__(self) -> Value:
        return self.__rsub__(0)

    def __lshift__(self, places: int) -> Value:
        return known(self.value << places & FULL, self.mask << places & FULL)

    def __rshift__(self, places: int) -> Value:
        return known(self.value >> places, self.mask >> places)

    __rand__, __ror__, __rxor__, __radd__ = __and__, __or__, __xor__, __add__


def _parts(value: Value) -> tuple[int, int]:
    if isinstance(value, Unknown):
        return value.value, value.mask
    return value & FULL, 0


def known(value: int, mask: int) -> Value:
    """Return a whole number where no bit is unknown, else an Unknown."""
    return Unknown(value, mask) if mask else value


def select(condition: Value, one: Value, other: Value) -> Value:
    """Return one of two values; where the condition is not known, what they have in common."""
    if isinstance(condition, Unknown) and not condition.value:
        value, mask = _parts(one)
        second, second_mask = _parts(other)
        return known(value, mask | second_mask | (value ^ second) & FULL)
    return one if condition else other


class Table(dict[Value, int]):
    """A table of the CPU's flags that can be asked with unknown bits as well; whole numbers find their entry without detour."""

    def __init__(self, entries: Sequence[int]) -> None:
        super().__init__(enumerate(entries))
        self._size = len(entries)
        self._answers: dict[tuple[int, int], tuple[int, int]] = {}

    def __missing__(self, key: Value) -> Value:
        if not isinstance(key, Unknown):
            whole: int = self[key & self._size - 1]
            return whole
        value, mask = key.value & self._size - 1, key.mask & self._size - 1
        answer = self._answers.get((value, mask))
        if answer is None:
            answer = self._answers[value, mask] = self._common(value, mask)
        return known(*answer)

    def _common(self, value: int, mask: int) -> tuple[int, int]:
        """Return the bits that all entries under the mask share, and those in which they differ."""
        ones, zeros = FULL, FULL
        part = mask
        while True:
            entry = self[value | part]
            ones &= entry
            zeros &= ~entry
            if not part:
                return ones & FULL, ~(ones | zeros) & FULL
            part = part - 1 & mask


class _Soften(ast.NodeTransformer):
    """Makes choices that the bus does not show give values with unknown bits, where they would have to be guessed otherwise."""

    def visit_IfExp(self, node: ast.IfExp) -> ast.AST:
        self.generic_visit(node)
        return _call("select", node.test, node.body, node.orelse)

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        self.generic_visit(node)
        first, second = node.values
        both = (first, first, second) if isinstance(node.op, ast.Or) else (first, second, first)
        return _call("select", *both)

    def visit_If(self, node: ast.If) -> Union[ast.AST, list[ast.stmt]]:
        if shows_on_the_bus(node):
            test = node.test
            self.generic_visit(node)
            node.test = test  # its own `and` and `or` are choices all the same
            return node
        self.generic_visit(node)
        inner = [name for line in (*node.body, *node.orelse) for name in ast.walk(line) if isinstance(name, ast.Name)]
        names = sorted({name.id for name in inner if isinstance(name.ctx, ast.Store)})
        byte = _call("Unknown", ast.Constant(0), ast.Constant(0xFF))
        blur: list[ast.stmt] = [ast.Assign([ast.Name(name, ast.Store())], byte) for name in names]
        tested = ast.Name("test", ast.Load())
        return [
            ast.Assign([ast.Name("test", ast.Store())], node.test),
            ast.If(_call("unclear", tested), blur, [ast.If(tested, node.body, node.orelse)]),
        ]


def _call(name: str, *arguments: ast.expr) -> ast.Call:
    return ast.Call(ast.Name(name, ast.Load()), list(arguments), [])


def _unclear(value: Value) -> bool:
    return isinstance(value, Unknown) and not value.value


_NAMES: dict[str, Any] = {name: Table(entry) if isinstance(entry, list) else entry for name, entry in TABLES.items()}
_NAMES.update(Unknown=Unknown, select=select, unclear=_unclear)


def _make(operation: Operation) -> Action:
    """Make the function of one operation over values with unknown bits."""
    tree = ast.fix_missing_locations(_Soften().visit(ast.parse(source(operation))))
    names = dict(_NAMES)
    exec(compile(tree, f"<{operation.text}>", "exec"), names)
    action: Action = names["action"]
    return action


_NEXT_R = Table([r & 0x80 | r + 1 & 0x7F for r in range(256)])
_ACTIONS = actions_after(b"", Arithmetic(_make, _NEXT_R))


class UncertainCpu(Z80):
    """The CPU over values with unknown bits; after reset everything is unknown but what reset sets (UM0080: PC, I, R, IFF and IM)."""

    __slots__ = ()
    actions = _ACTIONS
    next_r = _NEXT_R

    def forget(self) -> None:
        """Take the registers that reset does not set for unknown."""
        for name in ("a", "f", "b", "c", "d", "e", "h", "l", "a_", "f_", "b_", "c_", "d_", "e_", "h_", "l_"):
            setattr(self, name, Unknown(0, 0xFF))
        for name in ("ix", "iy", "sp"):
            setattr(self, name, Unknown(0, 0xFFFF))

    def forget_all(self) -> None:
        """Take everything but PC for unknown: a machine that was met in the middle of its work."""
        self.forget()
        self.i, self.r, self.wz, self.q = (Unknown(0, mask) for mask in (0xFF, 0xFF, 0xFFFF, 0xFF))  # type: ignore[assignment]
        self.iff1 = self.iff2 = Unknown(0, 1)  # type: ignore[assignment]
        self.im = Unknown(0, 3)  # type: ignore[assignment]
