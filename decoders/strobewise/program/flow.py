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

from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import MODE_1_ADDRESS, NMI_ADDRESS, RESET_ADDRESS
from ..cpu.opcodes import RESPONSES, Operation
from .steps import (
    ACCESS,
    ACK,
    EMPTY,
    FETCH,
    GAP,
    GRANT,
    GRANTED,
    HALTED,
    IN_RESET,
    INSTRUCTION,
    INTERRUPT,
    LOST,
    MAY_BE,
    MISFIT,
    NMI,
    NOT_KNOWN,
    READ,
    RESET,
    STARTS,
    UNKNOWN,
    WRITE,
    Entry,
    Rows,
    Step,
    entries,
    successors,
)

LOOK_AHEAD = 8  #: rows that the longest instruction takes, the first row of the next, and one to spare
_HALT, _NMI = NOTE_INDEX["halt"], NOTE_INDEX["nmi_response"]

_MODES = {"IM 0": 0, "IM 1": 1, "IM 2": 2}
_CUT_OFF = ("the capture begins inside an instruction", "the capture ends inside an instruction",
            "the rest of an instruction")  # fmt: skip
_TWO_WRITES = bytes((WRITE, WRITE))
_MODE_2 = bytes((WRITE, WRITE, READ, READ))
_START_BYTES = tuple(bytes((kind,)) for kind in (FETCH, ACK, RESET, GAP))
_READ_BYTES = (bytes((READ,)), bytes((ACCESS,)))


def _and(first: str, second: str) -> str:
    return "; ".join(filter(None, (first, second)))


def _measure(rows: Rows, at: int, after: int) -> Tuple[Optional[int], int]:
    """Return the T-states of rows without wait states (None when not known), and the wait states."""
    part = rows.t_states[at:after]
    waits = sum(value for value in rows.wait_states[at:after] if value > 0)
    return (None if min(part) < 0 else sum(part) - waits), waits


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


class ProgramFlow:
    """Turns rows of machine cycles into steps; where a run of rows is cut between two calls of `feed` makes no difference."""

    def __init__(self, has_address: bool = True, has_halt: bool = True) -> None:
        """has_address, has_halt: the address bus, and the line that tells the fetches in HALT apart, were captured.

        Without the address bus it is followed from where the program gives it away (reset, calls, returns, jumps to a place); without
        /HALT the fetches behind a HALT instruction count as such until something ends them.
        """
        self._rows = EMPTY
        self._has_address = has_address
        self._has_halt = has_halt
        self._entries = entries()
        self._next: Tuple[int, ...] = ()  #: where the program may go on; empty when anywhere
        self._mode: Optional[int] = None  #: interrupt mode, as the program or a reset has set it
        self._halted = False  #: behind a HALT whose end nothing else shows
        self._loose = False  #: no fetch can be told from a read in these rows
        self._trouble = ""  #: why the next instruction may not follow from the last step
        self._grants: List[Tuple[int, int]] = []
        self._held: List[Step] = []  #: a stay in HALT that may go on
        self._after_gap = False
        self._begun = False
        self._final = False

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
            if note == _NMI:
                return self._response(rows, at, n, NMI, "nmi_response", "NMI", steps)
            if note == _HALT or (self._halted and (rows.address[at] in self._next or rows.address[at] < 0)):
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
        address = rows.address[at]
        note = self._trouble
        self._trouble = ""
        if address < 0:
            address = self._own_address(entry, rows, at, after)
            if address >= 0:
                note = _and(note, "address from the program")
        elif not note and self._next and address not in self._next:
            expected_at = " or ".join("0x%04x" % wanted for wanted in self._next)
            note = "resynchronised" if self._after_gap else "out of sequence: %s expected" % expected_at
        self._after_gap = False
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
        if len(courses) == 1:
            expected: Optional[int] = courses[0][1]
        else:
            if courses[0][0] == courses[1][0]:
                tells = after < n and not (code[-1] == 0 and "{e}" in entry.operation.text)  # a jump to what follows anyway tells nothing
                course = _course(courses, None if unknown else t, rows.address[after] if tells else -1, address, entry.length)
            expected = courses[course][1] if course >= 0 else None
        steps.append(
            Step(
                INSTRUCTION, rows.start[at], rows.end[after - 1], None if address < 0 else address, code, entry.operation,
                None if unknown else t, expected, w, note,
            )
        )  # fmt: skip
        if entry.jumps:
            self._next = self._after_jump(entry, rows, at, after, code, address, course)
        else:
            self._next = (address + entry.length & 0xFFFF,) if address >= 0 else ()
        if code == b"\x76":
            self._halted = not self._has_halt
        elif entry.operation.text in _MODES:
            self._mode = _MODES[entry.operation.text]
        return size

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
        if "push" in entry.operation.effects and entry.jumps and rows.kind[after - 2 : after] == _TWO_WRITES:
            high, low = rows.data[after - 2 : after]
            if min(high, low) >= 0:
                return (high << 8 | low) - entry.length & 0xFFFF
        return self._next[0] if len(self._next) == 1 else NOT_KNOWN

    def _after_jump(self, entry: Entry, rows: Rows, at: int, after: int, code: bytes, address: int, course: int) -> Tuple[int, ...]:
        popped = None
        if "pop" in entry.operation.effects and after - at > entry.length:
            low, high = rows.data[after - 2 : after]
            popped = low | high << 8 if min(low, high) >= 0 else None
        if address < 0:
            absolute = successors(entry.operation, 0, code, popped)
            return absolute if _is_absolute(entry.operation) and len(absolute) == 1 else ()
        allowed = successors(entry.operation, address, code, popped)
        if len(allowed) == 2 and len(entry.courses) == 2 and course >= 0 and rows.address[at] < 0:
            return allowed[1:] if course == 0 else allowed[:1]
        if len(allowed) == 2 and rows.address[at] < 0:
            return ()
        return allowed

    # --- what comes between instructions ---

    def _stay_halted(self, rows: Rows, at: int, n: int, steps: List[Step]) -> int:
        """Join fetches in HALT, all that follow each other, into one step."""
        end = at
        captured = rows.note[at] == _HALT
        while end < n and rows.kind[end] == FETCH and rows.address[end] == rows.address[at]:
            if (rows.note[end] == _HALT) != captured or rows.note[end] == _NMI:
                break
            end += 1
        self._trouble = ""
        t, w = _measure(rows, at, end)
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
        if after[:2] == _TWO_WRITES and after[2:3] not in _READ_BYTES and mode_1 and self._mode != 0:
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
                t, w = _measure(rows, at, after)
                steps.append(
                    Step(INTERRUPT, rows.start[at], rows.end[after - 1], address, bytes(code), entry.operation, t, expected + 2, w,
                         _and("interrupt, mode 0", self._take_trouble()))
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
            return self._misfit(rows, at, n, None, steps, _and(note, self._ending(after, n) or "its cycles do not fit"))
        self._halted = False
        address = self._place(rows, at)
        pushed = rows.data[at + 1] << 8 | rows.data[at + 2] if min(rows.data[at + 1 : at + 3]) >= 0 else None
        note = _and(note, self._take_trouble())
        if address is None and pushed is not None:
            address, note = pushed, _and(note, "address from the program")
        t, w = _measure(rows, at, after)
        note += "" if pushed is None else ", pushes 0x%04x" % pushed
        steps.append(
            Step(what, rows.start[at], rows.end[after - 1], address, b"", None, t, sum(t for _, t in cycles), w, note)
        )  # fmt: skip
        self._next = (NMI_ADDRESS if what == NMI else MODE_1_ADDRESS,)
        return after - at

    def _looks_like_nmi(self, rows: Rows, at: int, n: int) -> bool:
        """Say whether a fetch that its opcode does not explain is an NMI's, where the address bus can not tell."""
        if rows.address[at] >= 0 or rows.kind[at + 1 : at + 4] != _TWO_WRITES + bytes((FETCH,)) or rows.kind[at] != FETCH:
            return False
        pushed = rows.data[at + 1 : at + 3]
        known = len(self._next) == 1 and min(pushed) >= 0
        return rows.t_states[at] - max(rows.wait_states[at], 0) in (5, NOT_KNOWN) and (
            not known or pushed[0] << 8 | pushed[1] == self._next[0]
        )

    def _marker(self, rows: Rows, at: int, steps: List[Step]) -> None:
        """Append a reset or a gap."""
        if rows.kind[at] == RESET:
            what, note, self._next, self._trouble, self._mode = IN_RESET, "/RESET low", (RESET_ADDRESS,), "", 0
            self._halted = False
        else:
            what, note, self._after_gap = LOST, "no cycles here: samples lost, or the CPU stood still", True
            if not self._has_address:
                self._next = ()
        steps.append(Step(what, rows.start[at], rows.end[at], None, b"", None, None, None, 0, note))

    def _misfit(self, rows: Rows, at: int, n: int, entry: Optional[Entry], steps: List[Step], why: str = "") -> int:
        """Append the rows up to the next place where an instruction may begin as what fits none."""
        kinds = rows.kind
        end = at + 1
        if entry is not None:
            pattern = entry.courses[0][0]
            while end < n and end - at < len(pattern) and kinds[end] == pattern[end - at] == FETCH:
                end += 1
        while end < n and kinds[end] not in STARTS and not self._loose:
            end += 1
        if end == n and not self._final and end - at < 4 * LOOK_AHEAD:
            return 0
        code: List[int] = []
        if kinds[at] == FETCH:
            length = 1 if entry is None else entry.length
            code = [rows.data[k] for k in range(at, min(end, at + length)) if rows.data[k] >= 0 and kinds[k] in (FETCH, READ, ACCESS)]
        if not why:
            if kinds[at] not in STARTS and not self._begun:
                why = _CUT_OFF[0]
            elif kinds[at] not in STARTS and self._after_gap:
                why = _CUT_OFF[2]
            elif end == n and self._final:
                why = _CUT_OFF[1]
            elif kinds[at] == FETCH and rows.data[at] < 0:
                why = "opcode not known"
            else:
                why = "cut short" if end < n and kinds[end] in (RESET, GAP) else "machine cycles that fit no instruction"
        t, w = _measure(rows, at, end)
        if (end < n and kinds[end] in (RESET, GAP)) or why in _CUT_OFF:
            t, w = None, 0  # of a part
        steps.append(
            Step(MISFIT, rows.start[at], rows.end[end - 1], self._place(rows, at), bytes(code), None, t, None, w, why)
        )  # fmt: skip
        self._next = ()
        self._halted = False
        self._trouble = "" if why == _CUT_OFF[0] else "resynchronised"
        return end - at

    def _ending(self, after: int, n: int) -> str:
        return "the capture ends inside it" if self._final and after > n else ""

    def _place(self, rows: Rows, at: int) -> Optional[int]:
        """Return the address of a row, concluded from the program where the bus does not say; None when nothing does."""
        if rows.address[at] >= 0:
            return rows.address[at]
        return self._next[0] if len(self._next) == 1 else None

    def _take_trouble(self) -> str:
        trouble, self._trouble = self._trouble, ""
        return trouble

    # --- bus grants lie between any two machine cycles, so they run beside the instructions ---

    def _without_grants(self, rows: Rows) -> Rows:
        if GRANTED not in rows.kind:
            return rows
        keep = [k for k, kind in enumerate(rows.kind) if kind != GRANTED]
        self._grants.extend((rows.start[k], rows.end[k]) for k, kind in enumerate(rows.kind) if kind == GRANTED)
        return Rows(bytes(rows.kind[k] for k in keep), *([column[k] for k in keep] for column in rows[1:]))

    def _with_grants(self, steps: List[Step], final: bool) -> List[Step]:
        if not self._grants:
            return steps
        horizon = self._rows.start[0] if self._rows.kind else 1 << 62
        ready = [grant for grant in self._grants if final or grant[0] < horizon]
        self._grants = self._grants[len(ready) :]
        extra = [Step(GRANT, start, end, None, b"", None, None, None, 0, "bus granted") for start, end in ready]
        return sorted(steps + extra, key=lambda step: step.start)
