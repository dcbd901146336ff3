"""Addresses that nobody captured, told by the program: a call pushes where it came from, a jump names where it goes, a load what it reads.

The model runs on kinds of cycle and bytes alone. Where PC is not known yet, it counts from a provisional place; a pushed return address
says afterwards which that was. Registers become known as in prediction.py. An address that stems from what is not known is not told.
Where a choice depends on what is not known, the cycles, their length or the byte that follows say which way the program went, or the
place is given up until a jump, a call or a return names it again. Source: UM0080, instruction set.
"""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Optional, Tuple

from ..bus.semantics import MODE_1_ADDRESS, NMI_ADDRESS
from ..cpu.dependences import ALL, MASK, Dependences, dependences_of
from ..cpu.generator import MAIN
from ..cpu.model import Z80
from ..cpu.opcodes import PREFIXES
from ..records.bytes_alone import Compared
from .capture_bus import ACK, FETCH, IO_READ, IO_WRITE, READ, WRITE, Derailed
from .clues import CONDITION_BITS, learn_value
from .steps import successors

LOOK_AHEAD = 8  #: rows that the longest instruction or response takes, and the first row behind it
BROKEN, RESET, NMI = 1, 2, 4  #: flags of a row: something is missing before it; the first after a reset; the response to /NMI
AGAIN = 5  #: T-states that a relative jump, or one more round of a block instruction, takes longer (UM0080)
_NAMES_PLACE = ("JP", "CALL", "RET", "RETI", "RETN", "RST")
_UNTOLD_LATCHES = MASK["iff1"] | MASK["iff2"] | MASK["wz"] | MASK["q"]
_AFTER_RESET = MASK["i"] | MASK["iff1"] | MASK["iff2"] | MASK["im"]


class TellingRows(NamedTuple):
    """Machine cycles as columns of one length; bus grants are left out."""

    kind: List[int]  #: index into bus.model.KINDS, -1 where kind or byte are not known
    data: List[int]
    internal: List[int]  #: T-states beyond the least of each row's kind, summed up over the rows before it
    untimed: List[bool]  #: the row's length is not known
    flags: List[int]


class _Bus:
    """Answers the model from the rows, and keeps the addresses that it asks for."""

    def __init__(self, rows: TellingRows) -> None:
        self._kind, self._data, self._flags = rows.kind, rows.data, rows.flags
        self.k = 0  #: the next row
        self.asked = [-1] * len(rows.kind)
        self.internal_t = 0
        self.differences: List[Tuple[int, int, int]] = []  #: (row, byte that the model writes, byte on the bus)

    def _take(self, kind: int, address: int) -> int:
        k = self.k
        if self._kind[k] != kind or self._flags[k]:
            raise Derailed
        self.asked[k] = address
        self.k = k + 1
        return self._data[k]

    def fetch(self, address: int, refresh: int) -> int:
        """Opcode fetch."""
        return self._take(FETCH, address)

    def acknowledge(self, address: int, refresh: int) -> int:
        """Interrupt acknowledge."""
        return self._take(ACK, address)

    def read(self, address: int) -> int:
        """Memory read."""
        return self._take(READ, address)

    def io_read(self, port: int) -> int:
        """I/O read."""
        return self._take(IO_READ, port)

    def write(self, address: int, value: int) -> None:
        """Memory write."""
        self._compare(self._take(WRITE, address), value)

    def io_write(self, port: int, value: int) -> None:
        """I/O write."""
        self._compare(self._take(IO_WRITE, port), value)

    def _compare(self, got: int, value: int) -> None:
        if got != value:
            self.differences.append((self.k - 1, value, got))

    def internal(self, t_states: int) -> None:
        """Internal T-states."""
        self.internal_t += t_states


class Teller:
    """Follows rows and tells their addresses."""

    def __init__(self, rows: TellingRows) -> None:
        self._rows, self._bus, self._cpu = rows, _Bus(rows), Z80()
        self.told = [-1] * len(rows.kind)  #: by row
        self.written = Compared()  #: bytes written, pushed return addresses among them, against those of the model
        self.contradicted: List[int] = []  #: rows in which they differ
        self.instructions = 0
        self._content: Dict[int, int] = {}
        self._lost = True
        self._placed = False  #: PC is known, not provisional
        self._begun = -1  #: row at which following began
        self._since = 0  #: row from which on PC has been followed without being named
        self._floating: List[int] = []  #: rows at provisional addresses
        self._unknown = ALL

    def run(self) -> None:
        """Follow all rows."""
        limit = len(self._rows.kind) - LOOK_AHEAD
        while self._bus.k < limit:
            if self._lost:
                self._synchronise(limit)
            else:
                self._step(self._bus.k)

    # --- places ---

    def _lose(self, k: int) -> None:
        """Forget place and registers; go on looking at a row."""
        self._lost, self._placed, self._unknown = True, False, ALL
        self._floating.clear()
        self._cpu.halted = False
        self._bus.k = k

    def _synchronise(self, limit: int) -> None:
        """Find the next row that begins an instruction for sure: the first behind a reset, or a fetch behind what is none."""
        kind, flags = self._rows.kind, self._rows.flags
        for k in range(self._bus.k, limit):
            if flags[k] & RESET:
                self._cpu.reset()
                self._unknown = ALL & ~_AFTER_RESET
                self._go_on(k, placed=True)
                return
            if kind[k] == FETCH and k and kind[k - 1] not in (FETCH, -1) and not flags[k]:
                self._cpu.pc = 0
                self._go_on(k, placed=False)
                return
        self._bus.k = limit

    def _go_on(self, k: int, placed: bool) -> None:
        self._bus.k, self._lost, self._placed, self._begun, self._since = k, False, placed, k, k
        self._floating.clear()

    def _name(self, k: int) -> None:
        """PC has been named by what came before a row."""
        self._placed, self._since = True, k
        self._floating.clear()

    def _unplace(self) -> None:
        self._placed = False
        self._floating.clear()

    def _settle(self, pushed: int, pc: int, k: int) -> None:
        """Hold a pushed return address against PC."""
        if not self._placed:
            for row in self._floating:
                self._tell(row, self._bus.asked[row] + pushed - pc & 0xFFFF)
            self._floating.clear()
            return
        self._compare(k, pc >> 8, pushed >> 8)
        self._compare(k, pc & 0xFF, pushed & 0xFF)
        if pushed != pc:
            for row in range(self._since, max(k, self._bus.k)):
                self.told[row] = -1

    def _compare(self, row: int, right: int, got: int) -> None:
        """Count a written byte against that of the model."""
        self.written.number += 1
        wrong = right ^ got
        for bit in range(8):
            counts, level = self.written.bits[bit], 2 * (right >> bit & 1)
            counts[level] += 1
            counts[level + 1] += wrong >> bit & 1
        if wrong:
            self.written.wrong += 1
            self.contradicted.append(row)

    def _tell(self, row: int, address: int) -> None:
        self.told[row] = address
        if self._rows.kind[row] in (FETCH, READ, WRITE):
            self._content[address] = self._rows.data[row]

    # --- what begins at a row ---

    def _step(self, k: int) -> None:
        kind, flags = self._rows.kind, self._rows.flags[k]
        if flags & (BROKEN | RESET) and k != self._begun:
            self._lose(k)
        elif kind[k] == ACK or flags & NMI:
            self._respond(k, is_nmi=kind[k] != ACK)
        elif kind[k] != FETCH:
            self._lose(k + 1)
        elif self._cpu.halted:
            if kind[k + 1 : k + 3] == [WRITE, WRITE]:
                self._respond(k, is_nmi=True)
            else:
                self._bus.k = k + 1
        else:
            known = self._look_up(k)
            if known is None:
                self._lose(k + 1)
            else:
                self._run(k, known)

    def _look_up(self, k: int) -> Optional[Dependences]:
        """Return the dependences of the instruction at a row, None where a byte of it is not known."""
        kind, data = self._rows.kind, self._rows.data
        opcode = data[k]
        if opcode not in PREFIXES:
            return dependences_of(bytes((opcode,)))
        second = data[k + 1]
        if kind[k + 1] != FETCH:
            return None
        if opcode in (0xDD, 0xFD) and second == 0xCB:
            return dependences_of(bytes((opcode, second, 0, data[k + 3]))) if kind[k + 2 : k + 4] == [READ, READ] else None
        return dependences_of(bytes((opcode, second)))

    def _respond(self, k: int, is_nmi: bool) -> None:
        """Take the response to an interrupt."""
        cpu, kind, data = self._cpu, self._rows.kind, self._rows.data
        if kind[k + 1 : k + 3] != [WRITE, WRITE] or any(self._rows.flags[k + 1 : k + 5]):
            self._lose(k + 1)
            return
        self._settle(data[k + 1] << 8 | data[k + 2], cpu.pc, k)
        if not self._unknown & MASK["sp"]:
            self._tell(k + 1, cpu.sp - 1 & 0xFFFF)
            self._tell(k + 2, cpu.sp - 2 & 0xFFFF)
        cpu.sp = cpu.sp - 2 & 0xFFFF
        cpu.halted, cpu.hold = False, 0
        self._unknown |= _UNTOLD_LATCHES
        at, named = k + 3, True
        if is_nmi:
            cpu.pc = NMI_ADDRESS
        elif kind[k + 3 : k + 5] == [READ, READ]:
            cpu.pc, at = data[k + 3] | data[k + 4] << 8, k + 5
        else:
            cpu.pc = MODE_1_ADDRESS
            named = data[k] & 0xC7 != 0xC7 or data[k] & 0x38 == MODE_1_ADDRESS  # else mode 0 goes elsewhere than mode 1
        self._bus.k = at
        if named:
            self._name(at)
        else:
            self._unplace()

    # --- instructions ---

    def _run(self, k: int, known: Dependences) -> None:
        """Run an instruction, again where the bus shows a register that it stores, or the other way of a condition."""
        cpu, bus, rows = self._cpu, self._bus, self._rows
        address, length = cpu.pc, known.operation.length
        state, unknown, flipped = cpu.save(), self._unknown, False
        condition = known.operation.fields.get("c")
        for _ in range(10):
            bus.k, bus.internal_t = k + 1, 0
            bus.asked[k] = address
            bus.differences.clear()
            fits = self._runs(rows.data[k], length) and rows.kind[bus.k] not in (READ, WRITE, IO_READ, IO_WRITE)
            if not fits:
                if condition is None or flipped or not unknown & known.condition:
                    cpu.restore(state)
                    self._misfit(k)
                    return
                cpu.restore(state)
                cpu.f ^= CONDITION_BITS[condition]
                state, flipped = cpu.save(), True
                continue
            learned = self._learn(k, known, state, unknown)
            if not learned:
                break
            unknown, state = unknown & ~learned, cpu.save()
        if self._was_nmi(k, known, address):
            cpu.restore(state)
            self._respond(k, is_nmi=True)
            return
        self.instructions += 1
        self._tell_rows(k, known, unknown)
        self._unknown = unknown
        self._weigh(k, known, address + length & 0xFFFF)
        counted = self._follow(k, known, address, unknown)
        self._unknown = known.after(self._unknown) & ~counted

    def _runs(self, opcode: int, length: int) -> bool:
        """Run one instruction; say whether the bus shows the cycles that it calls for."""
        self._cpu.pc = self._cpu.pc + 1 & 0xFFFF
        try:
            if length > 1 or opcode not in PREFIXES:
                MAIN[opcode](self._cpu, self._bus)
        except Derailed:
            return False
        return True

    def _misfit(self, k: int) -> None:
        """Take a fetch behind which other cycles come than its byte calls for: the response to /NMI, or nobody knows what."""
        if self._rows.kind[k + 1 : k + 3] == [WRITE, WRITE]:
            self._respond(k, is_nmi=True)
        else:
            self._lose(k + 1)

    def _was_nmi(self, k: int, known: Dependences, address: int) -> bool:
        """Say whether what looks like a push was the response to /NMI: the address of that very fetch was pushed."""
        data, bus = self._rows.data, self._bus
        two = bus.k == k + 3 and self._rows.kind[k + 1 : k + 3] == [WRITE, WRITE]
        return two and self._placed and data[k + 1] << 8 | data[k + 2] == address

    def _learn(self, k: int, known: Dependences, state: Tuple[object, ...], unknown: int) -> int:
        """Set a register that the instruction stores to what the bus shows; the CPU is then as before it. Returns its mask, 0 for none."""
        for row, _, got in self._bus.differences:
            number = row - k - known.operation.length
            if known.copies and 0 <= number < len(known.transfers) and known.transfers[number].value & unknown:
                behind = self._cpu.save()
                self._cpu.restore(state)
                learned = learn_value(self._cpu, known, number, unknown, got)
                if learned:
                    return learned
                self._cpu.restore(behind)
        return 0

    def _tell_rows(self, k: int, known: Dependences, unknown: int) -> None:
        bus, length = self._bus, known.operation.length
        for row in range(k, k + length):
            if self._placed:
                self._tell(row, bus.asked[row])
            else:
                self._floating.append(row)
        for number, transfer in enumerate(known.transfers):
            row = k + length + number
            if row < bus.k and not transfer.address & unknown:
                self._tell(row, bus.asked[row])

    def _weigh(self, k: int, known: Dependences, behind: int) -> None:
        """Hold what was written against the model."""
        bus, data = self._bus, self._rows.data
        if known.operation.text.startswith(("CALL", "RST")):
            if self._rows.kind[bus.k - 2 : bus.k] == [WRITE, WRITE]:
                self._settle(data[bus.k - 2] << 8 | data[bus.k - 1], behind, k)
            return
        if known.operation.text == "PUSH AF":
            return  # makes of the CPU differ in flags that no program asks for
        wrong = {row: right for row, right, _ in bus.differences}
        for number, transfer in enumerate(known.transfers):
            row = k + known.operation.length + number
            if row < bus.k and self._rows.kind[row] in (WRITE, IO_WRITE) and not transfer.value & self._unknown:
                self._compare(row, wrong.get(row, data[row]), data[row])
                if row in wrong:
                    self._unknown |= transfer.value

    def _follow(self, k: int, known: Dependences, address: int, unknown: int) -> int:
        """See where the program goes on. Returns the registers that this tells."""
        operation = known.operation
        if "jump" not in operation.effects:
            return 0
        if known.target & unknown:
            self._unplace()
            return 0
        name = operation.text.split(" ")[0]
        taken = name == "RST" or self._bus.k > k + operation.length
        if unknown & known.condition and name not in ("CALL", "RET"):
            allowed = successors(operation, address, bytes(self._rows.data[k : k + operation.length]), None)
            if len(allowed) == 2 and not self._choose(k, name, allowed):
                self._unplace()
                return 0
            return self._counter(name, ended=self._cpu.pc == allowed[0])
        if name in _NAMES_PLACE and (taken or (name == "JP" and self._cpu.pc != address + operation.length & 0xFFFF)):
            self._name(self._bus.k)
        return 0

    def _choose(self, k: int, name: str, allowed: Tuple[int, ...]) -> bool:
        """Set PC to that of two addresses to which the program went; say whether anything tells."""
        cpu, bus, rows = self._cpu, self._bus, self._rows
        other = allowed[0] if cpu.pc == allowed[1] else allowed[1]
        if name != "JP" and not any(rows.untimed[k : bus.k]):
            longer = rows.internal[bus.k] - rows.internal[k] - bus.internal_t
            if longer == (AGAIN if other == allowed[1] else -AGAIN):
                cpu.pc = other
            return longer in (0, AGAIN, -AGAIN)
        next_byte = rows.data[bus.k]
        known = [self._content.get(each) for each in (cpu.pc, other)]
        if not self._placed or None in known or known[0] == known[1] or next_byte not in known:
            return False
        cpu.pc = (cpu.pc, other)[known.index(next_byte)]
        if name == "JP":
            self._name(bus.k)
        return True

    def _counter(self, name: str, ended: bool) -> int:
        """Make the counter of a loop what it must be; returns its mask where that is certain."""
        if not ended or name not in ("DJNZ", "LDIR", "LDDR", "INIR", "INDR", "OTIR", "OTDR"):
            return 0
        self._cpu.b = 0
        if name[0] != "L":
            return MASK["b"]
        self._cpu.c = 0
        return MASK["b"] | MASK["c"]
