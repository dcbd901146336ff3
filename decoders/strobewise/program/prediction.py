"""The model beside the capture: fed with what was read, it foretells every address, written byte, kind of cycle and length.

At the start no register is known. Each becomes known when the program loads it from the bus, or when the bus shows it (an address that
stems from a register pair, a pushed or stored register), and unknown again when its new content stems from one that is unknown
(dependences.py). What stems from an unknown register is never compared. Where the program has a choice that depends on an unknown
register, the bus says which way it went.

What differs is a :class:`Difference`; the predictor then takes up again, with what it can no longer be sure of unknown. An address that
differs from the count of PC in one line alone is taken for that line's fault, and the model believed.

Bits 3 and 5 of F are not compared: makes of the CPU differ in them (common practice).
"""

from __future__ import annotations

from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.semantics import MODE_1_ADDRESS, RESET_ADDRESS
from ..cpu.dependences import ALL, MASK, Dependences, dependences_of
from ..cpu.generator import MAIN
from ..cpu.model import Z80
from ..cpu.opcodes import PREFIXES
from ..records.prediction import Difference
from .capture_bus import (
    ACK,
    BREAK,
    EMPTY_ROWS,
    FETCH,
    FLAG_SHIFT,
    IN_HALT,
    NMI_RESPONSE,
    READ,
    WRITE,
    Blind,
    CaptureBus,
    Derailed,
    PredictionRows,
)
from .clues import (
    CONDITION_BITS,
    Explanation,
    explanations,
    is_flagged,
    is_plain_fetch,
    learn_address,
    learn_value,
    seen_registers,
)
from .steps import successors
from .tally import KEPT_DIFFERENCES, Tally, single_line

LOOK_AHEAD = 8  #: rows that the longest instruction or response takes, and the first row behind it
NOWHERE = -2  #: PC while the program's place is not known; no key of a row
UNCOMPARED_FLAGS = 0x28  #: bits 3 and 5 of F
SUSPECT_AFTER = 3  #: times that one address line alone was wrong in the count of PC before the model is believed against it elsewhere too


class Predictor(Tally):
    """Follows one capture, or stretches of it. Feed rows in order; call `lose_track` where a stretch is left out."""

    def __init__(self, timed: bool = True, has_halt: bool = True) -> None:
        """timed: lengths can be compared. has_halt: /HALT was captured."""
        super().__init__()
        self._timed, self._has_halt = timed, has_halt
        self._cpu = Z80()
        self._cpu.pc = NOWHERE
        self._bus = CaptureBus()
        self._rows = EMPTY_ROWS
        self._unknown = ALL
        self._base = 0  # internal T-states on the bus minus those of the model
        self._at = 0  # row of the instruction under way
        self._known: Optional[Dependences] = None  # its dependences
        self._trusted: Dict[int, Tuple[int, int]] = {}  # address line -> (level in the model, differences) while it alone differs
        self._suspect = [0] * 16
        self._first: List[Optional[Dependences]] = [None] * 256

    def lose_track(self) -> None:
        """Forget where the program is: the next rows do not follow on those before."""
        self._rows = EMPTY_ROWS
        self._lose()

    def feed(self, rows: PredictionRows) -> None:
        """Follow more rows; the last few wait for those that follow on them."""
        rows = self._rows.joined(rows)
        self._rows = rows
        limit = len(rows.key) - LOOK_AHEAD
        if limit <= 0 or self.exhausted:
            return
        bus = self._bus
        bus.key, bus.data, bus.k = rows.key, rows.data, 0
        bus.differences.clear()
        self._rebase(0)
        self._known = None
        while bus.k < limit and not self.exhausted:
            try:
                self._follow(limit)
            except Blind:
                self._lose()
                bus.differences.clear()
            except Derailed:
                self._derailed()
        for k in bus.written:
            self.written_values[rows.data[k]] += 1
        bus.written.clear()
        self.rows += bus.k
        self._rows = rows.tail(bus.k)

    def _follow(self, limit: int) -> None:
        """Run instruction after instruction."""
        cpu, bus, first = self._cpu, self._bus, self._first
        key, data, internal = self._rows[:3]
        timed = self._timed
        while bus.k < limit:
            k = bus.k
            pc = cpu.pc
            if key[k] != pc or cpu.halted:
                self._elsewhere(k, limit)
                continue
            opcode = data[k]
            known = first[opcode]
            if known is None:
                known = self._look_up(k)
            self._at, self._known = k, known
            self.instructions += 1
            if self._unknown & known.touched:
                self._run_carefully(k, known)
                continue
            bus.k = k + 1
            if known.operation.length > 1 or opcode not in PREFIXES:
                cpu.pc = pc + 1 & 0xFFFF
                MAIN[opcode](cpu, bus)
            else:
                cpu.pc = pc + 1 & 0xFFFF  # a prefix that the next one makes useless
            if bus.differences:
                self._contradicted(k, known)
            if timed and internal[bus.k] - bus.internal_t != self._base:
                self._other_length(k)

    def _look_up(self, k: int) -> Dependences:
        """Return the dependences of the instruction at a row."""
        data = self._rows.data
        opcode = data[k]
        if opcode not in PREFIXES:
            known = self._first[opcode] = dependences_of(bytes((opcode,)))
            return known
        second = data[k + 1]
        if min(second, self._rows.key[k + 1]) < 0:
            raise Blind
        if opcode in (0xDD, 0xFD) and second == 0xCB:
            if data[k + 3] < 0:
                raise Blind
            return dependences_of(bytes((opcode, second, 0, data[k + 3])))
        return dependences_of(bytes((opcode, second)))

    # --- with registers that are not known ---

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

    # --- between instructions, and where the bus is not where the model is ---

    def _elsewhere(self, k: int, limit: int) -> None:
        """Take what is no plain fetch at PC."""
        cpu, bus = self._cpu, self._bus
        key = self._rows.key[k]
        if cpu.pc == NOWHERE:
            self._synchronise(k, limit)
        elif key < 0 or is_flagged(key, BREAK):
            self._lose()
        elif key >> FLAG_SHIFT == NMI_RESPONSE:
            self._accept(k, is_nmi=True)
        elif key >> 16 == ACK:
            self._accept(k, is_nmi=False)
        elif cpu.halted or is_flagged(key, IN_HALT):
            if cpu.halted and key & 0xFFFFFF == cpu.pc:
                bus.k = k + 1
                self._rebase(k + 1)
            else:
                self._lose()  # a reset, or HALT was entered where nobody saw it
        elif key >> 16 == FETCH:
            self._flow_differs(k, key)
        else:
            self._cycle_too_many(k)

    def _synchronise(self, k: int, limit: int) -> None:
        """Find the next fetch that begins an instruction for sure; nothing of the registers is known there."""
        key, data = self._rows.key, self._rows.data
        for row in range(k + 1, limit):
            before = key[row - 1]
            if is_plain_fetch(key[row]) and before >= 0 and before != key[row]:
                if before >> 16 & 0xFF != FETCH or data[row - 1] not in PREFIXES:
                    self._cpu.pc = key[row]
                    self._bus.k = row
                    self._known = None
                    self._rebase(row)
                    return
        self._bus.k = limit

    def _lose(self) -> None:
        """Forget place and registers."""
        self._cpu.pc = NOWHERE
        self._cpu.halted = False
        self._cpu.hold = 0
        self._unknown = ALL
        self._trusted.clear()

    def _accept(self, k: int, is_nmi: bool) -> None:
        """Run the response to an interrupt; which mode it is in, the bus says."""
        cpu, bus, rows = self._cpu, self._bus, self._rows
        kinds = [key >> 16 & 0xFF if key >= 0 else -1 for key in rows.key[k : k + 6]]
        address = rows.key[k] & 0xFFFF
        unseen_halt = not self._has_halt and self._known is not None and rows.key[self._at] == address != cpu.pc
        if kinds[1:3] != [WRITE, WRITE] or unseen_halt:
            self._lose()  # a device that gives more than a restart, or what was taken for an instruction was a fetch in HALT
            bus.k = k + 1
            return
        if self._unknown & MASK["sp"]:
            cpu.sp = (rows.key[k + 1] & 0xFFFF) + 1 & 0xFFFF
        if is_nmi:
            rows.key[k] &= 0xFFFF
        elif kinds[3:5] == [READ, READ]:
            cpu.im = 2
            if self._unknown & MASK["i"]:
                cpu.i = rows.key[k + 3] >> 8 & 0xFF
            self._unknown &= ~MASK["i"]
        else:
            restart = rows.data[k] if rows.data[k] & 0xC7 == 0xC7 else MODE_1_ADDRESS
            cpu.im = 1 if rows.key[k + 3] & 0xFFFF == MODE_1_ADDRESS or restart == MODE_1_ADDRESS else 0
        cpu.nmi_pending, cpu.interrupt_line, cpu.iff1, cpu.hold = is_nmi, not is_nmi, True, 0
        self._unknown &= ~(MASK["sp"] | MASK["wz"] | MASK["q"] | MASK["iff1"])
        self._unknown |= MASK["f"] if not is_nmi else 0  # LD A,I just before it may have lost its flag (common practice)
        bus.k, self._at, self._known = k, k, None
        cpu.step(bus)
        cpu.interrupt_line = False
        if bus.differences:
            self._contradicted(k, None)
        self._rebase(bus.k)

    def _cycle_too_many(self, k: int) -> None:
        """A cycle that no instruction called for: an acknowledge that the strobes do not show, or the opcode was another one."""
        rows, bus = self._rows, self._bus
        if [key >> 16 for key in rows.key[k : k + 2]] == [WRITE, WRITE] and rows.data[k] << 8 | rows.data[k + 1] == self._cpu.pc:
            self.unseen_acknowledges += 1
            bus.k = k + 2
        else:
            self._record(k, "kind", FETCH, rows.key[k] >> 16, self._explain_last())
        self._lose()

    def _flow_differs(self, k: int, key: int) -> None:
        """The next fetch is not at PC."""
        cpu = self._cpu
        expected, found = cpu.pc, key & 0xFFFF
        if not self._has_halt and self._known is not None and found == self._rows.key[self._at]:
            self._lose()  # the same fetch once more: in HALT, which no line shows
            cpu.pc, cpu.halted = found, True
            return
        line = single_line(expected ^ found)
        in_sequence = self._known is not None and "jump" not in self._known.operation.effects
        if line >= 0 and self._rows.key[k + 1] & 0xFFFF == expected + 1 & 0xFFFF:
            in_sequence = True  # the byte behind it is where the model has it
        if line >= 0 and (in_sequence or self._suspect[line] >= SUSPECT_AFTER) and self._believe(line, expected >> line & 1):
            self._count("code")
            known = self._first[self._rows.data[k]] or self._look_up(k)
            self._at, self._known = k, known
            self.instructions += 1
            self._run_carefully(k, known)
            return
        if found != RESET_ADDRESS:
            # Where one address line alone is wrong, an operand read wrong looks the same; which it was, the other differences tell.
            wrong = expected ^ found
            both = single_line(wrong & 0xFF) if line < 0 and wrong >> 8 == wrong & 0xFF else -1
            lines = () if line >= 0 else self._explain_last(None if both < 0 else Explanation(f"D{both}", expected >> both & 1))
            self._record(k, "next", expected, found, lines)
        self._lose()
        cpu.pc = found  # a fetch all the same: the next instruction begins here
        self._known = None
        self._rebase(k)

    def _believe(self, line: int, level: int) -> bool:
        """Say whether to take an address line for wrong, rather than the model: as long as it is wrong in one direction."""
        before, count = self._trusted.get(line, (level, 0))
        if before != level:
            self.address_lost[before][line] -= count
            self.address_wrong[before][line] -= count
            self._suspect[line] = 0
            return False
        self._trusted[line] = (level, count + 1)
        self.address_lost[level][line] += 1
        self.address_wrong[level][line] += 1
        self.alone_wrong[line] += 1
        self._suspect[line] += 1
        return True

    # --- differences ---

    def _contradicted(self, k: int, known: Optional[Dependences]) -> None:
        """Weigh what differed in an instruction that ran to its end."""
        differences = self._bus.differences[:]
        self._bus.differences.clear()
        for row, what, expected, found in differences:
            number = row - k - known.operation.length if known is not None else -1
            transfer = known.transfers[number] if known is not None and 0 <= number < len(known.transfers) else None
            if what == "data":
                if known is not None and known.operation.text == "PUSH AF" and not (expected ^ found) & ~UNCOMPARED_FLAGS and number == 1:
                    continue
                for line in range(8):
                    self.written_lost[expected >> line & 1][line] += (expected ^ found) >> line & 1
                self._unknown |= transfer.value if transfer is not None else 0
                self._record(row, what, expected, found)
            elif transfer is not None:
                self._unknown |= transfer.address
                self._record(row, what, expected, found)
            else:
                line = single_line(expected ^ found)
                if line >= 0 and self._believe(line, expected >> line & 1):
                    self._count("code")
                    continue
                self._record(row, "code" if known is not None else what, expected, found)
                self._lose()

    def _derailed(self) -> None:
        row, _, expected, found = self._bus.differences[-1]
        self._bus.differences.clear()
        key, at = self._rows.key, self._at
        unseen_halt = not self._has_halt and key[at] == key[at + 1]  # a fetch in HALT, which no line shows
        if not unseen_halt and key[row] != RESET_ADDRESS:
            self._record(row, "kind", expected, found, self._explain_last())
        self._lose()
        self._bus.k = max(at, row - 1)

    def _explain_last(self, plain: Optional[Explanation] = None) -> List[Explanation]:
        """Seek what makes the instruction under way fit what follows, and count it. plain: when there is nothing to seek."""
        if self._known is None or not self._worth_seeking((self._rows.key[self._at], self._rows.data[self._at])):
            return []
        found = [plain] if plain is not None else explanations(self._rows, self._at)
        self._count_explanations(found)
        return found

    def _record(self, row: int, what: str, expected: int, found: int, lines: Sequence[Explanation] = ()) -> None:
        self._count(what)
        if what in ("next", "address"):
            self._count_address(expected, found)
        if len(self.kept) < KEPT_DIFFERENCES:
            rows, known = self._rows, self._known
            length = known.operation.length if known is not None else 0
            self.kept.append(
                Difference(
                    rows.start[row], rows.key[self._at] & 0xFFFF, bytes(max(byte, 0) for byte in rows.data[self._at : self._at + length]),
                    what, expected, found, rows.key[row] & 0xFFFF, tuple(each.lines for each in lines),
                )
            )  # fmt: skip

    def _other_length(self, k: int) -> None:
        if not any(self._rows.untimed[k : self._bus.k]):
            self.other_lengths += 1
        self._rebase(self._bus.k)

    def _rebase(self, k: int) -> None:
        """Compare lengths anew from a row on."""
        self._base = self._rows.internal[k] - self._bus.internal_t if self._rows.internal else 0
