"""A fault that begins on the way: up to a cycle the machine is healthy, from there on it has one fault of the catalogue.

It is looked for where no fault that was there from the begin on explains the capture: a contact that opens, a driver that dies. Such a
fault has met the program shortly before the healthy machine parts from the capture, so only the last few cycles that it touches are tried
as its begin. Because there are so many of those, it must explain more than the others: all that follows, and on a way of its own, since a
short loop, as of a machine that reads FFh wherever it looks, is where faults of many kinds end.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Sequence, Tuple

from ..bus.model import KINDS
from ..machine.faults import Fault
from ..records.replay import PARTED
from .board import Region, ReplayBoard
from .catalogue import Hypothesis
from .compared import Predicted
from .healthy import Run, run_course
from .known import Program
from .observed import FETCH, READ, WRITE, Observed
from .unknown import Unknown

WINDOW = 24  #: cycles before the healthy machine parts in which such a fault must have met the program
BEGINS = 5  #: of the cycles that it touches there, the last ones, that are tried as its begin
GAIN = 48  #: cycles that it must explain beyond the healthy machine: there are thousands of begins
FIRST_REACH = 24  #: cycles behind the parting that it is tried with at first
STEPS_FREE = 40  #: instructions more than there are cycles that such a course may run: hardly any ways may be open
STEPS_MOST = 100_000  #: instructions of all these courses together: some seconds
_SHARED = ("ram", "journal", "bus")  #: what is the board's whether the fault is there or not


class LateBoard(ReplayBoard):
    """A board that is healthy up to a captured cycle, and has a fault from there on."""

    timed = True

    def __init__(self, regions: tuple[Region, ...], fault: Fault, undriven: Optional[str], since: int) -> None:
        super().__init__(regions, fault, undriven)
        self.since: int = since
        self._wrong = {name: value for name, value in vars(self).items() if name not in _SHARED}
        self._right = {name: value for name, value in vars(ReplayBoard(regions)).items() if name not in _SHARED}
        self._late = True
        self.at_cycle(since - 1)

    def at_cycle(self, row: int) -> None:
        """Become what the board is in a captured cycle."""
        late = row >= self.since
        if late != self._late:
            vars(self).update(self._wrong if late else self._right)
            self._late = late

    def pins_in(self, row: int, kind: str) -> int:
        """Return the control lines in the middle of a captured cycle, as the leads at the CPU show them."""
        self.at_cycle(row)
        return self.pins[kind]


def begun_on_the_way(
    seen: Observed, program: Program, healthy: Run, hypotheses: Sequence[Hypothesis], full: float
) -> Iterator[Tuple[Hypothesis, Run, LateBoard]]:
    """Yield the faults that explain all of the capture once they have begun, each with its latest begin.

    full: cycles that "all" means.
    """
    parted = healthy.setting.begin + healthy.outcome.matched
    least = max(full, healthy.outcome.matched + GAIN)
    if healthy.outcome.ended != PARTED or len(seen) - healthy.setting.begin < least or program.has_device:
        return
    steps = STEPS_MOST
    window = [p for p in healthy.outcome.log if p.row >= parted - WINDOW]
    for hypothesis in hypotheses:
        if _answers_nothing(hypothesis):
            continue
        for since in _begins(ReplayBoard(program.regions, hypothesis.fault, hypothesis.undriven), healthy, window):
            board = LateBoard(program.regions, hypothesis.fault, hypothesis.undriven, since)
            trial = _run(seen, board, healthy, since, min(parted + FIRST_REACH, len(seen)))
            steps -= trial.outcome.steps
            if trial.outcome.matched < trial.course.end - healthy.setting.begin:
                continue
            run = _run(seen, LateBoard(program.regions, hypothesis.fault, hypothesis.undriven, since), healthy, since, len(seen))
            steps -= run.outcome.steps
            if run.outcome.matched >= least:
                yield hypothesis, run, board
                break
        if steps < 0:
            return


def _answers_nothing(hypothesis: Hypothesis) -> bool:
    """Whether nothing is read any more: so it is, too, where a machine was led into empty memory, by whatever fault."""
    fault = hypothesis.fault
    return fault.kind in ("rom-absent", "rom-not-selected") or (fault.kind == "dead-high" and fault.lines[0] in ("RD", "MREQ"))


def _run(seen: Observed, board: LateBoard, healthy: Run, since: int, end: int) -> Run:
    """Run such a machine from shortly before its fault begins."""
    earlier = [point for point in healthy.course.checkpoints if point[0] <= since]
    first = earlier[-1][0] if earlier else healthy.setting.begin
    return run_course(seen, board, healthy.setting, earlier[-1] if earlier else None, end, end - first + STEPS_FREE)


def _begins(board: ReplayBoard, healthy: Run, window: Sequence[Predicted]) -> List[int]:
    """Return the last cycles before the healthy machine parts that a fault touches, the latest first."""
    found: List[int] = []
    board.ram = dict(healthy.course.board.ram)
    for p in reversed(window):
        if len(found) == BEGINS:
            break
        if _touches(board, p):
            found.append(p.row)
    return found


def _touches(board: ReplayBoard, p: Predicted) -> bool:
    """Say whether a fault changes what comes of a cycle of the healthy machine."""
    if p.kind in (FETCH, READ):
        board.bus = 0xFF
        taken, _ = board.read(KINDS[p.kind], p.address)
        return not isinstance(taken, Unknown) and not isinstance(p.data, Unknown) and taken != p.data
    return p.kind == WRITE and board.touches_write(p.address, p.data)
