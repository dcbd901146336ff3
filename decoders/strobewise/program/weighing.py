"""What a prediction keeps while it follows a capture, and what becomes of a difference: weighed, explained, counted, believed or not."""

from __future__ import annotations

from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.semantics import RESET_ADDRESS
from ..cpu.dependences import ALL, Dependences
from ..cpu.model import Z80
from ..records.prediction import Difference
from .capture_bus import EMPTY_ROWS, CaptureBus
from .clues import Explanation, explanations
from .tally import KEPT_DIFFERENCES, Tally, single_line

NOWHERE = -2  #: PC while the program's place is not known; no key of a row
UNCOMPARED_FLAGS = 0x28  #: bits 3 and 5 of F


class Weighing(Tally):
    """The state of one prediction: the model, the rows before it, what it does not know, which line it holds for wrong."""

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

    def _lose(self) -> None:
        """Forget place and registers."""
        self._cpu.pc = NOWHERE
        self._cpu.halted = False
        self._cpu.hold = 0
        self._unknown = ALL
        self._trusted.clear()

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

    def _believe(self, line: int, level: int) -> bool:
        """Say whether to take an address line for wrong, rather than the model: as long as it is wrong in one direction."""
        before, count = self._trusted.get(line, (level, 0))
        if before != level:
            self.address_wrong[before][line] -= count
            self._suspect[line] = 0
            return False
        self._trusted[line] = (level, count + 1)
        self.address_wrong[level][line] += 1
        self.alone_wrong[line] += 1
        self._suspect[line] += 1
        return True

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
