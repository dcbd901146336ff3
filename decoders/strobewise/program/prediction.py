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

from ..bus.semantics import MODE_1_ADDRESS, RESET_ADDRESS
from ..cpu.dependences import MASK, Dependences, dependences_of
from ..cpu.generator import MAIN
from ..cpu.opcodes import PREFIXES
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
    Derailed,
    PredictionRows,
)
from .clues import Explanation, is_flagged, is_plain_fetch
from .learning import Learning
from .tally import single_line
from .weighing import NOWHERE

LOOK_AHEAD = 8  #: rows that the longest instruction or response takes, and the first row behind it
SUSPECT_AFTER = 3  #: times that one address line alone was wrong in the count of PC before the model is believed against it elsewhere too


class Predictor(Learning):
    """Follows one capture, or stretches of it. Feed rows in order; call `lose_track` where a stretch is left out."""

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
