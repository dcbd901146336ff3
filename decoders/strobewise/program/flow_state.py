"""What the program flow keeps between two steps, and what becomes of rows that are no instruction: markers, misfits, bus grants."""

from __future__ import annotations

from typing import Dict, List, Optional, Tuple

from ..bus.semantics import RESET_ADDRESS
from ..bus.units import NEVER
from .steps import (
    ACCESS,
    EMPTY,
    FETCH,
    GAP,
    GRANT,
    GRANTED,
    IN_RESET,
    LOST,
    MISFIT,
    READ,
    RESET,
    STARTS,
    Entry,
    Rows,
    Step,
    entries,
)

LOOK_AHEAD = 8  #: rows that the longest instruction takes, the first row of the next, and one to spare
_CUT_OFF = ("the capture begins inside an instruction", "the capture ends inside an instruction",
            "the rest of an instruction")  # fmt: skip


def measure(rows: Rows, at: int, after: int) -> Tuple[Optional[int], int]:
    """Return the T-states of rows without wait states (None when not known), and the wait states."""
    part = rows.t_states[at:after]
    waits = sum(value for value in rows.wait_states[at:after] if value > 0)
    return (None if min(part) < 0 else sum(part) - waits), waits


class FlowState:
    """Where the program is and what it may do next."""

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
        self._leads: Dict[Tuple[bytes, int, Optional[int]], Tuple[int, ...]] = {}  #: where jumps lead: code, address, word popped
        self._mode: Optional[int] = None  #: interrupt mode, as the program or a reset has set it
        self._halted = False  #: behind a HALT whose end nothing else shows
        self._loose = False  #: no fetch can be told from a read in these rows
        self._trouble = ""  #: why the next instruction may not follow from the last step
        self._grants: List[Tuple[int, int]] = []
        self._held: List[Step] = []  #: a stay in HALT that may go on
        self._after_gap = False
        self._begun = False
        self._final = False

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
        t, w = measure(rows, at, end)
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
        horizon = self._rows.start[0] if self._rows.kind else NEVER
        ready = [grant for grant in self._grants if final or grant[0] < horizon]
        self._grants = self._grants[len(ready) :]
        extra = [Step(GRANT, start, end, None, b"", None, None, None, 0, "bus granted") for start, end in ready]
        return sorted(steps + extra, key=lambda step: step.start)
