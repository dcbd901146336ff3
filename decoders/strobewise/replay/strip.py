"""The stretch around the place where the healthy machine parts from the capture: what was captured, what was due, what a fault would do."""

from __future__ import annotations

from typing import List, Optional, Tuple

from ..bus.model import KINDS
from ..records.replay import Strip, StripCycle
from .board import ReplayBoard
from .compared import Predicted
from .course import Outcome
from .healthy import Run
from .known import Program
from .observed import ANY, NOT_KNOWN, READ, WRITE, Observed
from .predict import rhythm_from
from .timed import board_for
from .unknown import Unknown, Value

BEFORE, BEHIND = 4, 8  #: cycles shown before the parting, and from it on


def strip_of(seen: Observed, program: Program, healthy: Run, best: Optional[Tuple[Outcome, ReplayBoard]]) -> Optional[Strip]:
    """Return the stretch, None where the healthy machine cannot be met shortly before it.

    best: the course of a fault that explains the capture, and its board.
    """
    parted = healthy.setting.begin + healthy.outcome.matched
    first, end = max(healthy.setting.begin, parted - BEFORE), min(parted + BEHIND, len(seen))
    due = _due(seen, program, healthy, first, end)
    if not due or parted >= len(seen):
        return None
    shown = [_captured(seen, row) for row in range(first, end)]
    differs = next((at for at, (a, b) in enumerate(zip(shown, due)) if not _alike(a, b, seen)), None)
    fault = [_predicted(p, seen, best[1]) for p in best[0].log if first <= p.row < end] if best is not None else []
    return Strip(first, seen.start_s[first], differs, tuple(shown), tuple(due), tuple(fault))


def _due(seen: Observed, program: Program, healthy: Run, first: int, end: int) -> List[StripCycle]:
    """Return what the healthy machine does from a cycle on, when nothing but its program leads it."""
    earlier = [point for point in healthy.course.checkpoints if point[0] <= first]
    board = board_for(seen, program)
    begin, state = healthy.setting.begin, None
    if earlier:
        begin, mark, ram = earlier[-1]
        state, board.bus, board.ram = mark[0], mark[2], dict(ram)
    hidden = healthy.course.hides
    cycles: List[StripCycle] = []
    for kind, t_states, address, data in rhythm_from(board, state, 4 * (end - begin) + 8):
        if kind in hidden and cycles:
            cycles[-1] = cycles[-1]._replace(t_states=(cycles[-1].t_states or 0) + t_states)
        else:
            cycles.append(StripCycle(KINDS[kind], t_states, _whole(address), _whole(data)))
    return cycles[first - begin : end - begin]


def _whole(value: Value) -> Optional[int]:
    return None if isinstance(value, Unknown) else value


def _captured(seen: Observed, row: int) -> StripCycle:
    kind, t_states = seen.kinds[row], seen.t_states[row]
    address = seen.address[row] if seen.address_mask == 0xFFFF else None
    data = seen.data[row] if seen.data_mask[row] == 0xFF else None
    return StripCycle("" if kind == ANY else KINDS[kind], None if t_states == NOT_KNOWN else t_states, address, data)


def _predicted(p: Predicted, seen: Observed, board: ReplayBoard) -> StripCycle:
    t_states = seen.t_states[p.row]
    pins = _whole(board.address_at_pin(p.address))
    return StripCycle(KINDS[p.kind], None if t_states == NOT_KNOWN else t_states, pins, _whole(p.data))


def _alike(captured: StripCycle, due: StripCycle, seen: Observed) -> bool:
    """Say whether a captured cycle may be the one that was due, as far as the leads tell."""
    same_kind = captured.kind in ("", "unknown", due.kind) or (captured.kind == "memory_access" and due.kind in (KINDS[READ], KINDS[WRITE]))
    numbers = ((captured.t_states, due.t_states), (captured.address, due.address), (captured.data, due.data))
    return same_kind and all(a is None or b is None or a == b for a, b in numbers)
