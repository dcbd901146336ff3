"""The instructions followed by their bytes alone, where addresses were not captured: 16 leads show the program, though not where it is.

Behind the bytes of an instruction must come the cycles that it calls for; the stack must give back what was pushed, the last first; and
what an instruction writes unchanged it must have read. Source: UM0080, instruction set, through cpu/opcodes.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import distinct, one_of
from ..cpu.disassembly import find_operation
from ..cpu.opcodes import Cycles, Operation
from ..cycles.engine import Batch
from ..profile.options import Options
from ..records.bytes_alone import BytesRecord, Compared
from ..records.evidence import BusEvidence
from .part import Part

BUDGET_CYCLES = 30_000  #: cycles followed at most, from the start of the capture; a tenth of a second
WINDOW_CYCLES = 4_000  #: of a window of a stream
LOOK_AHEAD = 8  #: cycles of the longest instruction, and the first behind it
STACK_KEPT = 4096  #: bytes pushed, the deepest are forgotten
NEEDED = ("M1", "MREQ", "IORQ", "RD", "WR", *DATA)

_FETCH, _READ, _WRITE, _ACK, _GRANTED = (
    KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "interrupt_acknowledge", "bus_granted")
)
_BROKEN = tuple(NOTE_INDEX[note] for note in ("after_reset", "cut_short"))
_SETS_SP = ("LD SP", "INC SP", "DEC SP", "ADD HL,SP")  #: behind these the stack is another, or the program may look into it
_REPEATS = ("LDI", "LDD", "LDIR", "LDDR")

Ints = npt.NDArray[np.int64]


class BytesPart(Part):
    """Collects :class:`BytesRecord`."""

    def __init__(self, tick_s: float, budget: int = BUDGET_CYCLES) -> None:
        """budget: cycles followed at most."""
        self._tick_s, self._budget = tick_s, budget
        self._kept: list[tuple[Ints, Ints, Ints, Ints]] = []
        self._cycles = 0

    def feed(self, batch: Batch) -> None:
        """Keep the first cycles."""
        if self._cycles >= self._budget or not len(batch.cycles):
            return
        table = batch.cycles[: self._budget - self._cycles]
        self._cycles += len(table)
        bad = one_of(table.note, _BROKEN) | ((table.data < 0) & (table.kind != _GRANTED))
        self._kept.append((table.kind.astype(np.int64), table.data.astype(np.int64), bad.astype(np.int64), table.start.astype(np.int64)))

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        if not self._kept:
            return
        kind, data, bad, start = (np.concatenate(column) for column in zip(*self._kept, strict=True))
        rows = np.flatnonzero(kind != _GRANTED)
        follower = _Follower(kind[rows].tolist(), data[rows].tolist(), bad[rows].tolist(), start[rows].tolist(), self._tick_s)
        follower.run()
        evidence.bytes_alone = follower.record
        _levels(evidence.bytes_alone, data[kind == _WRITE], data[(kind == _FETCH) | (kind == _READ)])


def _levels(record: BytesRecord, written: Ints, read: Ints) -> None:
    """Count the different bytes written, and tell which lines kept their level in them."""
    written, read = (distinct(data[data >= 0]) for data in (written, read))
    record.written = len(written)
    for bit in range(8):
        levels = distinct(written >> bit & 1).tolist()
        record.constant[bit] = levels[0] if len(levels) == 1 else None
        record.moving |= (len(distinct(read >> bit & 1)) == 2) << bit


class _Follower:
    """Walks from instruction to instruction."""

    def __init__(self, kind: list[int], data: list[int], bad: list[int], start: list[int], tick_s: float) -> None:
        self._kind, self._data, self._bad, self._start, self._tick_s = kind, data, bad, start, tick_s
        self._stack: list[int] = []
        self._to_0, self._to_1 = [0] * 8, [0] * 8
        self.record = BytesRecord()

    def run(self) -> None:
        """Follow all rows."""
        limit = len(self._kind) - LOOK_AHEAD
        k = self._synchronised(0)
        while k < limit:
            k = self._step(k)
        self.record.explained = list(zip(self._to_0, self._to_1, strict=True))

    def _step(self, k: int) -> int:
        """Take what begins at a row; return the row behind it."""
        kind = self._kind
        if any(self._bad[k : k + LOOK_AHEAD]):
            self._stack.clear()
            return self._synchronised(k + 1)
        if kind[k] == _ACK:
            return self._response(k)
        data = bytes(self._data[k : k + 4])
        operation = find_operation(data) if kind[k] == _FETCH else None
        if operation is None:
            return self._synchronised(k + 1)
        length = fits(operation, tuple(kind[k : k + LOOK_AHEAD]))
        if length:
            self.record.instructions += 1
            self._values(operation, k, length)
            return self._halted(k + length) if operation.text == "HALT" else k + length
        if kind[k + 1 : k + 3] == [_WRITE, _WRITE]:
            return self._response(k)  # to /NMI, for all that the bytes tell
        self._unlike(k, data)
        self._stack.clear()
        return self._synchronised(k + 1)

    def _response(self, k: int) -> int:
        """Take the response to an interrupt: the return address goes to the stack."""
        if self._kind[k + 1 : k + 3] != [_WRITE, _WRITE]:
            self._stack.clear()
            return self._synchronised(k + 1)
        self._push(self._data[k + 1 : k + 3])
        vector = self._kind[k] == _ACK and self._kind[k + 3 : k + 5] == [_READ, _READ]
        return k + (5 if vector else 3)

    def _halted(self, k: int) -> int:
        """Return the row at which a halted CPU goes on: it fetches and throws away until it answers an interrupt."""
        kind = self._kind
        while k < len(kind) and kind[k] == _FETCH and kind[k + 1 : k + 3] != [_WRITE, _WRITE]:
            k += 1
        return k

    def _synchronised(self, k: int) -> int:
        """Return the next row that begins an instruction for sure: a fetch behind what is none."""
        kind = self._kind
        while k < len(kind) and (kind[k] != _FETCH or not k or kind[k - 1] == _FETCH):
            k += 1
        return k

    def _unlike(self, k: int, data: bytes) -> None:
        record, when = self.record, self._start[k] * self._tick_s
        record.instructions += 1
        record.unlike += 1
        record.first_s = when if record.first_s is None else record.first_s
        record.last_s = when
        kinds = tuple(self._kind[k : k + LOOK_AHEAD])
        for bit in range(8):
            mask = 1 << bit
            for changed, counts in ((bytes(byte & ~mask for byte in data), self._to_0), (bytes(byte | mask for byte in data), self._to_1)):
                other = find_operation(changed) if changed != data else None
                counts[bit] += other is not None and fits(other, kinds) > 0

    # --- what the bytes must be ---

    def _values(self, operation: Operation, k: int, length: int) -> None:
        """Compare what the stack gives back, and what is written as it was read."""
        effects, text = operation.effects, operation.text
        data, kind = self._data[k : k + length], self._kind[k : k + length]
        if text.startswith(_SETS_SP):
            self._stack.clear()
        if "pop" in effects and length - operation.length >= 2:
            at = k + operation.length
            self._pop(at)
        if "push" in effects and kind[-2:] == [_WRITE, _WRITE]:
            self._push(data[-2:])
        elif kind[-1] == _WRITE:
            self._stored(operation, data, k + length - 1)

    def _push(self, high_low: Sequence[int]) -> None:
        self._stack.extend(high_low)
        del self._stack[:-STACK_KEPT]

    def _pop(self, at: int) -> None:
        if len(self._stack) < 2:
            self._stack.clear()
            return
        for row in (at, at + 1):  # the low byte first, which was pushed last
            self._compare(self.record.popped, self._stack.pop(), self._data[row], row)

    def _stored(self, operation: Operation, data: list[int], row: int) -> None:
        template, text = operation.template, operation.text
        if template == "LD (HL),{n}" or text in _REPEATS:
            self._compare(self.record.stored, data[-2], data[-1], row)
        elif text.startswith(("INC (", "DEC (")):
            self._compare(self.record.stored, data[-2] + (1 if text[0] == "I" else -1) & 0xFF, data[-1], row)
        elif text.startswith(("SET ", "RES ")) and operation.prefix[-1:] == b"\xcb":
            bit = 1 << int(text[4])
            self._compare(self.record.stored, data[-2] | bit if text[0] == "S" else data[-2] & ~bit, data[-1], row)

    def _compare(self, compared: Compared, right: int, got: int, row: int) -> None:
        compared.number += 1
        wrong = right ^ got
        for bit in range(8):
            counts = compared.bits[bit]
            level = 2 * (right >> bit & 1)
            counts[level] += 1
            counts[level + 1] += wrong >> bit & 1
        if wrong:
            when = self._start[row] * self._tick_s
            compared.wrong += 1
            compared.silent += got == 0xFF
            compared.first_s = when if compared.first_s is None else compared.first_s
            compared.last_s = when


@lru_cache(maxsize=4096)
def _courses(variants: tuple[Cycles, ...]) -> tuple[tuple[int, ...], ...]:
    """Return the kinds of cycle of an operation's courses, the longest first."""
    found = {tuple(KIND_INDEX[kind] for kind, _ in variant) for variant in variants}
    return tuple(sorted(found, key=len, reverse=True))


def fits(operation: Operation, kinds: tuple[int, ...]) -> int:
    """Return how many cycles the instruction took, 0 where they are not its own. kinds: LOOK_AHEAD cycles from its first on."""
    for course in _courses(operation.variants):
        if kinds[: len(course)] == course and (len(course) == len(kinds) or kinds[len(course)] in (_FETCH, _ACK)):
            return len(course)
    return 0


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> BytesPart | None:
    """Return the part where the data and the strobes were captured and the addresses were not: those tell more (prediction.py)."""
    if not captured.issuperset(NEEDED) or captured.issuperset(ADDRESS):
        return None
    return BytesPart(tick_s, WINDOW_CYCLES if options.window else BUDGET_CYCLES)
