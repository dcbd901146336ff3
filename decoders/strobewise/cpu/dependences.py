"""Which registers decide what an instruction shows and leaves behind: found by reading the functions that run it.

The model's functions (generator.py) are straight lines of Python over the registers. Following each value through them gives, for every
operation, the registers that its addresses and written bytes stem from, and those that each register's new content stems from. Whoever
knows only some of the registers can then say what is certain. What comes from the bus is certain, and so is PC.

A register pair counts as two registers where the CPU has halves of it (BC, DE, HL, IX, IY), else as one.
"""

from __future__ import annotations

import ast
from typing import Dict, List, NamedTuple, Optional, Tuple

from .disassembly import find_operation
from .generator import source
from .opcodes import Operation

#: Registers in the order of their bits. "cmos" stands for the make of the CPU, which nobody tells.
REGISTERS = (
    "a", "f", "b", "c", "d", "e", "h", "l", "a_", "f_", "b_", "c_", "d_", "e_", "h_", "l_", "ixh", "ixl", "iyh", "iyl",
    "sp", "i", "r", "wz", "q", "iff1", "iff2", "im", "cmos",
)  # fmt: skip
MASK = {name: 1 << bit for bit, name in enumerate(REGISTERS)}
MASK["ix"], MASK["iy"] = MASK["ixh"] | MASK["ixl"], MASK["iyh"] | MASK["iyl"]
ALL = (1 << len(REGISTERS)) - 1
_LEFT_OUT = ("pc", "halted", "hold")  #: PC is seen on the bus, the others are no content
_TRANSFERS = ("read", "write", "io_read", "io_write")
#: Instructions whose result does not depend on the register that they name twice.
_CANCELS = {"XOR A": "a", "SUB A": "a", "SBC A,A": "a"}


class Transfer(NamedTuple):
    """One data cycle of an operation, by the registers that it stems from."""

    address: int  #: mask of registers
    value: int  #: mask of registers, 0 for a read


class Dependences(NamedTuple):
    """What an operation depends on. Masks are of MASK."""

    operation: Operation
    transfers: Tuple[Transfer, ...]  #: data cycles behind the instruction's own bytes
    #: (registers written, registers that their new content stems from), one for each set of sources
    results: Tuple[Tuple[int, int], ...]
    condition: int  #: registers that decide which way the program goes, 0 for an instruction without a choice
    target: int  #: registers that hold the address at which it goes on
    touched: int  #: all registers that it reads or writes
    copies: bool  #: it writes registers as they are: what it wrote tells their content

    def after(self, unknown: int) -> int:
        """Return the registers that are unknown after the operation, from those before."""
        result = unknown
        for written, sources in self.results:
            if unknown & sources:
                result |= written
            else:
                result &= ~written
        return result


class _Reader(ast.NodeVisitor):
    """Follows values through the lines of one function."""

    def __init__(self, cancels: Optional[str]) -> None:
        self.names: Dict[str, int] = {}
        self.registers: Dict[str, int] = {name: MASK[name] for name in REGISTERS}
        self.transfers: List[Transfer] = []
        self.condition = self.target = 0
        self.read = 0
        self._cancels = MASK[cancels] if cancels else 0
        self._under = 0  #: what the conditions around the present line stem from

    # --- values ---

    def value(self, node: ast.AST) -> int:
        """Return what an expression stems from, noting the bus cycles in it."""
        if isinstance(node, ast.Name):
            return self.names.get(node.id, 0)
        if isinstance(node, ast.Attribute):
            return self._register(node.attr)
        if isinstance(node, ast.Call):
            return self._call(node)
        found = 0
        for child in ast.iter_child_nodes(node):
            found |= self.value(child)
        return found

    def _register(self, name: str) -> int:
        if name in _LEFT_OUT:
            return 0
        parts = [part for part in REGISTERS if MASK[name] & MASK[part]]
        found = 0
        for part in parts:
            self.read |= MASK[part]
            found |= self.registers[part]
        return found & ~self._cancels

    def _call(self, node: ast.Call) -> int:
        assert isinstance(node.func, ast.Attribute)
        arguments = [self.value(argument) for argument in node.args]
        if node.func.attr in _TRANSFERS:
            self.transfers.append(Transfer(arguments[0], arguments[1] if len(arguments) > 1 else 0))
        return 0

    # --- lines ---

    def visit_Assign(self, node: ast.Assign) -> None:
        first = node.targets[0]
        if isinstance(first, ast.Tuple) and isinstance(node.value, ast.Tuple):
            values = [self.value(item) for item in node.value.elts]
            for target, found in zip(first.elts, values):
                self._set(target, found | self._under)
            return
        found = self.value(node.value)
        for target in node.targets:
            self._set(target, found | self._under)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._set(node.target, self.value(node.target) | self.value(node.value) | self._under)

    def visit_Expr(self, node: ast.Expr) -> None:
        self.value(node.value)

    def visit_If(self, node: ast.If) -> None:
        deciding = self.value(node.test)
        before, names = dict(self.registers), dict(self.names)
        outer = self._under
        if shows_on_the_bus(node):
            self.condition |= deciding  # the bus shows which way it went, so that what follows is certain all the same
        else:
            self._under |= deciding
        for line in node.body:
            self.visit(line)
        taken, taken_names = self.registers, self.names
        self.registers, self.names = before, names
        for line in node.orelse:
            self.visit(line)
        self._under = outer
        self.registers = {name: mask | taken[name] for name, mask in self.registers.items()}
        self.names = {name: self.names.get(name, 0) | taken_names.get(name, 0) for name in [*self.names, *taken_names]}

    def _set(self, target: ast.AST, found: int) -> None:
        if isinstance(target, ast.Name):
            self.names[target.id] = found
        elif isinstance(target, ast.Attribute) and target.attr == "pc":
            self.target |= found
        elif isinstance(target, ast.Attribute) and target.attr not in _LEFT_OUT:
            for part in REGISTERS:
                if MASK[target.attr] & MASK[part]:
                    self.registers[part] = found


def shows_on_the_bus(node: ast.If) -> bool:
    """Say whether the bus shows if a branch was taken: it uses the bus itself, or moves PC."""
    for line in node.body:
        for inner in ast.walk(line):
            if isinstance(inner, ast.Attribute) and (inner.attr in _TRANSFERS or inner.attr == "internal"):
                return True
            if isinstance(inner, ast.Attribute) and inner.attr == "pc" and isinstance(inner.ctx, ast.Store):
                return True
    return False


def find_dependences(operation: Operation) -> Dependences:
    """Return what an operation depends on."""
    reader = _Reader(_CANCELS.get(operation.text))
    if len(operation.prefix) == 2:  # displacement and address are worked out before the function runs
        index = MASK["ix"] if operation.prefix[0] == 0xDD else MASK["iy"]
        reader.names["address"] = reader.registers["wz"] = index
        reader.read |= index
    function = ast.parse(source(operation)).body[0]
    assert isinstance(function, ast.FunctionDef)
    for line in function.body:
        reader.visit(line)
    by_sources: Dict[int, int] = {}
    written = 0
    for name, sources in reader.registers.items():
        if sources != MASK[name]:
            by_sources[sources] = by_sources.get(sources, 0) | MASK[name]
            written |= MASK[name]
    operands = operation.length - len(operation.prefix) - 1 if len(operation.prefix) < 2 else 0
    transfers = tuple(reader.transfers[operands:])
    copies = operation.text.startswith(("PUSH", "LD (", "OUT", "EX (SP)"))
    results = tuple((mask, sources) for sources, mask in by_sources.items())
    touched = reader.read | written
    return Dependences(operation, transfers, results, reader.condition, reader.target, touched, copies)


_found: Dict[bytes, Dependences] = {}


def dependences_of(data: bytes) -> Dependences:
    """Return the dependences of the instruction whose opcode bytes these are (with DD CB and FD CB: all four), from a memory.

    Raises KeyError for bytes that are no opcode, a lone prefix for one.
    """
    known = _found.get(data)
    if known is None:
        operation = find_operation(data)
        if operation is None:
            raise KeyError(data)
        known = _found[data] = find_dependences(operation)
    return known
