"""What runs between two instructions of a program: stays in HALT and the responses to interrupts. Source: UM0080."""

from __future__ import annotations

from typing import List

from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import MODE_1_ADDRESS, NMI_ADDRESS
from ..cpu.opcodes import RESPONSES
from .flow_state import FlowState, measure
from .steps import ACCESS, ACK, FETCH, GAP, HALTED, INTERRUPT, NMI, NOT_KNOWN, READ, RESET, STARTS, WRITE, Rows, Step, successors

HALT_NOTE, NMI_NOTE = NOTE_INDEX["halt"], NOTE_INDEX["nmi_response"]

TWO_WRITES = bytes((WRITE, WRITE))
_MODE_2 = bytes((WRITE, WRITE, READ, READ))
_START_BYTES = tuple(bytes((kind,)) for kind in (FETCH, ACK, RESET, GAP))
_READ_BYTES = (bytes((READ,)), bytes((ACCESS,)))


def joined_notes(first: str, second: str) -> str:
    return "; ".join(filter(None, (first, second)))


class InterruptFlow(FlowState):
    """Recognises what is no instruction of the program's own."""

    def _stay_halted(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        """Join fetches in HALT, all that follow each other, into one step."""
        end = at
        captured = rows.note[at] == HALT_NOTE
        while end < n and rows.kind[end] == FETCH and rows.address[end] == rows.address[at]:
            if (rows.note[end] == HALT_NOTE) != captured or rows.note[end] == NMI_NOTE:
                break
            end += 1
        self._trouble = ""
        t, w = measure(rows, at, end)
        expected = 4 * (end - at)
        address = rows.address[at]
        before = steps[-1] if steps and steps[-1].what == HALTED else None
        if before is not None and before.address == (None if address < 0 else address):
            t = None if t is None or before.t_states is None else t + before.t_states
            expected += before.expected or 0
            steps.pop()
        start = before.start if before is not None else rows.start[at]
        w += before.wait_states if before is not None else 0
        fetches = expected // 4
        note = "in HALT: %d fetch%s" % (fetches, "es" if fetches > 1 else "")
        steps.append(Step(HALTED, start, rows.end[end - 1], None if address < 0 else address, b"", None, t, expected, w, note))
        return end - at

    def _interrupt(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        """An interrupt acknowledge and what follows it, by what the device and the mode made of it."""
        self._halted = False
        after = rows.kind[at + 1 : at + 6]
        vector = rows.data[at]
        if after[:4] == _MODE_2 and (after[4:5] in _START_BYTES or len(after) == 4):
            low, high = rows.data[at + 3], rows.data[at + 4]
            note = "interrupt, mode 2" + (", vector 0x%02x" % vector if vector >= 0 else "")
            size = self._response(rows, at, n, INTERRUPT, "interrupt_mode_2", note, steps)
            self._next = (low | high << 8,) if min(low, high) >= 0 else ()
            return size
        goes_to = rows.address[at + 3] if at + 3 < n else NOT_KNOWN
        restart = vector & MODE_1_ADDRESS if vector >= 0 and vector & 0xC7 == 0xC7 else NOT_KNOWN
        mode_1 = restart in (NOT_KNOWN, MODE_1_ADDRESS) or goes_to == MODE_1_ADDRESS
        if after[:2] == TWO_WRITES and after[2:3] not in _READ_BYTES and mode_1 and self._mode != 0:
            note = "interrupt, mode 1" if restart != MODE_1_ADDRESS or self._mode == 1 else "interrupt, mode 1, or 0 with RST 0x38"
            return self._response(rows, at, n, INTERRUPT, "interrupt_mode_1", note, steps)
        return self._from_device(rows, at, n, steps)

    def _from_device(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        """Mode 0: the device gave an instruction; its first fetch is the acknowledge, 2 T-states longer."""
        data = rows.data
        entry = self._entries.first[data[at]]
        for pattern, expected, size in entry.courses if entry is not None else ():
            after = at + size
            if entry is not None and rows.kind[at + 1 : after] == pattern[1:] and (after >= n or rows.kind[after] in STARTS):
                code = data[at : at + entry.length]
                if min(code) < 0:
                    break
                address = self._place(rows, at)
                t, w = measure(rows, at, after)
                steps.append(
                    Step(INTERRUPT, rows.start[at], rows.end[after - 1], address, bytes(code), entry.operation, t, expected + 2, w,
                         joined_notes("interrupt, mode 0", self._take_trouble()))
                )  # fmt: skip
                self._next = ()
                if "{e}" not in entry.operation.text and address is not None:
                    behind = (address,) if "jump" not in entry.operation.effects else ()
                    self._next = behind or successors(entry.operation, address - entry.length & 0xFFFF, bytes(code), None)
                return size
        return self._misfit(rows, at, n, None, steps, "interrupt acknowledge; what follows fits no response to it")

    def _response(self, rows: Rows, at: int, n: int, what: str, name: str, note: str, steps: List[Step]) -> int:
        """Append the response to an interrupt, when its rows are those that the manual gives."""
        cycles = RESPONSES[name]
        after = at + len(cycles)
        fits = all(rows.kind[at + k] == KIND_INDEX[kind] for k, (kind, _) in enumerate(cycles[: n - at]))
        if not fits or after > n:
            return self._misfit(rows, at, n, None, steps, joined_notes(note, self._ending(after, n) or "its cycles do not fit"))
        self._halted = False
        address = self._place(rows, at)
        pushed = rows.data[at + 1] << 8 | rows.data[at + 2] if min(rows.data[at + 1 : at + 3]) >= 0 else None
        note = joined_notes(note, self._take_trouble())
        if address is None and pushed is not None:
            address, note = pushed, joined_notes(note, "address from the program")
        t, w = measure(rows, at, after)
        note += "" if pushed is None else ", pushes 0x%04x" % pushed
        steps.append(
            Step(what, rows.start[at], rows.end[after - 1], address, b"", None, t, sum(t for _, t in cycles), w, note)
        )  # fmt: skip
        self._next = (NMI_ADDRESS if what == NMI else MODE_1_ADDRESS,)
        return after - at

    def _looks_like_nmi(self, rows: Rows, at: int, n: int) -> bool:
        """Say whether a fetch that its opcode does not explain is an NMI's, where the address bus can not tell."""
        if rows.address[at] >= 0 or rows.kind[at + 1 : at + 4] != TWO_WRITES + bytes((FETCH,)) or rows.kind[at] != FETCH:
            return False
        pushed = rows.data[at + 1 : at + 3]
        known = len(self._next) == 1 and min(pushed) >= 0
        return rows.t_states[at] - max(rows.wait_states[at], 0) in (5, NOT_KNOWN) and (
            not known or pushed[0] << 8 | pushed[1] == self._next[0]
        )
