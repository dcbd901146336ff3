"""Bytes to instructions: mnemonics, lengths and the machine cycles to expect.

Text form: mnemonics and operands as in the manual, upper case; numbers as 0x and lower-case hexadecimal (0x3e,
0x0038), index displacements signed ((IX+0x05), (IX-0x02)), relative jumps with the address they lead to.
Undocumented forms: SLL; IXH, IXL, IYH, IYL; IN F,(C); OUT (C),0; `RLC (IX+0x05),B` keeps its result in B too. Bytes
without a mnemonic are DEFB: an undefined opcode after ED, or a DD or FD that the next prefix makes useless (it is an
instruction of one byte). A DD or FD before an opcode without HL, H or L belongs to the instruction, adds 4 T-states
and does not show in the text.

Source: Zilog Z80 CPU User Manual (UM0080), instruction descriptions; undocumented names: common practice.
"""

from __future__ import annotations

from typing import Callable, NamedTuple

from .opcodes import PREFIXES, Cycles, Operation, operation_of

#: A prefix that the next prefix makes useless.
_USELESS = {
    code: Operation(b"", code, "NOP", {}, "DEFB 0x%02x" % code, 1, 0, ((("opcode_fetch", 4),),), False, True)
    for code in (0xDD, 0xFD)
}


class Instruction(NamedTuple):
    """One instruction in its place."""

    address: int
    data: bytes  #: its bytes, prefixes and operands included
    text: str  #: mnemonic with operands
    operation: Operation  #: the facts of its opcode: variants of machine cycles, T-states, effects, ...


def find_operation(data: bytes) -> Operation | None:
    """Return the operation that begins with these bytes, or None while they are only prefixes.

    The operands need not be there; bytes beyond the instruction are ignored. When another prefix (not CB) follows a DD
    or FD, the operation is that first byte alone.
    """
    if not data:
        return None
    first = data[0]
    if first not in PREFIXES:
        return operation_of(b"", first)
    if len(data) < 2:
        return None
    second = data[1]
    if first in _USELESS and second in PREFIXES:
        if second != 0xCB:
            return _USELESS[first]
        return operation_of(data[:2], data[3]) if len(data) > 3 else None
    return operation_of(data[:1], second)


def expected_cycles(data: bytes) -> tuple[Cycles, ...]:
    """Return the machine cycles to expect of the instruction that begins with these bytes.

    One tuple of (kind, T-states) for each course it may take: one, or two for a conditional instruction (condition not
    met, met). Empty while the bytes are only prefixes. Internal T-states count to the cycle before them.
    """
    operation = find_operation(data)
    return operation.variants if operation else ()


def _signed(byte: int) -> int:
    return (byte ^ 0x80) - 0x80


def _displacement(byte: int) -> str:
    value = _signed(byte)
    return "%s0x%02x" % ("-" if value < 0 else "+", abs(value))


def render(operation: Operation, data: bytes, address: int) -> str:
    """Return the mnemonic with its operands; data holds the whole instruction, address is where it stands."""
    text = operation.text
    if "{" not in text:
        return text
    if "{d}" in text:
        text = text.replace("{d}", _displacement(data[2]))
    if "{nn}" in text:
        return text.replace("{nn}", "0x%04x" % (data[-2] | data[-1] << 8))
    if "{n}" in text:
        return text.replace("{n}", "0x%02x" % data[-1])
    return text.replace("{e}", "0x%04x" % (address + len(data) + _signed(data[-1]) & 0xFFFF))


def disassemble(read: Callable[[int], int], address: int) -> Instruction:
    """Return the instruction at an address; `read` gives the byte at an address (0..0xFFFF, wrapping round)."""
    decoder = InstructionDecoder()
    instruction = None
    at = address
    while instruction is None:
        instruction = decoder.feed(read(at & 0xFFFF), at & 0xFFFF)
        at += 1
    return instruction


class InstructionDecoder:
    """Collects the bytes of a running program, one by one, into instructions.

    Feed each opcode byte and operand byte in the order of the bus. Between two calls `operation` (None while only
    prefixes are in) tells which machine cycles are still to come, and `awaited_kind` how the next byte will be read.
    After a complete instruction the data cycles `operation.data_cycles` follow; they are not fed.
    """

    __slots__ = ("address", "data", "operation")

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Forget what is collected: the next byte is an opcode fetch."""
        self.data = b""
        self.address = 0
        self.operation: Operation | None = None

    @property
    def awaited_kind(self) -> str:
        """Kind of the machine cycle in which the next byte comes: opcode_fetch or memory_read."""
        if self.operation is not None:
            return "memory_read" if len(self.data) < self.operation.length else "opcode_fetch"
        return "memory_read" if self.data[1:2] == b"\xcb" else "opcode_fetch"

    def feed(self, byte: int, address: int = 0) -> Instruction | None:
        """Take the next byte (address: where it was read) and return the instruction that it completes, or None.

        A prefix that follows a useless DD or FD completes that one, and is kept as the begin of the next.
        """
        if self.operation is not None and len(self.data) >= self.operation.length:
            rest = self.data[self.operation.length :]
            self.address = self.address + self.operation.length & 0xFFFF
            self.data, self.operation = rest, None
        if not self.data:
            self.address = address
        self.data += bytes((byte,))
        operation = self.operation
        if operation is None:
            operation = self.operation = find_operation(self.data)
        if operation is None or len(self.data) < operation.length:
            return None
        data = self.data[: operation.length]
        return Instruction(self.address, data, render(operation, data, self.address), operation)
