"""Two faults at once, where no single one explains a capture: the best ones, each with every other line, strobe and part.

One of the two leads further than the healthy machine by itself, until the program meets the other. So the single faults that lead furthest
are taken for the first, and the second must explain all that follows there. It pays for itself, for all the pairs that were tried: by
cycles and by new instructions behind the place where the first alone parts. What pairs of different parts explain is named for nobody.
"""

from __future__ import annotations

import math
from typing import List, NamedTuple, Optional, Sequence, Set, Tuple

from ..records.replay import COMPLETE, PARTED, ReplayRecord
from .board import FF, ReplayBoard
from .catalogue import Hypothesis, first_met
from .course import Outcome
from .healthy import Run, run_course
from .judging import candidates_of_group
from .known import Program
from .observed import FETCH, Observed
from .weighing import BITS_A_CYCLE, BITS_A_PLACE, GUESSED_MORE, LEAST_GAIN, Tried, is_one_bit

FIRST_TRIED = 4  #: single faults that are taken for the first of two
GAIN = 2 * LEAST_GAIN  #: cycles that the second must explain beyond the first: there are thousands of pairs
GLANCE = 24  #: cycles behind the place where the first alone parts by which nearly all pairs are ruled out
STEPS_FREE = 40  #: instructions more than there are cycles that a pair may run at that glance


class Pair(NamedTuple):
    """Two faults, and how far they explain the capture."""

    first: Tried
    second: Hypothesis
    outcome: Outcome


def try_pairs(
    seen: Observed, program: Program, healthy: Run, tried: Sequence[Tried], hypotheses: Sequence[Hypothesis], full: float
) -> Tuple[List[Pair], int]:
    """Return the pairs that explain all of a capture, those of one part each way or none, and how many were tried.

    tried: single faults that lead further than the healthy machine. full: cycles that "all" means. Where a single one explains all of it no
    pair is tried, unless it took far more of the program from the capture than the numbers of pairs cost.
    """
    guessed = min((one.outcome.guessed for one in tried if one.outcome.matched >= full), default=math.inf) - healthy.outcome.guessed
    firsts = _firsts(healthy, tried, full) if guessed > GUESSED_MORE else []
    found = [pair for first in firsts for pair in _with_each(seen, program, healthy, first, hypotheses, full)]
    number = len(firsts) * sum(one.undriven == FF for one in hypotheses)
    price = math.log2(number + 1)
    found = [pair for pair in found if _convinces(pair, price, healthy.setting.begin)] if price < guessed else []
    return (found if _of_one_mind(found) else []), number


def _firsts(healthy: Run, tried: Sequence[Tried], full: float) -> List[Tried]:
    """Return the single faults that lead furthest, one of each part."""
    least = healthy.outcome.matched + LEAST_GAIN
    leading = [
        one for one in tried
        if one.outcome.ended == PARTED and least <= one.outcome.matched <= full - GAIN and not is_one_bit(one) and not one.board.timed
        and one.outcome.guessed <= healthy.outcome.guessed
    ]  # fmt: skip
    leading.sort(key=lambda one: -one.outcome.matched)
    return leading[:FIRST_TRIED]


def _with_each(
    seen: Observed, program: Program, healthy: Run, first: Tried, hypotheses: Sequence[Hypothesis], full: float
) -> List[Pair]:
    """Return the pairs of one fault that explain all of the capture."""
    found = []
    alone = healthy.setting.begin + first.outcome.matched
    course = run_course(seen, ReplayBoard(program.regions, first.hypothesis.fault, first.hypothesis.undriven), healthy.setting)
    for second in hypotheses:
        if second.fault == first.hypothesis.fault or second.undriven is None:
            continue
        met = first_met(ReplayBoard(program.regions, second.fault, second.undriven), second, course.outcome.log, healthy.setting.begin)
        if met is None or met > alone:
            continue
        earlier = [point for point in course.course.checkpoints if point[0] <= met]
        checkpoint = earlier[-1] if earlier else None
        undriven = second.undriven if first.hypothesis.undriven == FF else first.hypothesis.undriven
        goal = min(alone + GLANCE, len(seen))
        outcome: Optional[Outcome] = None
        for end, budget in ((goal, goal - healthy.setting.begin + STEPS_FREE), (len(seen), None)):
            board = ReplayBoard(program.regions, first.hypothesis.fault, undriven, second.fault)
            outcome = run_course(seen, board, healthy.setting, checkpoint, end, budget).outcome
            if outcome.matched < end - healthy.setting.begin and end == goal:
                break
        if outcome is not None and outcome.matched >= full and outcome.ended == COMPLETE:
            found.append(Pair(first, second, outcome))
    return found


def _convinces(pair: Pair, price: float, begin: int) -> bool:
    """Say whether the second fault explains more beyond the first than chance lets one of so many."""
    alone, outcome = pair.first.outcome, pair.outcome
    gain = outcome.matched - alone.matched
    price += max(0, outcome.guessed - alone.guessed)
    if gain < GAIN or price > BITS_A_CYCLE * gain:
        return False
    parted = begin + alone.matched
    before = {p.address for p in alone.log if p.kind == FETCH}
    own = [p for p in outcome.log if p.kind == FETCH and p.row >= parted and isinstance(p.address, int) and isinstance(p.data, int)]
    behind = {p.address for p in own}
    return price <= BITS_A_PLACE * len(behind - before)


def _of_one_mind(pairs: Sequence[Pair]) -> bool:
    """Say whether all pairs blame the same two parts, in whatever order and kind."""
    blamed: List[Set[Tuple[str, ...]]] = [{_part(pair.first.hypothesis), _part(pair.second)} for pair in pairs]
    return all(each == blamed[0] for each in blamed)


def _part(hypothesis: Hypothesis) -> Tuple[str, ...]:
    return hypothesis.fault.lines or (hypothesis.place, str(hypothesis.region))


def judge_pairs(record: ReplayRecord, program: Program, pairs: Sequence[Pair], number: int) -> None:
    """Name the two faults that explain the capture together."""
    record.hypotheses += number
    if not pairs:
        return
    both = [one for pair in pairs for one in (pair.first, pair.first._replace(hypothesis=pair.second))]
    record.runner_up = max(pair.first.outcome.matched for pair in pairs)
    matched = max(pair.outcome.matched for pair in pairs)
    record.candidates = [one._replace(matched=matched) for one in candidates_of_group(both, 1, program)]
    record.together = record.explains_all = True
    record.like, record.alike, record.uncontradicted, record.split_by, record.since_s = 0, (), (), [], None
