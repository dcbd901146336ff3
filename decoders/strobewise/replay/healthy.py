"""The healthy machine beside the capture: where the program begins, and which of the capture's oddities are no faults.

Another bus master's cycles, a reset or a stretched clock that no lead shows would make every machine part from the capture. Where the
healthy machine agrees with it again behind such a place, for long enough, the place is passed over.
"""

from __future__ import annotations

from typing import Iterable, Iterator, List, NamedTuple, Optional, Tuple

from ..records.replay import COMPLETE, GAVE_UP, LOST, PARTED
from .board import ReplayBoard
from .collect import first_fetches
from .course import Checkpoint, Course, Outcome
from .known import Program
from .observed import BUS, FETCH, PAUSE, READ, RESET, RHYTHM, SILENCE, Observed
from .timed import board_for
from .unknown import Unknown

STEPS_A_CYCLE, STEPS_FREE = 3, 3000  #: instructions that a course may run, a cycle and at least
LOOSE_GAIN = 40  #: cycles further that a comparison which lets cycles be longer must lead
RHYTHM_LEAST = 24  #: cycles from the first fetch on that must agree before a begin is believed that nothing else shows
TRIALS_MOST = 700  #: tries to pass over a place, each of a fraction of a millisecond
PLACES_LEAST = RHYTHM_LEAST // 2  #: different addresses of fetches by then: an instruction takes about two cycles
REPAIR_GAIN = 12  #: cycles that must agree behind one
_REPAIR_BEFORE, _OWN_MOST = 14, 6  #: cycles: how far back another master may have begun unnoticed; data cycles of one instruction
MET_AT, MET_GLANCE = 6, 24  #: fetches at which a machine may be met, and cycles by which nearly all places are ruled out
MET_BYTES, MET_PLACES = 4, 60  #: bytes that a place must have, and how many of those that do are tried: filled memory has thousands
_SOON = 6  #: cycles behind a reset within which another master may take the bus


class Setting(NamedTuple):
    """How courses are compared with a capture."""

    begin: int
    loose: bool = False
    anywhere: bool = False
    skips: Tuple[Tuple[int, int], ...] = ()
    resets: Tuple[int, ...] = ()


class Run(NamedTuple):
    """A course that has been run."""

    setting: Setting
    outcome: Outcome
    course: Course


def run_course(seen: Observed, board: ReplayBoard, setting: Setting, checkpoint: Optional[Checkpoint] = None, end: Optional[int] = None,
               budget: Optional[int] = None) -> Run:  # fmt: skip
    """Run one machine beside the capture."""
    course = Course(seen, board, setting.begin, budget or STEPS_A_CYCLE * len(seen) + STEPS_FREE, setting.loose, end, setting.resets)
    course.skips = dict(setting.skips)
    if setting.anywhere:
        course.start_anywhere()
    if checkpoint is not None:
        course.resume(checkpoint)
    return Run(setting, course.run(), course)


def run_healthy(seen: Observed, program: Program) -> Optional[Run]:
    """Return the healthy machine's course from where the program begins, None where that cannot be found.

    What ports answered in another capture is believed only where it leads as far: a key may be pressed in this one.
    """
    told = _run_healthy(seen, program)
    if not seen.ports or (told is not None and told.outcome.ended != PARTED):
        return told
    ports, seen.ports, found_by = seen.ports, (), seen.found_by
    free = _run_healthy(seen, program)
    if told is not None and (free is None or free.outcome.matched <= told.outcome.matched):
        seen.ports, seen.found_by = ports, found_by
        return told
    return free


def healthy_cycles(seen: Observed, program: Program) -> int:
    """Return how many cycles the healthy machine agrees with a capture."""
    run = run_healthy(seen, program) if len(seen) >= 2 else None
    return run.outcome.matched if run is not None else 0


def _run_healthy(seen: Observed, program: Program) -> Optional[Run]:
    best: Optional[Run] = None
    for row in first_fetches(seen, 3):
        run = run_course(seen, board_for(seen, program), Setting(row))
        begun = seen.found_by in (RESET, SILENCE)  # with its first fetch, unless much speaks for another: the rhythm of a loop does not
        lead = RHYTHM_LEAST if begun else 2
        if best is None or (run.outcome.matched > best.outcome.matched + lead and not (begun and _places(run) < PLACES_LEAST)):
            best = run
        if run.outcome.ended in (COMPLETE, LOST, GAVE_UP):
            break
    if best is None:
        return None
    loosened = _without_device(seen, program, _loosened(seen, program, best))
    if seen.found_by in (RESET, SILENCE):
        return loosened
    if loosened.outcome.matched >= min(RHYTHM_LEAST, len(seen)) and len(seen) >= RHYTHM_LEAST:
        seen.found_by = RHYTHM
        return loosened
    if seen.found_by == PAUSE and not _shows_another_place(seen, best):
        return best  # whoever explains all of it may show that it was the reset
    if seen.address_mask == 0xFFFF and all(seen.data_mask[:1]) and seen.data_mask[0] == 0xFF:
        seen.found_by = BUS
        return _anywhere(seen, program)
    seen.found_by = None
    return None


def _places(run: Run) -> int:
    """Return from how many different addresses a course fetched."""
    return len({p.address for p in run.outcome.log if p.kind == FETCH})


def _without_device(seen: Observed, program: Program, run: Run) -> Run:
    """Return the course of a machine whose device is not there, where that leads further than into what nobody knows of the device."""
    if run.outcome.ended != LOST or not program.has_device:
        return run
    bare = run_course(seen, ReplayBoard(program.regions), run.setting)
    further = bare.outcome.matched >= run.outcome.matched + RHYTHM_LEAST
    return bare if further and bare.outcome.ended != PARTED else run  # a device's program may look like the ROM's for a while


def _shows_another_place(seen: Observed, run: Run) -> bool:
    """Whether the address lines say that the first fetch is not one from 0000h."""
    shown = seen.address[run.setting.begin] & seen.address_mask
    return bin(shown).count("1") > 1  # one line, or two bridged ones, may be stuck


def _anywhere(seen: Observed, program: Program) -> Optional[Run]:
    """Meet the machine in the middle of its work: at the first fetch that begins an instruction."""
    best: Optional[Run] = None
    for row in first_fetches(seen, 4):
        run = run_course(seen, board_for(seen, program), Setting(row, anywhere=True))
        if best is None or run.outcome.matched > best.outcome.matched + 2:
            best = run
    return best


def met_on_its_way(seen: Observed, program: Program, outcome: Outcome) -> bool:
    """Whether a healthy machine, met in the middle of its program, does what a fault from the reset on is to explain.

    Where nothing but a pause says that there was a reset, a fault that leads into the program's own loop looks like the loop itself. The
    first fetches of the course say where in the program that would be: at any of its bytes that are the same.
    """
    contents = board_for(seen, program).contents
    goal = outcome.log[-1].row + 1 if outcome.log else 0
    fetches = [k for k, p in enumerate(outcome.log) if p.kind == FETCH and isinstance(p.data, int)]
    for k in fetches[:MET_AT]:
        read = _read_in_a_row(outcome, k)
        places = [at for at in range(len(contents) - len(read) + 1) if contents[at : at + len(read)] == read][:MET_PLACES]
        begin = outcome.log[k].row
        if any(all(_met(seen, program, place, begin, end) for end in (min(begin + MET_GLANCE, goal), goal)) for place in places):
            return True
    return False


def _read_in_a_row(outcome: Outcome, first: int) -> List[int]:
    """Return the byte of one of a course's fetches, and those that it read from the addresses behind it: as many as tell a place."""
    begin, read = outcome.log[first].address, [outcome.log[first].data]
    for p in outcome.log[first + 1 : first + MET_BYTES]:
        if any(isinstance(value, Unknown) for value in (begin, p.address, p.data)):
            break
        if p.kind not in (FETCH, READ) or p.address != begin + len(read):
            break
        read.append(p.data)
    return [byte for byte in read if isinstance(byte, int)]


def _met(seen: Observed, program: Program, place: int, begin: int, end: int) -> bool:
    """Whether nothing of a stretch contradicts a healthy machine that fetches from a place there."""
    course = Course(seen, board_for(seen, program), begin, STEPS_A_CYCLE * len(seen) + STEPS_FREE, end=end)
    course.start_anywhere(place)
    outcome = course.run()
    return outcome.ended == COMPLETE or (outcome.ended in (LOST, GAVE_UP) and outcome.matched >= MET_GLANCE)


def _loosened(seen: Observed, program: Program, strict: Run) -> Run:
    if strict.outcome.ended == COMPLETE or ("CLK" in seen.captured and "WAIT" in seen.captured):
        return strict
    loose = run_course(seen, board_for(seen, program), strict.setting._replace(loose=True))
    return loose if loose.outcome.matched >= strict.outcome.matched + LOOSE_GAIN else strict


def repair(seen: Observed, program: Program, run: Run) -> Run:
    """Pass over what is no fault of the machine: another master's cycles and resets that no lead shows.

    Returns the run that leads furthest.
    """
    trials = TRIALS_MOST
    while run.outcome.ended not in (COMPLETE, LOST) and trials > 0:
        parted = run.setting.begin + run.outcome.matched
        for setting, first in _repairs(seen, run.setting, parted):
            trials -= 1
            if trials < 0 or _agrees(seen, program, run, setting, first, parted):
                break
        else:
            return run
        if trials >= 0:
            run = run_course(seen, board_for(seen, program), setting)
    return run


def _agrees(seen: Observed, program: Program, run: Run, setting: Setting, first: int, parted: int) -> bool:
    """Try a setting from shortly before the first cycle that it concerns."""
    goal = min(max(parted, *(row + count for row, count in setting.skips), 0) + REPAIR_GAIN, len(seen))
    earlier = [point for point in run.course.checkpoints if point[0] <= first]
    point = earlier[-1] if earlier else None
    budget = 2 * (goal - (point[0] if point else setting.begin)) + 40
    trial = run_course(seen, board_for(seen, program), setting, point, goal, budget)
    return trial.outcome.matched >= goal - setting.begin


def _repairs(seen: Observed, setting: Setting, parted: int) -> Iterator[Tuple[Setting, int]]:
    """Yield settings that pass over something near a place, the likeliest first, each with the first cycle that it concerns."""
    fetches = [row for row in range(max(parted - 3, setting.begin + 1), min(parted + 4, len(seen))) if seen.kinds[row] == FETCH]
    if "RESET" not in seen.captured:
        for row in fetches:
            skips = (*setting.skips, (parted, row - parted)) if row > parted else setting.skips
            yield setting._replace(resets=(*setting.resets, row), skips=skips), min(row, parted) - 1
    if seen.input_idle("BUSREQ"):
        return
    yield from _another_masters(seen, setting, range(min(parted, len(seen) - 1), max(parted - _REPAIR_BEFORE, setting.begin), -1))
    if "RESET" not in seen.captured:  # a reset, and another master before the program has gone far
        for row in fetches:
            begun = setting._replace(resets=(*setting.resets, row))
            for both, _ in _another_masters(seen, begun, range(row + 1, min(row + _SOON, len(seen)))):
                yield both, row - 1


def _another_masters(seen: Observed, setting: Setting, places: Iterable[int]) -> Iterator[Tuple[Setting, int]]:
    """Yield settings that pass over the cycles of another master from one of these places on."""
    taken = dict(setting.skips)
    for first in places:
        if first in taken or seen.kinds[first] == FETCH:
            continue
        end = next((row for row in range(first, len(seen)) if seen.kinds[row] == FETCH), len(seen))
        for own in range(min(_OWN_MOST, end - first - 1) + 1):  # the CPU's own cycles that are left before the next fetch
            yield setting._replace(skips=(*setting.skips, (first, end - first - own))), first
