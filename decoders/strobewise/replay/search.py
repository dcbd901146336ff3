"""All faults of the catalogue against one capture: which of them do what the capture shows, and what would tell those apart."""

from __future__ import annotations

from typing import Callable, Iterator, List, Optional, Sequence

from ..records.evidence import BusEvidence
from ..records.replay import COMPLETE, PARTED, Candidate, ReplayRecord
from .board import FF
from .by_lead import DRIVEN, Driven, candidates_of, follow_lead
from .catalogue import Hypothesis, draw, first_met
from .course import Outcome
from .healthy import Run, met_on_its_way, repair, run_course, run_healthy
from .judging import best_course, goes_its_own_way, judge_tried
from .known import Program
from .late import BEGINS, begun_on_the_way
from .leads import blame_lead, dead_leads, strays
from .observed import FETCH, PAUSE, READ, RESET, SILENCE, Observed
from .paging import blame_the_way, judge_by_program, judge_paging
from .pairs import judge_pairs, try_pairs
from .stopped import silent_since, who_stopped_it
from .strip import strip_of
from .timed import board_for
from .weighing import FULL_SHARE, GUESSED_MORE, LEAST_GAIN, Tried

CHANCE_CYCLES = 6  #: by which a healthy machine may agree beyond the place where the captured one left it: 7 in 10 do (weighing.py)
LEAST_COMPARED = 16  #: cycles below which nothing is said
STROBES_LEFT_OUT = ("M1", "MREQ", "RD", "WR", "IORQ", "RFSH")


def search(
    seen: Observed, program: Program, evidence: BusEvidence, without: Optional[Callable[[str], Observed]] = None
) -> Optional[ReplayRecord]:
    """Return what replaying the program says of a capture, None where the capture does not let it begin.

    without: returns the cycles as they are when a strobe's lead is left out; for leads that the program contradicts.
    """
    record = _search(seen, program)
    if without is not None and (record is None or (not record.candidates and not agrees(record))):
        record = _blame_a_strobe(seen, program, evidence, without, record) or record
    if record is not None and record.device_s is not None:
        blame_the_way(record, evidence)
    if record is not None and not record.candidates and agrees(record):
        judge_paging(record, evidence)
    if record is not None and not record.candidates and agrees(record):
        _judge_silence(record, seen, evidence)
    return record


def agrees(record: ReplayRecord) -> bool:
    """Whether a healthy machine does what the capture shows."""
    return record.healthy_matched >= FULL_SHARE * record.cycles


def _blame_a_strobe(
    seen: Observed, program: Program, evidence: BusEvidence, without: Callable[[str], Observed], record: Optional[ReplayRecord]
) -> Optional[ReplayRecord]:
    """Say whether one strobe's lead is all that contradicts the healthy machine, or the machine follows what that lead shows."""
    names = [name for name in STROBES_LEFT_OUT if name in seen.captured and (name != "M1" or {"RD", "RFSH"} & seen.captured)]
    views = {name: without(name) for name in names}
    matched = record.healthy_matched if record else 0
    for name, fewer in views.items():
        other = _search(fewer, program, hypotheses=False)
        if other is not None and other.cycles >= LEAST_COMPARED and other.healthy_matched >= FULL_SHARE * other.cycles:
            if strays(fewer, program, name):
                return blame_lead(other, name, evidence.line(name).high_fraction, matched)
    for name in DRIVEN:
        driven = follow_lead(views[name], program, name, FULL_SHARE) if name in views else None
        if driven is not None and len(views[name]) >= LEAST_COMPARED:
            return _by_lead(views[name], program, name, driven, record)
    return None


def _by_lead(fewer: Observed, program: Program, name: str, driven: Driven, record: Optional[ReplayRecord]) -> ReplayRecord:
    """Return the record of a machine that does what one strobe's lead makes it do."""
    found = _record(fewer, program, driven.run)
    found.healthy_matched = min(driven.healthy_matched, max(0, driven.first_wrong - driven.run.setting.begin))
    found.healthy_ended, found.parted_s = PARTED, fewer.start_s[driven.first_wrong]
    found.hypotheses = (record.hypotheses if record else 0) + len(DRIVEN)
    found.explains_all, found.candidates = True, candidates_of(name, driven.level, found.cycles)
    return found


def _search(seen: Observed, program: Program, hypotheses: bool = True) -> Optional[ReplayRecord]:
    healthy = run_healthy(seen, program) if len(seen) >= 2 else None
    if healthy is None and seen.found_by == RESET and len(seen) >= LEAST_COMPARED:  # not even its first cycle is a fetch
        return ReplayRecord(program.name, seen.start_s[0], RESET, len(seen), 0, PARTED, parted_s=seen.start_s[0])
    if healthy is None or seen.found_by is None:
        return None
    record = _record(seen, program, healthy)
    tried: List[Tried] = []
    short = not agrees(record)
    if healthy.outcome.ended == PARTED and short and record.cycles >= LEAST_COMPARED:
        tried = list(_try_all(seen, program, healthy, record)) if hypotheses else []
        if not any(one.outcome.matched >= FULL_SHARE * record.cycles for one in tried):
            mended = repair(seen, program, healthy)
            if mended.outcome.matched > healthy.outcome.matched:
                number = record.hypotheses
                record = _record(seen, program, mended)
                record.hypotheses = number
                tried = [one for one in tried if one.outcome.matched > mended.outcome.matched]
                healthy = mended
        if hypotheses and not any(one.outcome.matched >= FULL_SHARE * record.cycles for one in tried):
            tried += _try_later(seen, program, healthy, record)
        if seen.found_by == PAUSE:
            tried = [one for one in tried if one.outcome.matched >= FULL_SHARE * record.cycles and goes_its_own_way(one.outcome)]
            tried = [one for one in tried if not met_on_its_way(seen, program, one.outcome)]
        judge_tried(record, seen, program, tried)
        if hypotheses and seen.found_by == RESET and record.misread is None:
            judge_pairs(record, program, *try_pairs(seen, program, healthy, tried, next(draw(program, ())), FULL_SHARE * record.cycles))
    if healthy.outcome.ended == PARTED and not agrees(record):
        record.strip = strip_of(seen, program, healthy, best_course(record, tried) if hypotheses else None)
    if seen.found_by == PAUSE:  # a reset or a bus master: only who explains all of it shows that it was the reset
        if not record.candidates:
            return None
        record.found_by = SILENCE
    if not record.candidates and agrees(record):
        dead_leads(record, seen, healthy)
        if hypotheses and not record.candidates:
            judge_by_program(record, seen, program, healthy)
    return record


def _judge_silence(record: ReplayRecord, seen: Observed, evidence: BusEvidence) -> None:
    """Name who can have stopped a machine that did all that its program says, and then nothing more."""
    record.stopped_s = silent_since(seen, evidence)
    if record.stopped_s is None:
        return
    record.cycles += 1  # the cycle that never came
    record.hypotheses += 4
    for stopped, place, group in who_stopped_it(seen, evidence):
        who = stopped.suspects
        record.candidates.append(Candidate(group, stopped.kind, place, stopped.lines, None, (), who[0], who, record.cycles))
    record.explains_all = bool(record.candidates)


def _record(seen: Observed, program: Program, run: Run) -> ReplayRecord:
    outcome, begin = run.outcome, run.setting.begin
    last = begin + outcome.matched
    cycles = len(seen) - begin if outcome.ended == PARTED else outcome.matched
    passed = sum(count for _, count in run.setting.skips)
    parted = seen.start_s[last] if outcome.ended == PARTED and last < len(seen) else None
    return ReplayRecord(
        program.name, seen.start_s[begin], seen.found_by or "", cycles - passed, outcome.matched - passed, outcome.ended, parted_s=parted,
        healthy_guessed=outcome.guessed,
    )  # fmt: skip


# --- the faults -----------------------------------------------------------------------------------------------------


def _try_all(seen: Observed, program: Program, healthy: Run, record: ReplayRecord) -> Iterator[Tried]:
    """Run every fault that the program has met by the time that the healthy machine parts; yield those that lead further."""
    log = healthy.outcome.log
    read = sorted({p.address for p in log if p.kind in (FETCH, READ) and isinstance(p.address, int) and _in_rom(program, p.address)})
    for hypotheses in draw(program, read):
        record.hypotheses += _faults_in(hypotheses)
        explained = False
        for one in _lead_further(seen, program, healthy, hypotheses):
            explained |= one.outcome.matched >= FULL_SHARE * record.cycles and one.outcome.guessed <= GUESSED_MORE
            yield one
        if explained:
            return


def _try_later(seen: Observed, program: Program, healthy: Run, record: ReplayRecord) -> Iterator[Tried]:
    """Yield the lines and parts that explain all of it once they have failed on the way."""
    hypotheses = next(draw(program, ()))
    record.hypotheses += _faults_in(hypotheses) * BEGINS
    for hypothesis, run, board in begun_on_the_way(seen, program, healthy, hypotheses, FULL_SHARE * record.cycles):
        if run.outcome.guessed <= healthy.outcome.guessed + GUESSED_MORE:
            yield Tried(hypothesis, run.outcome, board)


def _lead_further(seen: Observed, program: Program, healthy: Run, hypotheses: Sequence[Hypothesis]) -> Iterator[Tried]:
    """Yield the faults that lead further than the healthy machine."""
    matched, log = healthy.outcome.matched, healthy.outcome.log
    for hypothesis in hypotheses:
        board = board_for(seen, program, hypothesis.fault, hypothesis.undriven)
        met = first_met(board, hypothesis, log, healthy.setting.begin)
        if met is None:
            continue
        earlier = [point for point in healthy.course.checkpoints if point[0] <= met]
        run = run_course(seen, board, healthy.setting, earlier[-1] if earlier else None)
        if _further(run.outcome, matched):
            yield Tried(hypothesis, run.outcome, board)


def _further(outcome: Outcome, matched: int) -> bool:
    """Say whether a fault leads far beyond the healthy machine or to the end, or is never contradicted, so that it is worth a look."""
    if outcome.ended != PARTED:
        return outcome.matched > matched or (outcome.ended != COMPLETE and outcome.matched >= matched - CHANCE_CYCLES)
    return outcome.matched >= matched + LEAST_GAIN


def _faults_in(hypotheses: Sequence[Hypothesis]) -> int:
    """Return how many different faults these are, whatever an undriven bus shows."""
    return sum(one.undriven == FF for one in hypotheses)


def _in_rom(program: Program, address: int) -> bool:
    return any(r.kind == "rom" and r.contents is not None and r.start <= address <= r.end for r in program.regions)
