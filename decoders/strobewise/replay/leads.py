"""Strobes that a lead shows at rest although the machine that explains the capture must have moved them."""

from __future__ import annotations

from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.lines import BIT, MASK
from ..bus.model import KINDS
from ..machine.board import ALL_HIGH, ASSERTED
from ..records.replay import ReplayRecord
from .board import ReplayBoard
from .by_lead import candidates_of
from .course import Outcome
from .healthy import Run, run_healthy
from .known import Program
from .observed import ACKNOWLEDGE, ANY, FETCH, IO_READ, IO_WRITE, Observed

STROBES = ("M1", "IORQ", "RD", "WR")
LEAST_CASES = 8  #: cycles in which a strobe must have been due before it is called dead
STRAY_SHARE = 0.04  #: of its cases in which a strobe must be wrong, where there are few
STUCK = 0.002  #: share of the time at the other level up to which a line counts as stuck
FLOATS = 0.2  #: of all cases that are wrong, from which a strobe that is neither high nor low floats (our choice)
DEAD_SHARE = 0.9  #: of them in which it was not seen
_UNSEEN = {IO_READ: "IORQ", IO_WRITE: "IORQ", ACKNOWLEDGE: "IORQ"}


def _cases(seen: Observed, outcome: Outcome, board: ReplayBoard) -> Dict[str, List[Tuple[int, int]]]:
    """Count for each captured strobe [(times due low, of those seen low), (times due high, of those seen high)]."""
    return _count(seen, outcome, board, [name for name in ("MREQ", *STROBES, "RFSH") if name in seen.captured])


def _count(seen: Observed, outcome: Outcome, board: ReplayBoard, names: Sequence[str]) -> Dict[str, List[Tuple[int, int]]]:
    counts = {name: [[0, 0], [0, 0]] for name in names}
    in_strobe = [name for name in names if name != "RFSH"]
    for p in outcome.log:
        if p.row >= len(seen) or seen.kinds[p.row] == ANY:
            continue
        pins, shown = board.pins_in(p.row, KINDS[p.kind]), seen.control[p.row]
        for name in in_strobe:
            high, got = bool(pins & MASK[name]), bool(shown >> BIT[name] & 1)
            counts[name][high][0] += 1
            counts[name][high][1] += got == high
    if "RFSH" in counts:
        rows = [p.row for p in outcome.log if p.kind == FETCH and p.row < len(seen)]
        refreshing = sum(1 for row in rows if not seen.after[row] >> BIT["RFSH"] & 1)
        at_rest = sum(1 for row in rows if seen.control[row] >> BIT["RFSH"] & 1)
        counts["RFSH"] = [[len(rows), refreshing], [len(rows), at_rest]]
    for row, kind in outcome.hidden:
        name = _UNSEEN[kind] if kind in _UNSEEN else "WR"
        if name in counts and not board.pins_in(row, KINDS[kind]) & MASK[name]:
            counts[name][0][0] += 1
    return {name: [(a[0], a[1]) for a in pair] for name, pair in counts.items()}


def disagreeing(seen: Observed, outcome: Outcome, board: ReplayBoard) -> Dict[str, str]:
    """Return the captured strobes that do not move as they would have to, with what they seem to be: high, low or float."""
    found = {}
    for name, ((low, seen_low), (high, seen_high)) in _cases(seen, outcome, board).items():
        never = low >= LEAST_CASES and seen_low <= (1 - DEAD_SHARE) * low
        always = high >= LEAST_CASES and seen_high <= (1 - DEAD_SHARE) * high
        wrong = (low - seen_low) + (high - seen_high)
        if never and not always:
            found[name] = "high"
        elif always and not never:
            found[name] = "low"
        elif wrong >= LEAST_CASES and wrong >= FLOATS * (low + high):
            found[name] = "float"
    return found


def dead_leads(record: ReplayRecord, seen: Observed, healthy: Run) -> None:
    """Where the machine runs as it should and one strobe does not move: name that strobe.

    Several are no single fault, and left to the rules.
    """
    board = healthy.course.board
    dead = disagreeing(seen, healthy.outcome, board)
    dead.pop("MREQ", None)  # it frames the cycles that all this is counted in
    dead.update(_halt(seen, healthy))
    record.dead_leads = tuple(sorted(dead))
    if len(dead) != 1:
        return
    (name, level), = dead.items()
    record.healthy_matched = _first_wrong(seen, healthy, name)
    _name(record, name, level)


def _halt(seen: Observed, healthy: Run) -> Dict[str, str]:
    """Say what /HALT seems to be where it is not what the CPU does: low in its fetches while halted, high in all others (UM0080)."""
    if "HALT" not in seen.captured:
        return {}
    halted = set(healthy.course.halted)
    rows = [p.row for p in healthy.outcome.log if p.kind == FETCH and p.row < len(seen) and seen.kinds[p.row] != ANY]
    levels = [(seen.control[row] >> BIT["HALT"] & 1, row in halted) for row in rows]
    running = [level for level, in_halt in levels if not in_halt]
    resting = [level for level, in_halt in levels if in_halt]
    if len(running) >= LEAST_CASES and sum(running) <= (1 - DEAD_SHARE) * len(running):
        return {"HALT": "low"}
    return {"HALT": "high"} if len(resting) >= LEAST_CASES and all(resting) else {}


def strays(seen: Observed, program: Program, name: str) -> bool:
    """Say whether a strobe's lead, left out of the comparison, is what contradicts the healthy machine."""
    healthy = run_healthy(seen, program)
    if healthy is None:
        return False
    (low, seen_low), (high, seen_high) = _count(seen, healthy.outcome, healthy.course.board, (name,))[name]
    wrong = low - seen_low + high - seen_high
    return wrong >= LEAST_CASES or wrong >= STRAY_SHARE * (low + high) > 0


def blame_lead(record: ReplayRecord, name: str, high_fraction: Optional[float], matched_with_it: int) -> ReplayRecord:
    """Say of a machine that runs as it should once a strobe's lead is left out that the fault is that strobe's."""
    level = "float" if high_fraction is None or STUCK < high_fraction < 1 - STUCK else "high" if high_fraction >= 1 - STUCK else "low"
    record.dead_leads = (name,)
    record.healthy_matched = min(matched_with_it, record.cycles - 1)
    _name(record, name, level)
    return record


def _name(record: ReplayRecord, name: str, level: str) -> None:
    record.explains_all, record.hypotheses = True, record.hypotheses + 2 * len(STROBES)
    record.candidates += candidates_of(name, level, record.cycles)


def _first_wrong(seen: Observed, healthy: Run, name: str) -> int:
    """Return how many cycles pass before a strobe shows that it is dead."""
    begin = healthy.setting.begin
    if name == "HALT":
        return 0
    hidden = [row + 1 for row, kind in healthy.outcome.hidden if _UNSEEN.get(kind, "WR") == name]
    wrong = list(hidden[:1])
    for p in healthy.outcome.log:
        pins = ALL_HIGH & ~ASSERTED[KINDS[p.kind]]
        shown = seen.after[p.row] if name == "RFSH" else seen.control[p.row]
        due = 0 if name == "RFSH" else pins >> BIT[name] & 1
        if name == "RFSH" and p.kind != FETCH:
            continue
        if due != shown >> BIT[name] & 1:
            wrong.append(p.row)
            break
    return max(0, min(wrong) - begin) if wrong else healthy.outcome.matched
