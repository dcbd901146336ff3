"""What goes into the program flow and what comes out: machine cycles as columns, steps of the program, and the operations to match.

Sources: UM0080 for the machine cycles of the operations (opcodes.py) and for where each may lead.
"""

from __future__ import annotations

from typing import Dict, FrozenSet, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.model import KIND_INDEX
from ..cpu.disassembly import find_operation
from ..cpu.opcodes import PREFIXES, Operation, operation_of

FETCH, READ, WRITE, ACCESS, IO_READ, IO_WRITE, ACK, GRANTED, UNKNOWN = range(len(KIND_INDEX))
RESET = 0xF0  #: stands among the kinds of a row for a stretch of /RESET low
GAP = 0xF1  #: and this for a stretch in which the capture shows no cycle although the CPU must have run
NOT_KNOWN = -1  #: no address, no byte and no length
STARTS = frozenset((FETCH, ACK, RESET, GAP))
#: What a row of a vaguer kind may have been.
MAY_BE = {ACCESS: (READ, WRITE), UNKNOWN: (IO_READ, IO_WRITE, ACK)}

INSTRUCTION, INTERRUPT, NMI, HALTED, GRANT, IN_RESET, LOST, MISFIT = (
    "instruction", "interrupt", "nmi", "halt", "bus_granted", "reset", "gap", "misfit",
)  # fmt: skip


class Rows(NamedTuple):
    """Machine cycles as columns of one length; a number that is not known is -1. Ticks are those of the capture."""

    kind: bytes  #: index into bus.model.KINDS, or RESET or GAP
    start: List[int]
    end: List[int]
    t_states: List[int]
    wait_states: List[int]
    address: List[int]
    data: List[int]
    note: List[int]  #: index into bus.model.NOTES

    def tail(self, at: int) -> Rows:
        """Return the rows from one on."""
        return Rows(*(column[at:] for column in self))  # type: ignore[arg-type]

    def joined(self, other: Rows) -> Rows:
        """Return these rows and others behind them."""
        return Rows(*(first + second for first, second in zip(self, other)))  # type: ignore[operator]


EMPTY = Rows(b"", [], [], [], [], [], [], [])


class Step(NamedTuple):
    """One thing that the CPU did. What is not known is None."""

    what: str  #: instruction, interrupt, nmi, halt, bus_granted, reset, gap, or misfit: cycles that fit no instruction
    start: int  #: ticks
    end: int
    address: Optional[int]
    data: bytes  #: bytes of the instruction, as far as they are known
    operation: Optional[Operation]
    t_states: Optional[int]  #: measured, wait states apart
    expected: Optional[int]  #: T-states that the manual gives, wait states apart
    wait_states: int
    note: str


class Entry(NamedTuple):
    """An operation ready to be compared with rows."""

    operation: Operation
    length: int
    #: (kinds, T-states, number of rows), the longer course first
    courses: Tuple[Tuple[bytes, int, int], ...]
    effects: FrozenSet[str]  #: those of the operation, worked out once
    jumps: bool


def _entry(operation: Operation) -> Entry:
    courses = [
        (bytes(KIND_INDEX[kind] for kind, _ in cycles), sum(t for _, t in cycles), len(cycles)) for cycles in operation.variants
    ]
    effects = operation.effects
    return Entry(operation, operation.length, tuple(reversed(courses)), effects, "jump" in effects)


class _ByFirstByte(Dict[int, Optional[Entry]]):
    """Entries by their first byte, made when first met; None for a prefix, and for a byte that is not known (-1)."""

    def __missing__(self, code: int) -> Optional[Entry]:
        found = self[code] = None if code < 0 or code in PREFIXES else _entry(operation_of(b"", code))
        return found


class Entries:
    """Operations by their first bytes, made when they are first met."""

    def __init__(self) -> None:
        self._known: Dict[bytes, Entry] = {}
        self.first = _ByFirstByte()

    def prefixed(self, data: Sequence[int]) -> Optional[Entry]:
        """Return the entry of an instruction with a prefix, None when a byte that decides is missing or not known."""
        length = 4 if data[0] in (0xDD, 0xFD) and data[1:2] == [0xCB] else 2
        head = data[:length]
        if len(head) < length or min(head) < 0:
            return None
        key = bytes((head[0], head[1], 0, head[3]) if length == 4 else head)
        found = self._known.get(key)
        if found is None:
            operation = find_operation(key)
            assert operation is not None
            found = self._known[key] = _entry(operation)
        return found


_ENTRIES: Optional[Entries] = None


def entries() -> Entries:
    global _ENTRIES  # noqa: PLW0603 - built once, when first needed
    if _ENTRIES is None:
        _ENTRIES = Entries()
    return _ENTRIES


def successors(operation: Operation, address: int, data: bytes, popped: Optional[int]) -> Tuple[int, ...]:
    """Return the addresses at which the program may go on after an instruction, the one behind it first; empty: anywhere.

    popped: the word that a return took from the stack, None when it is not known or there was none.
    """
    behind = address + len(data) & 0xFFFF
    if "jump" not in operation.effects:
        return (behind,)
    name = operation.text.split(" ")[0]
    conditional = len(operation.variants) > 1 or "c" in operation.fields
    if name in ("JP", "CALL") and "{nn}" in operation.text:
        target = data[-2] | data[-1] << 8
    elif name in ("JR", "DJNZ"):
        target = behind + (data[-1] ^ 0x80) - 0x80 & 0xFFFF
    elif name == "RST":
        target = operation.opcode & 0x38
    elif name in ("RET", "RETI", "RETN"):
        if popped is None:
            return (behind,) if conditional else ()
        return (popped,)
    elif name == "JP":
        return ()
    else:
        return behind, address  # a block instruction repeats itself
    return (behind, target) if conditional else (target,)
