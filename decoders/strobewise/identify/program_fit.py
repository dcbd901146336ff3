"""Does a capture's bus make sense as a program? The witness for the order of address and data lines.

Every instruction says how many operand bytes stand behind it, which data cycles it makes, and where the program may go on. With the leads
in their right order nearly all instructions agree with what follows them on the bus; with two leads exchanged or one inverted many do
not. All instructions of a stretch are judged at once, as arrays.

Source of what an instruction does: :mod:`strobewise.cpu.opcodes` (UM0080, instruction set).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..capture.distinct import distinct
from ..cpu.opcodes import Operation, operation_of

Flags = npt.NDArray[np.bool_]
Int = npt.NDArray[np.int64]

FETCH, READ, WRITE, ACCESS, IO_READ, IO_WRITE, GRANTED = (
    KIND_INDEX[kind]
    for kind in ("opcode_fetch", "memory_read", "memory_write", "memory_access", "io_read", "io_write", "bus_granted")
)
#: Kinds as the digits of a number that tells the data cycles of an instruction; 0 is none.
_DIGIT = {"memory_read": 1, "memory_write": 2, "io_read": 3, "io_write": 4}
_OTHER = 5  #: a cycle that belongs to no instruction: an acknowledge, an unknown one
_BASE = 6  #: one more than the digits 0 to 5 that a cycle of a pattern may have
_LONGEST = 6  #: data cycles of the longest instruction
_NO_PATTERN = -1  #: no such number

#: Where an instruction goes on.
NEXT, JUMP, MAY_JUMP, RELATIVE, MAY_RELATIVE, CALL, RETURN, RESTART, REPEAT, ANYWHERE = range(10)
#: What its data cycles are addressed by.
BY_REGISTER, BY_OPERAND, BY_PORT_OPERAND, BY_STACK = range(4)

_GROUPS = (b"", b"\xcb", b"\xed", b"\xdd", b"\xdd\xcb")
_PLAIN, _CB, _ED, _INDEX, _INDEX_CB = range(5)


def _pattern(kinds: list[str], directed: bool) -> int:
    digits = [_DIGIT[kind] for kind in kinds]
    return sum((1 if digit == 2 and not directed else digit) * _BASE**place for place, digit in enumerate(digits))


def _goes(operation: Operation) -> int:
    name, text = operation.text.split(" ")[0], operation.text
    conditional = len(operation.variants) > 1 or "c" in operation.fields
    if name == "HALT":
        return ANYWHERE
    if name in ("JP", "CALL") and "{nn}" in text:
        return (MAY_JUMP if conditional else JUMP) if name == "JP" else CALL
    if name == "JP":
        return ANYWHERE
    if name in ("JR", "DJNZ"):
        return MAY_RELATIVE if conditional else RELATIVE
    if name == "RST":
        return RESTART
    if name in ("RET", "RETI", "RETN"):
        return RETURN
    return REPEAT if name[-2:] in ("IR", "DR") and name not in ("DR", "IR") else NEXT


def _addressed(operation: Operation, goes: int) -> int:
    effects = operation.effects
    if "push" in effects or "pop" in effects:
        return BY_STACK if operation.template != "EX (SP),HL" else BY_REGISTER
    if "({nn})" in operation.text:
        return BY_OPERAND
    return BY_PORT_OPERAND if "({n})" in operation.text else BY_REGISTER


class _Facts:
    """Facts of the opcodes met so far, arrays of shape (5, 256) by prefix group and opcode."""

    def __init__(self, directed: bool) -> None:
        """directed: reads can be told from writes."""
        shape = (len(_GROUPS), 256)
        self._directed = directed
        self._met = np.zeros(shape, np.bool_)
        self.length = np.ones(shape, np.int8)
        self.pattern = np.full(shape, _NO_PATTERN, np.int32)  #: data cycles behind the last fetch, digits in base 6
        self.pattern_met = np.full(shape, _NO_PATTERN, np.int32)  #: the same with the condition met, -1 where there is none
        self.goes = np.full(shape, NEXT, np.int8)
        self.addressed = np.zeros(shape, np.int8)
        self.restart = np.zeros(shape, np.int16)

    def meet(self, group: Int, opcode: Int) -> None:
        """Enter the opcodes that are new: a program has some dozens, and making all 1,280 costs more than judging a small capture."""
        new = np.zeros(self._met.shape, np.bool_)
        new[group, opcode] = True
        new &= ~self._met
        for place in np.argwhere(new).tolist():
            self._enter(*place)
        self._met |= new

    def _enter(self, group: int, opcode: int) -> None:
        operation = operation_of(_GROUPS[group], opcode)
        if not operation.variants:
            return
        at = group, opcode
        behind = [[kind for kind, _ in cycles if kind != "opcode_fetch"] for cycles in operation.variants]
        self.length[at] = operation.length
        self.pattern[at] = _pattern(behind[0], self._directed)
        if len(behind) > 1:
            self.pattern_met[at] = _pattern(behind[1], self._directed)
        self.goes[at] = goes = _goes(operation)
        self.addressed[at] = _addressed(operation, goes)
        self.restart[at] = opcode & 0x38


_facts = lru_cache(maxsize=None)(_Facts)


@dataclass(frozen=True)
class Fit:
    """What the instructions of a stretch say of the lines; arrays with one entry an instruction that could be judged."""

    row: Int  #: of its first fetch among the cycles
    address: Int  #: where it stands, -1 without an address bus
    good: Flags  #: it agrees with its own cycles and with where the program went on

    @property
    def asked(self) -> int:
        """Instructions that were judged."""
        return len(self.good)

    @property
    def agreed(self) -> int:
        """Instructions that agree."""
        return int(np.count_nonzero(self.good))

    @property
    def share(self) -> float:
        """Share of the instructions that agree; 0 where there were none."""
        return self.agreed / self.asked if self.asked else 0.0

    def speaks_against(self, other: Fit) -> int:
        """Return how many different instructions agree here and no longer under another order, 0 where that one is no worse in all."""
        if other.agreed >= self.agreed:
            return 0
        lost = self.good & ~np.isin(self.row, other.row[other.good])
        if not len(self.address) or self.address[0] < 0:
            return int(np.count_nonzero(lost))
        return len(distinct(self.address[lost]))


class _Parsed(NamedTuple):
    """The instructions that an order of the data lines shows; arrays with one entry each."""

    first: Int  #: its first fetch, as an index into the fetches
    last: Int  #: its last fetch, the same but for a prefix
    group: Int
    opcode: Int
    length: Int
    alone: Flags  #: a prefix that the next one makes useless


class Program:
    """A stretch of machine cycles, ready to be judged under one order of the lines after the other."""

    def __init__(self, kind: Int | npt.NDArray[np.uint8], odd: Flags | None = None) -> None:
        """kind: integers, shape (n,), index into KINDS, without bus grants. odd: cycles that belong to no instruction."""
        self.kind = kind
        digit = np.full(len(KIND_INDEX), _OTHER, np.int64)
        self._directed = not bool(np.any(kind == ACCESS))
        for name, value in _DIGIT.items():
            digit[KIND_INDEX[name]] = value
        if not self._directed:
            digit[WRITE] = digit[ACCESS] = 1
        self._fetch = np.flatnonzero(kind == FETCH)
        self._fetch = self._fetch[self._fetch < len(kind) - _LONGEST - 2]
        after = np.r_[self._fetch[1:], len(kind)][: len(self._fetch)]
        self._count = after - self._fetch - 1  # cycles between this fetch and the next
        pattern = np.zeros(len(self._fetch), np.int64)
        for place in range(_LONGEST):
            inside = place < self._count
            pattern[inside] += digit[kind[self._fetch[inside] + 1 + place]] * _BASE**place
        pattern[self._count > _LONGEST] = _NO_PATTERN - 1
        other = digit[kind] == _OTHER
        other[self._fetch] = False
        spoilt = other if odd is None else other | odd
        upto = np.r_[0, np.cumsum(spoilt)]
        self._spoilt = upto[np.minimum(after + 1, len(kind))] - upto[self._fetch] > 0  # in it, or in the fetch behind it
        self._pattern = pattern

    def fit(self, data: Int, address: Int | None) -> Fit:
        """Judge the instructions under an order of the lines.

        data, address: int64, shape (n,), the buses as that order reads them; address None: not captured, judge the cycles alone.
        """
        if len(self._fetch) < 4:
            return Fit(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.bool_))
        found, facts = self._parse(data), _facts(self._directed)
        group, opcode, alone = found.group, found.opcode, found.alone
        pattern = self._pattern[found.last]
        good = (pattern == facts.pattern[group, opcode]) | (pattern == facts.pattern_met[group, opcode])
        good |= alone & (pattern == 0)
        good &= (found.last == found.first) | (self._pattern[found.first] == 0)
        judged = ~(self._spoilt[found.first] | self._spoilt[found.last])
        if address is not None:
            good &= self._placed(found, data, address)
        row = self._fetch[found.first][judged]
        return Fit(row, address[row] if address is not None else np.full(len(row), -1), good[judged])

    def words(self, data: Int) -> tuple[Int, Int]:
        """Find the 16-bit words that the bus repeats as an address, by the instructions that an order of the data lines shows.

        Returns (rows of the low byte, the high byte is one row on; rows whose address is that word). Jumps and calls may not be taken: the
        caller sorts out what does not fit. Empty where nothing is found.
        """
        if len(self._fetch) < 4:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        found = self._parse(data)
        goes, addressed = self._flow(found)
        end, count = self._fetch[found.last], self._count[found.last]
        after = self._fetch[found.last + 1]
        jumps = ((goes == JUMP) | (goes == MAY_JUMP) | (goes == CALL) | (goes == RETURN)) & (count >= 2)
        direct = (addressed == BY_OPERAND) & (count >= 3)
        return np.r_[end[jumps], end[direct]] + 1, np.r_[after[jumps], end[direct] + 3]

    def _parse(self, data: Int) -> _Parsed:
        """Find the instructions in the fetches."""
        fetch = self._fetch
        code = data[fetch] & 0xFF
        index = (code == 0xDD) | (code == 0xFD)
        table = (code == 0xCB) | (code == 0xED)
        leads = index | table  # a prefix, unless it is itself the opcode behind one
        takes = table.copy()  # the fetch behind it is its opcode; behind DD CB the opcode is read as data
        takes[1:] &= ~((code[1:] == 0xCB) & index[:-1])
        behind = np.zeros(len(fetch), np.bool_)
        behind[1:] = takes[:-1] | index[:-1]
        behind[2:] &= ~(takes[:-2] & leads[1:-1])
        useless = np.zeros(len(fetch), np.bool_)  # a DD or FD in front of another prefix stands alone
        useless[:-1] = index[:-1] & (index[1:] | (code[1:] == 0xED)) & ~behind[:-1]
        behind[1:] &= ~useless[:-1]
        first = np.flatnonzero(~behind[:-2])
        prefixed = leads[first] & ~useless[first]
        group, opcode = self._decode(first, prefixed, code, data)
        alone = useless[first]
        facts = _facts(self._directed)
        facts.meet(group, opcode)
        length = np.where(alone, 1, facts.length[group, opcode]).astype(np.int64)
        return _Parsed(first, first + prefixed, group, opcode, length, alone)

    def _flow(self, found: _Parsed) -> tuple[Int, Int]:
        facts = _facts(self._directed)
        goes = np.where(found.alone, NEXT, facts.goes[found.group, found.opcode])
        return goes, np.where(found.alone, BY_REGISTER, facts.addressed[found.group, found.opcode])

    def _decode(self, first: Int, prefixed: Flags, code: Int, data: Int) -> tuple[Int, Int]:
        """Return prefix group and opcode of the instructions."""
        group = np.zeros(len(first), np.int64)
        opcode = code[first].copy()
        second = code[first + 1]
        head = code[first]
        group[prefixed & (head == 0xCB)] = _CB
        group[prefixed & (head == 0xED)] = _ED
        group[prefixed & ((head == 0xDD) | (head == 0xFD))] = _INDEX
        opcode[prefixed] = second[prefixed]
        indexed = (group == _INDEX) & (second == 0xCB)
        group[indexed] = _INDEX_CB
        opcode[indexed] = data[self._fetch[first[indexed] + 1] + 2] & 0xFF
        return group, opcode

    def _placed(self, found: _Parsed, data: Int, address: Int) -> Flags:
        """Say which instructions have their bytes side by side, their data where they say, and the next one where it must be."""
        first, last, length = found.first, found.last, found.length
        goes, addressed = self._flow(found)
        restart = _facts(self._directed).restart[found.group, found.opcode]
        at, end = self._fetch[first], self._fetch[last]
        start, after = address[at], address[self._fetch[last + 1]]
        behind = start + length & 0xFFFF
        count = self._count[last]
        bytes_behind = np.minimum(length - (last - first) - 1, count)  # operands, and the opcode behind DD CB
        good = (last == first) | (address[end] == start + 1 & 0xFFFF)
        for place in (1, 2):
            good &= (bytes_behind < place) | (address[end + place] == start + (last - first) + place & 0xFFFF)
        low, high = data[end + 1], data[end + 2]
        word = low | high << 8
        data_at = end + 1 + bytes_behind
        data_at_two = np.minimum(data_at + 1, len(data) - 1)
        two = count - bytes_behind >= 2
        there = address[data_at]
        step = np.where(self.kind[data_at] == WRITE, -1, 1)
        stack = (addressed == BY_STACK) & two
        good &= ~stack | (address[data_at_two] == there + step & 0xFFFF)
        good &= (addressed != BY_OPERAND) | (there == word)
        good &= (addressed != BY_PORT_OPERAND) | (there & 0xFF == low)
        pushed = data[data_at] << 8 | data[data_at_two]
        popped = data[data_at] | data[data_at_two] << 8
        distance = (low ^ 0x80) - 0x80
        target = np.select(
            [goes == JUMP, goes == MAY_JUMP, goes == RELATIVE, goes == MAY_RELATIVE, goes == CALL, goes == RETURN, goes == RESTART,
             goes == REPEAT],
            [word, word, behind + distance & 0xFFFF, behind + distance & 0xFFFF, np.where(two, word, behind),
             np.where(two, popped, behind), restart.astype(np.int64), start],
            behind,
        )  # fmt: skip
        arrived = after == target
        arrived |= ((goes == MAY_JUMP) | (goes == MAY_RELATIVE) | (goes == REPEAT)) & (after == behind)
        good &= arrived | (goes == ANYWHERE)
        calls = ((goes == CALL) | (goes == RESTART)) & two
        return np.asarray(good & (~calls | (pushed == behind)))
