"""All faults of the catalogue against one capture: which of them do what the capture shows, and what would tell those apart."""

from __future__ import annotations

import math
from typing import Callable, Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import LINE
from ..records.evidence import BusEvidence
from ..records.replay import Candidate, ReplayRecord, Split
from .board import ReplayBoard
from .by_lead import DRIVEN, Driven, candidates_of, follow_lead
from .catalogue import Hypothesis, draw
from .compared import Predicted
from .course import COMPLETE, LOST, PARTED, Outcome
from .healthy import Run, repair, run_course, run_healthy
from .known import Program
from .leads import blame_lead, dead_leads, disagreeing, strays
from .observed import FETCH, PAUSE, READ, RESET, SILENCE, WRITE, Observed
from .paging import judge_paging
from .stopped import silent_since, who_stopped_it
from .unknown import Unknown

LEAST_COMPARED = 16  #: cycles below which nothing is said
LEAST_GAIN = 24  #: cycles that a fault must explain beyond the healthy machine, at least
FULL_SHARE = 0.98  #: of the compared cycles that "all" means, since a capture ends in the middle of one
PARTIAL_GAIN, PARTIAL_SHARE, PARTIAL_LEAD = 100, 0.5, 2.0  #: what a fault must explain that does not explain all
BITS_A_CYCLE = 0.5  #: chance lets a cycle agree with a wrong fault about seven times in ten: fetches are half of all, and loops repeat
GROUPS_SHOWN = 3
TAKEN_SHARE = 0.5  #: of the opcodes of a course: with more of them taken from the capture it is not the given program that runs
GUESSED_MORE = 32  #: bits of the program that one candidate may have taken from the capture beyond another
OWN_PLACES = 8  #: different addresses of fetches from which on a course is the program's own
PARTS_NAMED = 6  #: different lines or regions in the first group, at most: more do not help anybody
BARE_MEMORY = ("ram-missing", "ram-mirrored")
STROBES_LEFT_OUT = ("M1", "MREQ", "RD", "WR", "IORQ", "RFSH")


class Tried(NamedTuple):
    """A fault and how far it explains the capture."""

    hypothesis: Hypothesis
    outcome: Outcome
    board: ReplayBoard


def search(
    seen: Observed, program: Program, evidence: BusEvidence, without: Optional[Callable[[str], Observed]] = None
) -> Optional[ReplayRecord]:
    """Return what replaying the program says of a capture, None where the capture does not let it begin.

    without: returns the cycles as they are when a strobe's lead is left out; for leads that the program contradicts.
    """
    record = _search(seen, program)
    if without is not None and (record is None or (not record.candidates and record.healthy_matched < FULL_SHARE * record.cycles)):
        record = _blame_a_strobe(seen, program, evidence, without, record) or record
    if record is not None and not record.candidates and record.healthy_matched >= FULL_SHARE * record.cycles:
        judge_paging(record, evidence)
    if record is not None and not record.candidates and record.healthy_matched >= FULL_SHARE * record.cycles:
        _judge_silence(record, seen, evidence)
    return record


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
    short = record.healthy_matched < FULL_SHARE * record.cycles
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
        if seen.found_by == PAUSE:
            tried = [one for one in tried if one.outcome.matched >= FULL_SHARE * record.cycles and _goes_its_own_way(one.outcome)]
        _judge(record, seen, program, tried)
    if seen.found_by == PAUSE:  # a reset or a bus master: only who explains all of it shows that it was the reset
        if not record.candidates:
            return None
        record.found_by = SILENCE
    if not record.candidates and record.healthy_matched >= FULL_SHARE * record.cycles:
        dead_leads(record, seen, healthy)
    return record


def _judge_silence(record: ReplayRecord, seen: Observed, evidence: BusEvidence) -> None:
    """Name who can have stopped a machine that did all that its program says, and then nothing more."""
    record.stopped_s = silent_since(seen, evidence)
    if record.stopped_s is None:
        return
    record.cycles += 1  # the cycle that never came
    record.hypotheses += 4
    for stopped, place in who_stopped_it(seen, evidence):
        who = stopped.suspects
        record.candidates.append(Candidate(1, stopped.kind, place, stopped.lines, None, (), who[0], who, record.cycles))
    record.explains_all = bool(record.candidates)


def _record(seen: Observed, program: Program, run: Run) -> ReplayRecord:
    outcome, begin = run.outcome, run.setting.begin
    last = begin + outcome.matched
    cycles = len(seen) - begin if outcome.ended == PARTED else outcome.matched
    passed = sum(count for _, count in run.setting.skips)
    parted = seen.start_s[last] if outcome.ended == PARTED and last < len(seen) else None
    return ReplayRecord(
        program.name, seen.start_s[begin], seen.found_by or "", cycles - passed, outcome.matched - passed, outcome.ended, parted_s=parted
    )


# --- the faults -----------------------------------------------------------------------------------------------------


def _try_all(seen: Observed, program: Program, healthy: Run, record: ReplayRecord) -> Iterator[Tried]:
    """Run every fault that the program has met by the time that the healthy machine parts; yield those that lead further."""
    log = healthy.outcome.log
    read = sorted({p.address for p in log if p.kind in (FETCH, READ) and isinstance(p.address, int) and _in_rom(program, p.address)})
    for hypotheses in draw(program, read):
        record.hypotheses += len(hypotheses)
        explained = False
        for one in _lead_further(seen, program, healthy, hypotheses):
            explained |= one.outcome.matched >= FULL_SHARE * record.cycles and one.outcome.guessed <= GUESSED_MORE
            yield one
        if explained:
            return


def _lead_further(seen: Observed, program: Program, healthy: Run, hypotheses: Sequence[Hypothesis]) -> Iterator[Tried]:
    """Yield the faults that lead further than the healthy machine."""
    matched, log = healthy.outcome.matched, healthy.outcome.log
    for hypothesis in hypotheses:
        board = ReplayBoard(program.regions, hypothesis.fault, hypothesis.undriven)
        met = _first_met(board, hypothesis, log, healthy.setting.begin)
        if met is None:
            continue
        earlier = [point for point in healthy.course.checkpoints if point[0] <= met]
        run = run_course(seen, board, healthy.setting, earlier[-1] if earlier else None)
        if run.outcome.matched >= matched + LEAST_GAIN or (run.outcome.ended == COMPLETE and run.outcome.matched > matched):
            yield Tried(hypothesis, run.outcome, board)


def _in_rom(program: Program, address: int) -> bool:
    return any(r.kind == "rom" and r.contents is not None and r.start <= address <= r.end for r in program.regions)


def _first_met(board: ReplayBoard, hypothesis: Hypothesis, log: Sequence[Predicted], begin: int) -> Optional[int]:
    """Return the first cycle of the healthy machine's course that a fault touches, None where it touches none."""
    if board.simple:
        region = hypothesis.region or (0, 0xFFFF)
        for p in log:
            if p.kind in (FETCH, READ, WRITE) and (not isinstance(p.address, int) or region[0] <= p.address <= region[1]):
                return p.row
        return None if log else begin
    return begin


# --- judging --------------------------------------------------------------------------------------------------------


def _judge(record: ReplayRecord, seen: Observed, program: Program, tried: List[Tried]) -> None:
    """Name the faults that explain the capture far better than the healthy machine, best first."""
    tried = [one for one in tried if _convinces(one.outcome, record)]
    if not program.described:
        bare = [one for one in tried if one.hypothesis.fault.kind in BARE_MEMORY and one.outcome.matched >= FULL_SHARE * record.cycles]
        if bare:  # no profile says that there is memory: that there is none is no fault
            record.healthy_matched, record.healthy_ended, record.parted_s = record.cycles, COMPLETE, None
            record.memory_without = bare[0].hypothesis.region
            return
        tried = [one for one in tried if one.hypothesis.fault.kind not in BARE_MEMORY]
    if not tried:
        return
    best = max(one.outcome.matched for one in tried)
    groups = sorted({one.outcome.matched for one in tried}, reverse=True)
    first = [one for one in tried if one.outcome.matched == best]
    if best < FULL_SHARE * record.cycles:  # none goes to the end, but some were never contradicted
        first = [one for one in tried if one.outcome.ended == LOST] or first
    agreeing = [one for one in first if not disagreeing(seen, one.outcome, one.board)]
    first = _in_one_bank(_most_of_its_own(agreeing or first))
    record.misread = _read_once(seen, first)
    if record.misread is not None:
        return
    if len(_parts(first)) > PARTS_NAMED:
        record.like = len(_parts(first))
        record.split_by = _splits(seen, first)
        return
    rest = [one for one in tried if one not in first]
    record.runner_up = max((one.outcome.matched for one in rest), default=0)
    record.explains_all = best >= FULL_SHARE * record.cycles
    record.candidates = _candidates(first, 1, program)
    number = 1
    for matched in groups:
        behind = [one for one in rest if one.outcome.matched == matched]
        if behind and number < GROUPS_SHOWN:
            number += 1
            record.candidates += _candidates(behind, number, program)
    record.split_by = _splits(seen, first)


def _goes_its_own_way(outcome: Outcome) -> bool:
    """Whether a course is no short loop, which other programs than this one might be in as well."""
    return len({p.address for p in outcome.log if p.kind == FETCH}) >= OWN_PLACES


def _most_of_its_own(tried: Sequence[Tried]) -> List[Tried]:
    """Leave out those that had to take far more of the program from the capture than others.

    A single bit of the ROM stands back behind faults of a whole line or chip: among thousands of bits there is always one that leads astray
    the same way, and a bit that rots alone is rare (common practice).
    """
    least = min(one.outcome.guessed for one in tried)
    own = [one for one in tried if one.outcome.guessed <= least + GUESSED_MORE]
    whole = [one for one in own if one.hypothesis.fault.kind != "rom-bit-flipped"]
    return whole or own


def _read_once(seen: Observed, tried: Sequence[Tried]) -> Optional[int]:
    """Return the address of the one byte whose one reading explains it all, None where more than that speaks.

    A bit of the ROM that was read once, and whose byte no lead shows, explains no more than any disturbance of that moment would.
    """
    found: Optional[int] = None
    for one in tried:
        if one.hypothesis.fault.kind != "rom-bit-flipped" or one.hypothesis.region is None:
            return None
        address = one.hypothesis.region[0]
        reads = [p.row for p in one.outcome.log if p.kind in (FETCH, READ) and isinstance(p.address, int) and p.address == address]
        if len(reads) > 1 or any(seen.data_mask[row] for row in reads):
            return None
        found = address
    return found


def _in_one_bank(tried: Sequence[Tried]) -> List[Tried]:
    """Leave out a chip that serves all of the RAM where the same fault in one bank explains as much: the program used no other."""
    narrowest: Dict[Tuple[str, Tuple[str, ...]], int] = {}
    for one in tried:
        key = one.hypothesis.fault.kind, one.hypothesis.fault.lines
        narrowest[key] = min(_width(one), narrowest.get(key, 0xFFFF))
    return [one for one in tried if _width(one) <= narrowest[one.hypothesis.fault.kind, one.hypothesis.fault.lines]]


def _width(one: Tried) -> int:
    """Return how many addresses a memory fault takes in, 0 where it is none."""
    return one.hypothesis.region[1] - one.hypothesis.region[0] if one.hypothesis.place == "ram" and one.hypothesis.region else 0


def _parts(tried: Sequence[Tried]) -> set[Tuple[str, ...]]:
    """Return the lines, or regions, that faults blame."""
    return {one.hypothesis.fault.lines or (str(one.hypothesis.region),) for one in tried}


def _convinces(outcome: Outcome, record: ReplayRecord) -> bool:
    """Whether a fault explains so much more than the healthy machine that chance does not do it.

    A course whose opcodes were mostly taken from the capture explains nothing by them, for memory of unknown content agrees with anything:
    it is judged by its way up to there, as one that was lost there.
    """
    gain = outcome.matched - record.healthy_matched
    if gain < LEAST_GAIN or math.log2(record.hypotheses + 1) > BITS_A_CYCLE * gain:
        return False
    fetches = [p for p in outcome.log if p.kind == FETCH and isinstance(p.address, int)]
    taken = {p.address for p in fetches if isinstance(p.data, Unknown)}
    if len(taken) > TAKEN_SHARE * len({p.address for p in fetches}):
        first = next(p.row for p in fetches if isinstance(p.data, Unknown))
        own = first - outcome.log[0].row - record.healthy_matched  # up to there it was the program's own way
        return own >= LEAST_GAIN and math.log2(record.hypotheses + 1) <= BITS_A_CYCLE * own
    if outcome.matched >= FULL_SHARE * record.cycles or outcome.ended == LOST:
        return True
    share, lead = PARTIAL_SHARE * record.cycles, PARTIAL_LEAD * record.healthy_matched
    return gain >= PARTIAL_GAIN and outcome.matched >= max(share, lead)


def _candidates(tried: Sequence[Tried], group: int, program: Program) -> List[Candidate]:
    """Return candidates, each fault once, whatever was taken for the undriven bus."""
    found: Dict[Tuple[object, ...], Candidate] = {}
    for one in tried:
        hypothesis, fault = one.hypothesis, one.hypothesis.fault
        key = (fault.kind, hypothesis.place, fault.lines, hypothesis.region, str(sorted(fault.values.items())))
        if key not in found:
            chips = _chips(program, hypothesis)
            who, matched = fault.suspects, one.outcome.matched
            found[key] = Candidate(group, fault.kind, hypothesis.place, fault.lines, hypothesis.region, chips, who[0], who, matched)
    return list(found.values())


def _chips(program: Program, hypothesis: Hypothesis) -> Tuple[str, ...]:
    """Return the chips of a memory fault as the profile calls them."""
    if hypothesis.region is None or hypothesis.place not in ("rom", "ram"):
        return ()
    names: List[str] = []
    for region in getattr(program.profile, "memory", ()):
        if region.start <= hypothesis.region[1] and region.end >= hypothesis.region[0] and region.chips:
            bits = [int(line[1:]) for line in hypothesis.fault.lines if line.startswith("D")]
            names += [name for name in ([region.chip(bit) for bit in bits] or list(region.chips)) if name is not None and name not in names]
    return tuple(names)


# --- what would tell them apart -------------------------------------------------------------------------------------


def _splits(seen: Observed, first: Sequence[Tried]) -> List[Split]:
    """Return the lines that would tell candidates of the first group apart, the earliest first."""
    ways: Dict[Tuple[str, ...], Tried] = {}
    for one in first:
        ways.setdefault((one.hypothesis.fault.kind, *one.hypothesis.fault.lines), one)
    several = list(ways.values())[:12]
    found: Dict[str, float] = {}
    for at, one in enumerate(several):
        for other in several[at + 1 :]:
            for name, row in _differences(one, other):
                when = seen.start_s[row]
                if name not in seen.captured and when < found.get(name, math.inf):
                    found[name] = when
    return [Split(name, when) for name, when in sorted(found.items(), key=lambda item: (item[1], LINE[item[0]].bit))]


def _differences(one: Tried, other: Tried) -> Iterator[Tuple[str, int]]:
    """Yield the lines on which two predictions differ, each with the first cycle in which they do."""
    seen_lines: set[str] = set()
    for a, b in zip(one.outcome.log, other.outcome.log):
        if a.row != b.row:
            return
        pins = one.board.address_at_pin(a.address), other.board.address_at_pin(b.address)
        for letter, x, y in (("A", *pins), ("D", a.data, b.data)):
            if isinstance(x, Unknown) or isinstance(y, Unknown) or x == y:
                continue
            for bit in range(16):
                name = f"{letter}{bit}"
                if (x ^ y) >> bit & 1 and name not in seen_lines:
                    seen_lines.add(name)
                    yield name, a.row
        if a.kind != b.kind and {a.kind, b.kind} <= {READ, WRITE} and "WR" not in seen_lines:
            seen_lines.update(("WR", "RD"))
            yield "WR", a.row
            yield "RD", a.row
