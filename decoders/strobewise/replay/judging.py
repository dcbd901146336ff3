"""Which of the faults that were tried explain a capture beyond chance, which of them it cannot tell apart, and what would."""

from __future__ import annotations

import math
from typing import Dict, Iterator, List, Optional, Sequence, Tuple

from ..bus.lines import LINE
from ..records.profile import NOTHING_KNOWN
from ..records.replay import COMPLETE, GAVE_UP, LOST, Candidate, ReplayRecord, Split
from .board import ReplayBoard
from .catalogue import Hypothesis
from .course import Outcome
from .known import Program
from .leads import disagreeing
from .observed import FETCH, READ, RESET, WRITE, Observed
from .unknown import Unknown
from .weighing import FULL_SHARE, GUESSED_MORE, Tried, convinces, explains_all_of, is_one_bit

GROUPS_SHOWN = 3  #: groups of faults that are told; what comes behind them is no answer
OWN_PLACES = 8  #: different addresses of fetches from which on a course is the program's own
LOST_SHARE = 0.5  #: of what the best explains that a fault which was lost on the same way must have explained to stand beside it
PARTS_NAMED = 6  #: different lines or regions in the first group, at most: more do not help anybody
ELIMINATION_LEAST = 16  #: cycles that must agree with the program before faults are told by what contradicts all others
BARE_MEMORY = ("ram-missing", "ram-mirrored")


def judge_tried(record: ReplayRecord, seen: Observed, program: Program, tried: List[Tried]) -> None:
    """Name the faults that explain the capture far better than the healthy machine, best first."""
    untold = [one for one in tried if one.outcome.ended in (LOST, GAVE_UP) and not is_one_bit(one) and one.board.since is None]
    tried = [one for one in tried if convinces(one, record, seen) and (explains_all_of(one, record) or not is_one_bit(one))]
    if not tried:
        _by_elimination(record, seen, program, untold)
    if not program.described:
        bare = [one for one in tried if one.hypothesis.fault.kind in BARE_MEMORY and explains_all_of(one, record)]
        if bare:  # no profile says that there is memory: that there is none is no fault
            record.healthy_matched, record.healthy_ended, record.parted_s = record.cycles, COMPLETE, None
            record.memory_without = bare[0].hypothesis.region
            return
        tried = [one for one in tried if one.hypothesis.fault.kind not in BARE_MEMORY]
    if not tried:
        return
    first = _first_group(record, seen, tried)
    record.misread = _read_once(seen, first)
    if record.misread is not None:
        return
    if len(_parts(first)) > PARTS_NAMED:
        record.like = len(_parts(first))
        record.alike = tuple(candidates_of_group(first, 1, program))
        record.split_by = _splits(seen, first)
        return
    rest = [one for one in tried if one not in first]
    record.runner_up = max((one.outcome.matched for one in rest), default=0)
    record.explains_all = first[0].outcome.matched >= FULL_SHARE * record.cycles
    record.candidates = candidates_of_group(first, 1, program)
    begun = [one.board.since for one in first if one.board.since is not None]
    record.since_s = seen.start_s[max(begun)] if begun else None
    number = 1
    for matched in sorted({one.outcome.matched for one in rest}, reverse=True):
        behind = [one for one in rest if one.outcome.matched == matched]
        if number < GROUPS_SHOWN:
            number += 1
            record.candidates += candidates_of_group(behind, number, program)
    record.split_by = _splits(seen, first)


def _by_elimination(record: ReplayRecord, seen: Observed, program: Program, untold: Sequence[Tried]) -> None:
    """Keep the faults that nothing contradicts where all others part from the capture, who leads furthest first.

    They are named where they are of one line or part, and the beginning shows that the program is the right one.

    untold: those that were led into memory of unknown content. Chance lets one in some ten of all faults end so at once; with a long
    healthy beginning the program is the right one, and a fault of the catalogue the likeliest reason to leave it.
    """
    if not untold or record.found_by != RESET:
        return
    untold = sorted(untold, key=lambda one: -one.outcome.matched)
    record.uncontradicted = tuple(candidates_of_group(_in_one_bank(untold), 1, program))
    record.split_by = _splits(seen, untold)
    if len(_parts(untold)) == 1 and record.healthy_matched >= ELIMINATION_LEAST:
        record.candidates = list(record.uncontradicted)


def _first_group(record: ReplayRecord, seen: Observed, tried: Sequence[Tried]) -> List[Tried]:
    """Return those that explain the capture best and that it cannot tell apart, who leads furthest first."""
    best = max(one.outcome.matched for one in tried)
    first = [one for one in tried if one.outcome.matched == best]
    if best < FULL_SHARE * record.cycles:  # none goes to the end, but some were never contradicted
        first = [one for one in tried if one.outcome.ended == LOST] or first
    else:
        first += _lost_on_the_same_way(first, tried, record.healthy_matched)
    agreeing = [one for one in first if not disagreeing(seen, one.outcome, one.board)]
    group = _in_one_bank(_most_of_its_own(agreeing or first))
    return sorted(group, key=lambda one: -one.outcome.matched)


def _lost_on_the_same_way(first: Sequence[Tried], tried: Sequence[Tried], healthy: int) -> List[Tried]:
    """Return those that went the same way as the best until nobody knows how they go on: the capture contradicts none of them.

    healthy: cycles that the healthy machine explains.
    """
    ways = [{p.row: p.address for p in one.outcome.log if p.kind == FETCH} for one in first]
    best, found = first[0].outcome.matched, []
    for one in tried:
        if one.outcome.ended == LOST and healthy + LOST_SHARE * (best - healthy) <= one.outcome.matched < best:
            own = [(p.row, p.address) for p in one.outcome.log if p.kind == FETCH][:-1]  # where it goes on at last, nobody knows
            if any(all(way.get(row) == address for row, address in own) for way in ways):
                found.append(one)
    return found


def best_course(record: ReplayRecord, tried: Sequence[Tried]) -> Optional[Tuple[Outcome, ReplayBoard]]:
    """Return the course and the board of the first candidate, None where none is named."""
    if not record.candidates:
        return None
    named = record.candidates[0]
    key = named.fault, named.place, named.lines, named.region
    of_it = []
    for one in tried:
        hypothesis = one.hypothesis
        if (hypothesis.fault.kind, hypothesis.place, hypothesis.fault.lines, hypothesis.region) == key:
            of_it.append(one)
    best = max(of_it, key=lambda one: one.outcome.matched, default=None)
    return None if best is None else (best.outcome, best.board)


def goes_its_own_way(outcome: Outcome) -> bool:
    """Whether a course is no short loop, which other programs than this one might be in as well."""
    return len({p.address for p in outcome.log if p.kind == FETCH}) >= OWN_PLACES


def _most_of_its_own(tried: Sequence[Tried]) -> List[Tried]:
    """Leave out those that had to take far more of the program from the capture than others.

    A single bit of the ROM stands back behind faults of a whole line or chip: among thousands of bits there is always one that leads astray
    the same way, and a bit that rots alone is rare (common practice). So what one bit guessed less than another tells nothing, either.
    """
    least = min(one.outcome.guessed for one in tried)
    own = [one for one in tried if one.outcome.guessed <= least + GUESSED_MORE]
    return [one for one in own if not is_one_bit(one)] or list(tried)


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


def candidates_of_group(tried: Sequence[Tried], group: int, program: Program) -> List[Candidate]:
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
    for region in (program.profile or NOTHING_KNOWN).memory:
        if region.start <= hypothesis.region[1] and region.end >= hypothesis.region[0] and region.chips:
            bits = [int(line[1:]) for line in hypothesis.fault.lines if line.startswith("D")]
            names += [name for name in ([region.chip(bit) for bit in bits] or list(region.chips)) if name is not None and name not in names]
    return tuple(names)


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
