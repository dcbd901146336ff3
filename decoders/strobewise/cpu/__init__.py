"""The Z80: its opcodes, a disassembler and a model that runs as a sequence of machine cycles."""

from __future__ import annotations

from .disassembly import Instruction, InstructionDecoder, disassemble, expected_cycles, find_operation
from .model import Z80, Bus
from .opcodes import RESPONSES, Operation, operations

__all__ = [
    "RESPONSES",
    "Z80",
    "Bus",
    "Instruction",
    "InstructionDecoder",
    "Operation",
    "disassemble",
    "expected_cycles",
    "find_operation",
    "operations",
]
