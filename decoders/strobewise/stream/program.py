"""From the items of the cycle stream to the instructions that ran: the program flow of ``strobewise listing``, fed as they come."""

from __future__ import annotations

from typing import Callable, Dict, List, Optional, Tuple

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import CLOCK_SLACK_T, LONGEST_CYCLE_T, RESET_SEEN_T
from ..cpu.disassembly import render
from ..cpu.opcodes import Operation
from ..program.flow import ProgramFlow
from ..program.steps import (
    GAP,
    GRANT,
    GRANTED,
    HALTED,
    IN_RESET,
    INSTRUCTION,
    INTERRUPT,
    LOST,
    MISFIT,
    NMI,
    NOT_KNOWN,
    RESET,
    Rows,
    Step,
)
from .records import Begun, Bus, Ended

BATCH_ROWS = 16  #: rows that go to the program flow at a time: each call has its price, and each row waits for it
_TEXTS_KEPT = 1 << 14


class Program:
    """Turns the items of one cycle stream into the steps of the program."""

    def __init__(self, bus: Bus, stepped: Callable[[Step], None]) -> None:
        """bus: the first item of the stream. stepped: called with each step."""
        captured = frozenset(bus.captured)
        self.missing = tuple(name for name in DATA if name not in captured)  #: lines without which no opcode can be read
        self._t = bus.t_samples
        self._counted = bus.counts_clock
        self._stepped = stepped
        self._flow = ProgramFlow(captured.issuperset(ADDRESS), "HALT" in captured)
        self._begun: Dict[int, Begun] = {}
        self._rows: List[Tuple[int, ...]] = []
        self._reset: Optional[int] = None  #: where /RESET went low
        self._resets: List[Tuple[int, int]] = []
        self._gap: Optional[Tuple[int, int]] = None
        self._last_start = -(1 << 62)

    def begun(self, item: Begun) -> None:
        """Take a cycle's first item."""
        self._begun[item.number] = item

    def ended(self, item: Ended) -> None:
        """Take a cycle's second item."""
        first = self._begun.pop(item.number, None)
        if first is None or self.missing:
            return
        self._marks(item.start)
        kind = KIND_INDEX[item.kind]
        t_states, waits, address, data = (
            NOT_KNOWN if value is None else value for value in (item.t_states, first.wait_states, first.address, first.data)
        )
        self._rows.append((kind, item.start, item.end, t_states, waits, address, data, NOTE_INDEX[item.note]))
        self._last_start = item.start
        if self._t and kind != GRANTED and t_states != NOT_KNOWN:
            own = max(waits, 0) + LONGEST_CYCLE_T
            if self._counted:
                own = min(own, t_states + CLOCK_SLACK_T)
            if (item.end - item.start) / self._t > own:
                self._gap = (item.start + round(min(t_states, max(waits, 0) + 4) * self._t), item.end)
        if len(self._rows) >= BATCH_ROWS:
            self._flush()

    def reset(self, level: int, time: int) -> None:
        """/RESET changed its level."""
        if level == 0:
            self._reset = time
        elif self._reset is not None:
            if time - self._reset >= RESET_SEEN_T * (self._t or 0.0):
                self._resets.append((self._reset, time))
            self._reset = None

    def finish(self, end: int) -> None:
        """Give out what is left at the end of the capture."""
        if self.missing:
            return
        if self._reset is not None:
            self.reset(1, end)
        self._marks(None)
        self._flush(final=True)

    def _marks(self, before: Optional[int]) -> None:
        """Put in what came before the cycle that starts at a sample: resets, or a stretch without a cycle."""
        gap, self._gap = self._gap, None
        while self._resets and (before is None or self._resets[0][1] <= before):
            low, high = self._resets.pop(0)
            self._mark(RESET, max(low, self._last_start + 1), high)
            gap = None
        if gap is not None:
            self._mark(GAP, *gap)

    def _mark(self, what: int, start: int, end: int) -> None:
        self._rows.append((what, start, end, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, 0))

    def _flush(self, final: bool = False) -> None:
        rows, self._rows = self._rows, []
        columns = [list(column) for column in zip(*rows)] if rows else [[] for _ in range(8)]
        for step in self._flow.feed(Rows(bytes(columns[0]), *columns[1:]), final):
            self._stepped(step)


class StepTexts:
    """Makes the texts of steps and remembers those of the instructions met last."""

    def __init__(self) -> None:
        """Begin with nothing remembered."""
        self._known: Dict[Tuple[bytes, Optional[int]], str] = {}

    def texts(self, step: Step) -> List[str]:
        """Return the texts of a step, from a full line down to a character or two."""
        note = step.note
        if step.wait_states:
            waits = "%d wait state%s" % (step.wait_states, "" if step.wait_states == 1 else "s")
            note = f"{note}; {waits}" if note else waits
        if step.operation is not None:
            name = self._mnemonic(step.operation, step.data, step.address)
            short = name.split(" ")[0]
            mark = short[:2]
        else:
            name, short, mark = _NAMES[step.what]
        place = "" if step.address is None else "%04x " % step.address
        long = [place + name]
        if step.t_states is not None:
            due = "" if step.expected in (None, step.t_states) else ", %d due" % step.expected
            long.append("%d T%s" % (step.t_states, due))
        if note and note != name.lower():
            long.append(note)
        return list(dict.fromkeys(("; ".join(long), place + name, name, short, mark)))

    def _mnemonic(self, operation: Operation, data: bytes, address: Optional[int]) -> str:
        relative = "{e}" in operation.text
        key = (data, address if relative else None)
        text = self._known.get(key)
        if text is None:
            if len(self._known) >= _TEXTS_KEPT:
                self._known.clear()
            if relative and address is None:
                distance = len(data) + (data[-1] ^ 0x80) - 0x80
                text = operation.text.replace("{e}", "$%s0x%02x" % ("-" if distance < 0 else "+", abs(distance)))
            else:
                text = render(operation, data, address or 0)
            self._known[key] = text
        return text


#: Long, short and shortest words for what is no instruction.
_NAMES = {
    INTERRUPT: ("Interrupt", "Int", "I"),
    NMI: ("NMI response", "NMI", "N"),
    HALTED: ("Halted", "Halt", "H"),
    GRANT: ("Bus granted", "Granted", "BG"),
    IN_RESET: ("Reset", "Rst", "R"),
    LOST: ("Gap without cycles", "Gap", "-"),
    MISFIT: ("Fits no instruction", "Misfit", "?"),
}

#: Annotation class of a step, by what it is.
STEP_CLASSES: Dict[str, str] = {
    INSTRUCTION: "instruction", INTERRUPT: "interrupt", NMI: "interrupt", HALTED: "halted", GRANT: "bus-granted",
    IN_RESET: "reset", LOST: "misfit", MISFIT: "misfit",
}  # fmt: skip
