"""From the items of the cycle stream to the instructions that ran: the program flow of ``strobewise listing``, fed as they come."""

from __future__ import annotations

from typing import Callable, Dict, List, Mapping, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..bus.semantics import CLOCK_SLACK_T, LONGEST_CYCLE_T, RESET_SEEN_T
from ..bus.units import NEVER
from ..cpu.disassembly import render
from ..cpu.opcodes import Operation
from ..program.flow import ProgramFlow
from ..program.steps import (
    GAP,
    GRANT,
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
from .labels import Annotation
from .records import BegunItem, Bus, EndedItem

_TEXTS_KEPT = 1 << 14


class Program:
    """Turns the items of one cycle stream into the steps of the program."""

    def __init__(self, bus: Bus, stepped: Callable[[Step], None]) -> None:
        """bus: the first item of the stream. stepped: called with each step."""
        captured = frozenset(bus.captured)
        self.missing = tuple(name for name in DATA if name not in captured)  #: lines without which no opcode can be read
        self._t = bus.t_samples
        self._counted = bus.counts_clock
        self._longest = min(LONGEST_CYCLE_T, CLOCK_SLACK_T) * (bus.t_samples or 0.0)  #: no cycle up to so many samples hides a gap
        self._stepped = stepped
        self._flow = ProgramFlow(captured.issuperset(ADDRESS), "HALT" in captured)
        self._begun: Dict[int, BegunItem] = {}
        self._rows: List[Tuple[int, ...]] = []
        self._reset: Optional[int] = None  #: where /RESET went low
        self._resets: List[Tuple[int, int]] = []
        self._gap: Optional[Tuple[int, int]] = None
        self._last_start = -NEVER

    def cycles(self, begun: Sequence[BegunItem], ended: Sequence[EndedItem]) -> None:
        """Take the first and the second items of some cycles."""
        if self.missing:
            return
        first_of = self._begun
        for item in begun:
            first_of[item[0]] = item
        for number, name, start, end, t_states, note in ended:
            _, _, _, _, address, data, waits, _, _, _ = first_of.pop(number)
            if self._resets or self._gap is not None:
                self._marks(start)
            length = NOT_KNOWN if t_states is None else t_states
            waited = NOT_KNOWN if waits is None else waits
            place, byte = NOT_KNOWN if address is None else address, NOT_KNOWN if data is None else data
            self._rows.append((KIND_INDEX[name], start, end, length, waited, place, byte, NOTE_INDEX[note]))
            self._last_start = start
            if length >= 0 and end - start > self._longest:
                self._look_for_gap(name, start, end, length, waited)
        self._flush()

    def _look_for_gap(self, name: str, start: int, end: int, length: int, waited: int) -> None:
        """See whether the CPU must have run longer than a cycle of its own length takes."""
        if self._t and name != "bus_granted":
            own = LONGEST_CYCLE_T + max(waited, 0)
            if self._counted:
                own = min(own, length + CLOCK_SLACK_T)
            if (end - start) / self._t > own:
                self._gap = (start + round(min(length, max(waited, 0) + 4) * self._t), end)

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


class StepItems:
    """Makes the items of steps and remembers those of the steps met last."""

    def __init__(self, class_of: Mapping[str, int]) -> None:
        """class_of: number of the host's class by what a step is."""
        self._class_of = class_of
        self._known: Dict[Tuple[bytes, Optional[int]], str] = {}
        self._items: Dict[Tuple[object, ...], Annotation] = {}

    def item(self, step: Step) -> Annotation:
        """Return the number of a step's class, and its texts, from a full line down to a character or two."""
        what, _, _, address, data, _, t_states, expected, waits, note = step
        key = (what, address, data, t_states, expected, waits, note)  # the operation is what its bytes say
        item = self._items.get(key)
        if item is None:
            if len(self._items) >= _TEXTS_KEPT:
                self._items.clear()
            item = self._items[key] = [self._class_of[what], self._texts(step)]
        return item

    def _texts(self, step: Step) -> List[str]:
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
