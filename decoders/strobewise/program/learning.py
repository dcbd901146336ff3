"""Instructions that use registers whose content nobody knows: what the bus tells of them, and which way the program went."""

from __future__ import annotations

from typing import Tuple

from ..cpu.dependences import MASK, Dependences
from ..cpu.generator import MAIN
from ..cpu.opcodes import PREFIXES
from .capture_bus import ACK, FETCH, FLAG_SHIFT, NMI_RESPONSE, READ, WRITE, Derailed
from .clues import CONDITION_BITS, learn_address, learn_value, seen_registers
from .steps import successors
from .weighing import Weighing


class Learning(Weighing):
    """Learns registers from the bus."""

    def _run_carefully(self, k: int, known: Dependences) -> None:
        """Run an instruction again and again while the bus shows more of the registers that it uses."""
        cpu, bus = self._cpu, self._bus
        state, spent, writes, address = cpu.save(), bus.internal_t, len(bus.written), cpu.pc
        before = self._unknown
        for _ in range(10):
            bus.k = k + 1
            cpu.pc = cpu.pc + 1 & 0xFFFF
            try:
                if known.operation.length > 1 or self._rows.data[k] not in PREFIXES:
                    MAIN[self._rows.data[k]](cpu, bus)
            except Derailed:
                pass
            if not (self._learn(k, known, state) if bus.differences else self._goes_the_other_way(known, state)):
                break
            state = cpu.save()
            bus.internal_t = spent
            del bus.written[writes:]
            bus.differences.clear()
        if any(before & transfer.value for transfer in known.transfers):
            del bus.written[writes:]
        if bus.differences and bus.differences[-1][1] == "kind":
            raise Derailed
        length = known.operation.length
        self._unknown &= ~seen_registers(known, bus.k - k - length)
        choice = bool(self._unknown & (known.condition | known.target))
        told = self._follow_choice(k, known, address) if choice else 0
        self._unknown = known.after(self._unknown) & ~told
        if bus.differences:
            self._contradicted(k, known)
        if choice or not self._timed:
            self._rebase(bus.k)
        elif self._rows.internal[bus.k] - bus.internal_t != self._base:
            self._other_length(k)

    def _learn(self, k: int, known: Dependences, state: Tuple[object, ...]) -> bool:
        """Take the first difference that an unknown register explains, set that register, and say whether there was one.

        If so, the CPU is as it was before the instruction, but for that register. Differences that an unknown value explains, without
        telling it, are dropped.
        """
        differences = self._bus.differences
        for difference in list(differences):
            row, what, expected, found = difference
            number = row - k - known.operation.length
            if what == "kind":
                condition = known.operation.fields.get("c")
                if condition is None or not self._unknown & known.condition:
                    return False
                self._cpu.restore(state)
                self._cpu.f ^= CONDITION_BITS[condition]
                return True
            if 0 <= number < len(known.transfers):
                learned = self._learn_from(known, number, what, expected, found, state)
                if learned:
                    self._unknown &= ~learned
                    return True
                if what == "data" and known.transfers[number].value & self._unknown:
                    differences.remove(difference)
        return False

    def _goes_the_other_way(self, known: Dependences, state: Tuple[object, ...]) -> bool:
        """Say whether cycles follow that only the other outcome of an unknown condition has; then make that one come true."""
        key = self._rows.key[self._bus.k]
        condition = known.operation.fields.get("c")
        if condition is None or not self._unknown & known.condition or key >> 16 not in (READ, WRITE):
            return False
        self._cpu.restore(state)
        self._cpu.f ^= CONDITION_BITS[condition]
        return True

    def _learn_from(self, known: Dependences, number: int, what: str, expected: int, found: int, state: Tuple[object, ...]) -> int:
        cpu, unknown, transfer = self._cpu, self._unknown, known.transfers[number]
        if not unknown & (transfer.address if what == "address" else transfer.value):
            return 0
        behind = cpu.save()
        cpu.restore(state)
        if what == "address":
            learned = learn_address(cpu, transfer.address, unknown, expected, found)
        else:
            learned = learn_value(cpu, known, number, unknown, found) if known.copies else 0
        if not learned:
            cpu.restore(behind)
        return learned

    def _follow_choice(self, k: int, known: Dependences, address: int) -> int:
        """Go where the bus goes, when the program has a choice that nobody can foretell. Returns the registers that this tells."""
        cpu, rows = self._cpu, self._rows
        key = rows.key[self._bus.k]
        if key < 0 or key >> FLAG_SHIFT & ~NMI_RESPONSE or key >> 16 & 0xFF not in (FETCH, ACK):
            return 0
        found = key & 0xFFFF
        if known.target & self._unknown:
            if learn_address(cpu, known.target, self._unknown, cpu.pc, found):
                cpu.pc = found
                return known.target
            return 0
        code = bytes(rows.data[k : k + known.operation.length])
        allowed = successors(known.operation, address, code, None)
        if len(allowed) < 2 or found not in allowed:
            return 0
        cpu.pc = found
        return self._settle_counter(known.operation.text[:4], found == allowed[0]) if allowed[0] != allowed[1] else 0

    def _settle_counter(self, name: str, ended: bool) -> int:
        """Make the counter of a loop what it must be after a round; returns its mask where that is certain."""
        cpu = self._cpu
        if name == "DJNZ" or name in ("INIR", "INDR", "OTIR", "OTDR"):
            cpu.b = 0 if ended else cpu.b or 0x80
            return MASK["b"] if ended else 0
        if name in ("LDIR", "LDDR"):
            cpu.b, cpu.c = (0, 0) if ended else (cpu.b or 0x80, cpu.c)
            return MASK["b"] | MASK["c"] if ended else 0
        if name in ("CPIR", "CPDR") and not ended:
            cpu.b = cpu.b or 0x80
        return 0
