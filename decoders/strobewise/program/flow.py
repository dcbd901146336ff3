"""From machine cycles back to the instructions that ran, and to what came between them.

Feed rows of machine cycles in the order of the bus; each :class:`Step` that comes out is one instruction, the response to an interrupt,
a stay in HALT, a bus grant, a reset, or cycles that fit no instruction. Boundaries come from the opcodes themselves: every opcode says
which machine cycles it takes (opcodes.py), and the next instruction begins behind them. Where the rows do not fit, the flow takes up
again at the next opcode fetch and says so.

Plain tables and slices: a hundred thousand instructions take a fraction of a second.

Sources: UM0080 for interrupt responses and reset.
"""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from ..cpu.opcodes import Operation
from .flow_state import LOOK_AHEAD
from .interrupts import HALT_NOTE, NMI_NOTE, TWO_WRITES, InterruptFlow, joined_notes
from .steps import (
    ACCESS,
    ACK,
    FETCH,
    GAP,
    HALTED,
    INSTRUCTION,
    MAY_BE,
    NMI,
    NOT_KNOWN,
    READ,
    RESET,
    STARTS,
    UNKNOWN,
    Entry,
    Rows,
    Step,
    successors,
)

LEADS_KEPT = 1 << 12  #: jumps, by where they stand, of which it is remembered where they lead: programs loop

#: Interrupt mode that an instruction sets (UM0080).
_MODES = {"IM 0": 0, "IM 1": 1, "IM 2": 2}


def _course(courses: Sequence[Tuple[bytes, int, int]], t_states: Optional[int], goes_to: int, address: int, length: int) -> int:
    """Return which of two courses with the same cycles ran: by where the program went, else by the time it took; -1: unknown."""
    if goes_to >= 0 and address >= 0:
        return 1 if goes_to == address + length & 0xFFFF else 0
    if t_states is None:
        return -1
    return 0 if abs(t_states - courses[0][1]) < abs(t_states - courses[1][1]) else 1


def _is_absolute(operation: Operation) -> bool:
    """Say whether a jump leads to one place wherever it stands."""
    return "{nn}" in operation.text or operation.text.startswith(("RST", "RET"))


class ProgramFlow(InterruptFlow):
    """Turns rows of machine cycles into steps; where a run of rows is cut between two calls of `feed` makes no difference."""

    def feed(self, rows: Rows, final: bool = False) -> List[Step]:
        """Take more rows and return the steps that they complete; with final=True all that is left."""
        rows = self._without_grants(rows)
        if self._rows.kind:
            rows = self._rows.joined(rows)
        n = len(rows.kind)
        self._final = final
        self._loose = FETCH not in rows.kind and (ACCESS in rows.kind or READ in rows.kind)
        limit = n if final else n - LOOK_AHEAD
        steps, self._held = self._held, []
        at = 0
        while at < limit:
            size = self._step(rows, at, n, steps)
            if not size:
                break
            at += size
            self._begun = True
        self._rows = rows.tail(at)
        if not final and steps and steps[-1].what == HALTED:
            self._held = [steps.pop()]
        return self._with_grants(steps, final)

    def _step(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        """Append the step that begins at a row; returns how many rows it took, 0 when it needs more than there are."""
        kind = rows.kind[at]
        if kind == FETCH or (self._loose and kind in (READ, ACCESS)):
            note = rows.note[at]
            if note == NMI_NOTE:
                return self._response(rows, at, n, NMI, "nmi_response", "NMI", steps)
            if note == HALT_NOTE or (self._halted and (rows.address[at] in self._next or rows.address[at] < 0)):
                return self._stay_halted(rows, at, n, steps)
            return self._instruction(rows, at, n, steps)
        if kind == ACK:
            return self._interrupt(rows, at, n, steps)
        if kind in (RESET, GAP):
            self._marker(rows, at, steps)
            return 1
        return self._misfit(rows, at, n, None, steps)

    # --- instructions ---

    def _instruction(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        data = rows.data
        entry = self._entries.first[data[at]]
        if entry is None and data[at] >= 0:
            entry = self._entries.prefixed(data[at : at + 4])
        course, size = self._fit(entry, rows, at, n) if entry is not None else (0, 0)
        if entry is None or not size:
            if self._looks_like_nmi(rows, at, n):
                return self._response(rows, at, n, NMI, "nmi_response", "NMI", steps)
            return self._misfit(rows, at, n, entry, steps)
        after = at + size
        address, note = self._place_of(entry, rows, at, after)
        if size == 1:
            t, w, unknown = rows.t_states[at], rows.wait_states[at], rows.t_states[at] < 0
        else:
            part = rows.t_states[at:after]
            t, w, unknown = sum(part), sum(rows.wait_states[at:after]), min(part) < 0
        if w:
            w = sum(value for value in rows.wait_states[at:after] if value > 0)
            t -= w
        code = bytes(data[at : at + entry.length])
        courses = entry.courses
        if len(courses) == 2 and courses[0][0] == courses[1][0]:
            tells = after < n and not (code[-1] == 0 and "{e}" in entry.operation.text)  # a jump to what follows anyway tells nothing
            course = _course(courses, None if unknown else t, rows.address[after] if tells else -1, address, entry.length)
        steps.append(
            Step(
                INSTRUCTION, rows.start[at], rows.end[after - 1], None if address < 0 else address, code, entry.operation,
                None if unknown else t, courses[course][1] if course >= 0 else None, w, note,
            )
        )  # fmt: skip
        self._go_on(entry, rows, at, after, code, address, course)
        return size

    def _place_of(self, entry: Entry, rows: Rows, at: int, after: int) -> Tuple[int, str]:
        """Return the address of an instruction, and what is to be said of how it follows on the last one."""
        address = rows.address[at]
        note = self._trouble
        self._trouble = ""
        if address < 0:
            address = self._own_address(entry, rows, at, after)
            if address >= 0:
                note = joined_notes(note, "address from the program")
        elif not note and self._next and address not in self._next:
            expected_at = " or ".join("0x%04x" % wanted for wanted in self._next)
            note = "resynchronised" if self._after_gap else "out of sequence: %s expected" % expected_at
        self._after_gap = False
        return address, note

    def _go_on(self, entry: Entry, rows: Rows, at: int, after: int, code: bytes, address: int, course: int) -> None:
        """Keep what an instruction says of what comes behind it."""
        if entry.jumps:
            self._next = self._after_jump(entry, rows, at, after, code, address, course)
        else:
            self._next = (address + entry.length & 0xFFFF,) if address >= 0 else ()
        if code == b"\x76":
            self._halted = not self._has_halt
        elif entry.operation.text in _MODES:
            self._mode = _MODES[entry.operation.text]

    def _fit(self, entry: Entry, rows: Rows, at: int, n: int) -> Tuple[int, int]:
        """Return which course of an operation the rows show and how many rows that takes; no rows when none fits."""
        kinds = rows.kind
        for course, (pattern, _, size) in enumerate(entry.courses):
            after = at + size
            if kinds[at:after] == pattern and (kinds[after] in STARTS if after < n else self._final):
                if entry.length == 1 or min(rows.data[at : at + entry.length]) >= 0:
                    return course, size
        if self._loose or ACCESS in kinds or UNKNOWN in kinds:
            for course, (pattern, _, size) in enumerate(entry.courses):
                if self._could_be(pattern, entry.length, rows, at, n):
                    return course, size
        return 0, 0

    def _could_be(self, pattern: bytes, length: int, rows: Rows, at: int, n: int) -> bool:
        """Say whether rows of vaguer kinds may be these machine cycles."""
        after = at + len(pattern)
        if after > n or (after == n and not self._final) or min(rows.data[at : at + length]) < 0:
            return False
        for wanted, kind in zip(pattern, rows.kind[at:after]):
            if kind != wanted and wanted not in MAY_BE.get(kind, ()):
                if not (self._loose and wanted == FETCH and kind in (READ, ACCESS)):
                    return False
        if not self._loose:
            return after == n or rows.kind[after] in STARTS
        places = rows.address[at : min(after + 1, n)]
        if min(places) < 0:
            return True
        if any(places[k] != places[0] + k & 0xFFFF for k in range(length)):
            return False  # the bytes of one instruction stand side by side
        return len(pattern) == length or places[length] != places[0] + length & 0xFFFF

    def _own_address(self, entry: Entry, rows: Rows, at: int, after: int) -> int:
        """Return where an instruction stands when the address bus does not say: pushed with a call, or carried on."""
        if "push" in entry.effects and entry.jumps and rows.kind[after - 2 : after] == TWO_WRITES:
            high, low = rows.data[after - 2 : after]
            if min(high, low) >= 0:
                return (high << 8 | low) - entry.length & 0xFFFF
        return self._next[0] if len(self._next) == 1 else NOT_KNOWN

    def _after_jump(self, entry: Entry, rows: Rows, at: int, after: int, code: bytes, address: int, course: int) -> Tuple[int, ...]:
        popped = None
        if "pop" in entry.effects and after - at > entry.length:
            low, high = rows.data[after - 2 : after]
            popped = low | high << 8 if min(low, high) >= 0 else None
        if address < 0:
            absolute = successors(entry.operation, 0, code, popped)
            return absolute if _is_absolute(entry.operation) and len(absolute) == 1 else ()
        key = (code, address, popped)
        allowed = self._leads.get(key)
        if allowed is None:
            if len(self._leads) >= LEADS_KEPT:
                self._leads.clear()
            allowed = self._leads[key] = successors(entry.operation, address, code, popped)
        if len(allowed) == 2 and len(entry.courses) == 2 and course >= 0 and rows.address[at] < 0:
            return allowed[1:] if course == 0 else allowed[:1]
        if len(allowed) == 2 and rows.address[at] < 0:
            return ()
        return allowed
