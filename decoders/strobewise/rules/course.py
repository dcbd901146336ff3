"""Rules for what a run comes to: a CPU that worked and lost its way, that restarts without end, fetches and nothing else, or begins anew.

They read ``evidence.course``. What leads to an address, what a restart pushes and where a reset leads are UM0080's; that a CPU which has
lost its way ends in memory where nothing answers, and there reads one byte for ever, is common practice.
"""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

from ..bus.lines import ADDRESS, DATA, pin_text
from ..bus.units import time_words
from ..records.course import AlikeReads, CourseRecord
from ..records.evidence import BusEvidence
from ..records.told import Anew
from . import blame
from .base import CAUTION_SOLDER, RUNAWAY, Found, rule, too_coarse
from .grades import FAIR, HINT, LIKELY, STRONG
from .held import NO_FINGER_S
from .runaways import FULL_BUS, LONG_WALK, one_line_odd
from .slips import samples_missing

GOOD_READS, GOOD_VALUES = 24, 8  #: reads, and different bytes in all, from which on memory is known to have answered before
ROUNDS = 16  #: fetches of FFh at 0038h: one is a restart, so many are no program
WALKED = 0x200  #: different addresses that all give one byte, more than the longest run of one instruction that a program plausibly has
READS_A_FETCH = 1.5  #: reads of that byte for each fetch of it, from which the CPU is not halted, where /HALT was not captured
ECHOED = 64  #: different addresses that all give what the bus carried before, and not the same byte
WALKED_ZEROS = 0x400  #: the same of 00h: RAM that nobody wrote may well hold zeros, and a program a run of NOPs
ENDLESS_PUSHES = 200  #: instructions in a row that push two bytes and do nothing else; an unrolled fill makes some dozen
PUSHING_SHARE = 0.9  #: of the instructions of such a run that is not one of pushes alone; the rest are what a byte read wrongly makes of a restart
LONELY_FETCHES = 1_000  #: fetches in a row with no other cycle: the longest run of such instructions that a program plausibly has
NOWHERE = 8  #: addresses, more than the instruction or two that a spike on an address line may seem to put there
UNWRITTEN = 16  #: addresses, more than a hook or two that stood in RAM before the reset
PAUSES = 3  #: pauses behind which a program begins anew: two may be a person's at the button, who takes longer over three
STARTS = 4  #: starts at 0000h out of nowhere that are no person at the button, who may well press it a few times

FROM_RESET: Tuple[Tuple[str, ...], ...] = (("MREQ", "RD", "WR", "RESET", *ADDRESS, *DATA),)
TELLS_RETURNS: Tuple[Tuple[str, ...], ...] = (("MREQ", "RD", "M1", *DATA), ("MREQ", "RD", "RFSH", *DATA), ("MREQ", *ADDRESS, *DATA))
TELLS_PUSHES: Tuple[Tuple[str, ...], ...] = (("MREQ", "RD", "WR", "M1"), ("MREQ", "RD", "WR", "RFSH"))


def went_well(course: CourseRecord, tail: AlikeReads) -> bool:
    """Say whether memory answered before the reads at the end that are all alike."""
    return tail.before is not None and course.reads - tail.count >= GOOD_READS and course.values >= GOOD_VALUES


def _what_is_read(course: CourseRecord) -> Optional[Tuple[AlikeReads, str, bool]]:
    """Return the reads that are the end of the run, what they are in words, and whether no program can be like that; None if it goes on."""
    same, echo = course.same, course.echo
    if same.value == 0xFF and same.fetches_at_38 >= ROUNDS:
        return same, f"nothing but FFh is read (RST 38h): {same.count} reads, {same.fetches_at_38} of them fetches of 0x0038", True
    where = f"{same.count} reads from {same.addresses} different addresses"
    if same.value == 0x00 and same.addresses >= WALKED_ZEROS:
        return same, f"nothing but 00h is read (NOP), in {where}", same.addresses >= LONG_WALK
    if same.value not in (0x00, 0xFF) and same.addresses >= WALKED:
        return same, f"nothing but {same.value:02X}h is read, in {where}", True
    if echo.addresses >= ECHOED and echo.count >= 2 * same.count:
        return echo, f"each read gives what the cycle before left on the bus, in {echo.count} reads from {echo.addresses} different addresses", True
    return None


@rule(
    "lost-its-way", "the CPU worked, then lost its way", "fault", needs=FULL_BUS, judges=("ROM", "RAM"),
    suspects=blame.LED_ASTRAY,
    looks_for="a start in which memory answers, and from some moment to the end reads that all give one byte, or what the bus carried before",
    causes="a byte read wrongly, a return address that the stack did not keep, a jump into memory that is not there or not selected; the "
    "program itself, where it is new",
    next_step="look at the last instructions before that moment (strobewise listing): what they read, and whether the stack gave back what was "
    "pushed; then check the memory that they read from",
    source="common practice; FFh is RST 38h and 00h is NOP, UM0080", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, lasting=True, undecided=7,
    speaks_for=dict.fromkeys(("reads-all-ff", "reads-all-00", "reads-all-alike", "walks-nowhere", "stack-grows"), "all"),
)  # fmt: skip
def lost_its_way(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    ended = _what_is_read(course) if course is not None else None
    if course is None or ended is None or not went_well(course, ended[0]):
        return
    odd = one_line_odd(ended[0].value)
    if odd is not None and not evidence.line(f"D{odd}").edges:
        return  # a line that never moved says more
    tail, what, sure = ended
    if course.walk.fetches >= WALKED and (course.walk.start_s or 0.0) < (tail.start_s or 0.0):
        return  # it was lost before
    last = tail.before
    assert last is not None
    good = f"{last.data:02X}h at {last.address:#06x}"
    instruction = f", by the instruction at {last.fetched_at:#06x} ({last.opcode:02X}h)" if last.fetched_at not in (-1, last.address) else ""
    yield Found(
        f"from {time_words(tail.start_s)} to the end {what}; {course.reads - tail.count} reads before it were answered, the last with "
        f"{good}{instruction}",
        (), tail.count, tail.start_s, evidence.last_request_s, severity=None if sure else "warning", confidence=LIKELY if sure else HINT,
    )  # fmt: skip


@rule(
    "restarts-without-end", "the CPU restarts without end", "fault", needs=TELLS_PUSHES, judges=(),
    suspects=blame.READS_FF,
    looks_for="fetches with two writes behind each and not one read of data, hundreds of times to the end of the capture",
    causes="the CPU reads FFh (RST 38h) from memory that does not answer; at the end of a program that ran, it has lost its way",
    next_step="clip D0 to D7 as well: FFh in every fetch means that nothing answers. Then check the ROM's chip-enable and output-enable pins, "
    "its supply and its seat",
    source="UM0080, restarts; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, speaks_for={"stack-grows": "all"},
)  # fmt: skip
def restarts_without_end(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if course is None or course.only_pushes.count < ENDLESS_PUSHES:
        yield from _pushes_without_end(evidence)
        return
    count, since = course.only_pushes.count, course.only_pushes.start_s
    if evidence.has(*ADDRESS, *DATA) or (evidence.has(*DATA) and course.pushes_restart < count):
        return  # the addresses tell more, or the bytes say that it is no restart
    before = course.fetches - count
    sure = evidence.has(*DATA)
    yield Found(
        f"{count} fetches to the end of the capture, each with two writes behind it and no read of data"
        + (f", after {before} other fetches, from {time_words(since)} on" if before else "")
        + (": restarts" if sure else ": restarts (or pushes) without a return, as where every fetch gives FFh"),
        (), count, since, evidence.last_request_s, suspects=blame.LED_ASTRAY if before >= GOOD_READS else None, confidence=LIKELY if sure else FAIR,
    )  # fmt: skip


def _pushes_without_end(evidence: BusEvidence) -> Iterator[Found]:
    """Find a run of instructions that push and take nothing back, none of which may jump: restarts, broken by a byte here and there."""
    run = evidence.rhythm.pushing if evidence.rhythm is not None else None
    if run is None or too_coarse(evidence) or not evidence.samples_per_t or evidence.has(*ADDRESS, *DATA):
        return
    pushes = run.restarts if evidence.has(*DATA) else run.pushes
    if pushes < ENDLESS_PUSHES or pushes < PUSHING_SHARE * run.instructions:
        return
    yield Found(
        f"{pushes} of {run.instructions} instructions one behind the other, from {time_words(run.start_s)} on, put two bytes on the stack, and none takes "
        "any back or may jump: restarts without a return, as where nearly every fetch gives FFh",
        (), pushes, run.start_s, evidence.last_request_s, suspects=blame.LED_ASTRAY, confidence=FAIR,
    )  # fmt: skip


@rule(
    "fetches-only", "the CPU fetches and does nothing else", "warning", needs=(("MREQ", "M1", "HALT"), ("MREQ", "RFSH", "HALT")), judges=(),
    suspects=blame.READS_00,
    looks_for="a thousand fetches and more to the end of the capture, with no other cycle among them, of a CPU that is not halted",
    causes="the CPU reads 00h (NOP) everywhere: the data bus is held low, or it walks through memory that is not there; NOPs forced on "
    "purpose (free run) look the same",
    next_step="clip D0 to D7 and A0 to A15 as well: 00h from every address, if nobody forced it, means the data bus, or the ROM's outputs",
    source="common practice; 00h is NOP, UM0080",
    host=None, sort=RUNAWAY, seen_astray=True, undecided=8,
)  # fmt: skip
def fetches_only(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    halt = evidence.line("HALT")
    if course is None or evidence.has(*ADDRESS, *DATA) or halt.asserted_last or course.only_fetches.count < LONELY_FETCHES:
        return
    count, since = course.only_fetches.count, course.only_fetches.start_s
    zeros = evidence.has(*DATA) and course.same.value == 0x00 and course.same.count >= count - 1
    if evidence.has(*DATA) and not zeros:
        return
    yield Found(
        f"{count} fetches to the end of the capture{' that all give 00h (NOP)' if zeros else ''} and nothing else, from {time_words(since)} on, "
        "with /HALT high",
        (), count, since, evidence.last_request_s, severity="fault" if zeros and count >= LONG_WALK else None, confidence=HINT,
    )  # fmt: skip


@rule(
    "starts-again", "the program starts again and again", "fault", needs=FULL_BUS, judges=(),
    suspects=blame.RESET_PULSES,
    looks_for=f"{STARTS} or more fetches of 0000h to which no instruction leads, /RESET not captured",
    causes="supply dips that a supervisor sees, a watchdog, an expansion device that pulls reset, a leaky reset capacitor",
    next_step=f"clip {pin_text('RESET')} as well; unplug everything from the expansion port, and watch the 5 V rail and /RESET on a scope together",
    source="UM0080, reset; the check: common practice",
    host=None, seen_astray=True, lasting=True,
)  # fmt: skip
def starts_again(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if course is None or evidence.has("RESET") or len(course.starts_s) < STARTS:
        return
    from statistics import median  # it loads fractions and decimals

    starts = course.starts_s
    period = median(after - before for before, after in zip(starts, starts[1:]))
    yield Found(
        f"the program began again at 0x0000 {len(starts)} times, every {time_words(period)} or so, first at {time_words(starts[0])}, and no "
        "instruction led there: /RESET was pulled, which was not captured",
        ("RESET",), len(starts), starts[0], starts[-1], confidence=STRONG,
    )  # fmt: skip


@rule(
    "fetches-nowhere", "the CPU fetches where there is no memory", "fault", needs=FULL_BUS, judges=(),
    suspects=blame.LED_ASTRAY,
    looks_for=f"opcode fetches from {NOWHERE} or more different addresses at which the profile has no memory",
    causes="a byte read wrongly, a return address that the stack did not keep, a jump into memory that was taken out; or the profile is not this "
    "machine's",
    next_step="look at the instructions before the first of these fetches (strobewise listing), and check the profile's memory map",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, lasting=True,
)  # fmt: skip
def fetches_nowhere(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    for region in evidence.regions if memory is not None else ():
        count = memory.fetched[slice(region.start, region.end + 1)].count() if memory is not None and region.kind == "nothing" else 0
        if count >= NOWHERE:
            yield Found(
                f"opcodes fetched from {count} different addresses in {region.start:#06x}-{region.end:#06x}, where the profile has no memory", (),
                count, evidence.first_request_s, evidence.last_request_s, confidence=FAIR,
            )  # fmt: skip


@rule(
    "runs-unwritten", "the CPU runs through RAM that nothing has written", "warning", needs=FROM_RESET, judges=("ROM",),
    suspects=blame.LED_ASTRAY,
    looks_for=f"{UNWRITTEN} or more instructions fetched after a reset from RAM in which nothing was written since then",
    causes="a byte read wrongly, a return address that the stack did not keep, a jump that another byte made: the CPU has lost its way; or a "
    "program that was in RAM before the reset",
    next_step="look at the instructions before the first of these fetches (strobewise listing): which byte, or which return address, led there",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, undecided=9,
)  # fmt: skip
def runs_unwritten(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.unwritten
    paged = evidence.profile is not None and bool(evidence.profile.paging) and not evidence.pagings  # by a line that was not captured
    if record is None or record.addresses < UNWRITTEN or paged:
        return
    came = f", from {record.came_from:#06x}" if record.came_from >= 0 else ""
    yield Found(
        f"from {time_words(record.first_s)} on the CPU runs through RAM in which nothing was written since the reset: it came to "
        f"{record.first:#06x}{came}, and ran at {record.addresses} such addresses", (), record.addresses, record.first_s,
        evidence.last_request_s, confidence=FAIR,
    )  # fmt: skip


@rule(
    "walks-nowhere", "the CPU walks through memory that is not there", "fault", needs=FULL_BUS, judges=("ROM", "RAM"),
    suspects=blame.LED_ASTRAY,
    looks_for="a long walk of fetches from one address to the next that all give one byte, anywhere in the capture",
    causes="a byte read wrongly, a return address that the stack did not keep, a jump into memory that is not there: until it comes to memory that "
    "answers, the CPU runs over one byte",
    next_step="look at the last instructions before that walk (strobewise listing): which byte, or which return address, led there",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, undecided=11,
)  # fmt: skip
def walks_nowhere(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if course is None or evidence.free_run is not None:
        return
    walk, sure = (course.walk, True) if course.walk.fetches >= WALKED else (course.walk_00, course.walk_00.fetches >= LONG_WALK)
    if walk.fetches < (WALKED if walk.value else WALKED_ZEROS):
        return
    yield Found(
        f"from {time_words(walk.start_s)} on {walk.fetches} fetches from {walk.first:#06x} to {walk.first + walk.fetches - 1 & 0xFFFF:#06x}, one address "
        f"behind the other, gave nothing but {walk.value:02X}h",
        (), walk.fetches, walk.start_s, evidence.last_request_s, severity=None if sure else "warning", confidence=LIKELY if sure else HINT,
    )  # fmt: skip


@rule(
    "returns-to-start", "the program comes back to its start again and again", "fault", needs=TELLS_RETURNS, judges=(),
    suspects=blame.LED_ASTRAY,
    looks_for=f"{STARTS} or more returns whose address is 0000h: the stack holds zeros, or has run empty; or, with neither addresses nor /RESET captured, "
    f"the same bytes behind {PAUSES} pauses and more, with which the program does not go on elsewhere",
    causes="/RESET that is pulled, where it was not captured; a byte read wrongly that turned a call or a jump into another instruction, a stack that keeps nothing: more is taken from it than was put there",
    next_step="look at the listing from one start to the next: the first instruction that makes no sense was read wrongly, or what it was to call "
    "was not written",
    source="UM0080, call and return; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True,
)  # fmt: skip
def returns_to_start(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if evidence.told is not None and not evidence.has("RESET"):
        yield from _begins_anew(evidence, evidence.told.anew)
    if course is None or len(course.returns_s) < STARTS:
        return
    from statistics import median  # loads fractions and decimals, which few captures need

    starts = course.returns_s
    period = median(after - before for before, after in zip(starts, starts[1:]))
    yield Found(
        f"{len(starts)} returns led to 0x0000, the start of the program, first at {time_words(starts[0])} and then every {time_words(period)} or so",
        (), len(starts), starts[0], starts[-1], confidence=LIKELY,
    )  # fmt: skip


def _begins_anew(evidence: BusEvidence, anew: Anew) -> Iterator[Found]:
    """Find pauses behind which the program begins anew, where its bytes alone tell."""
    number = len(anew.times_s)
    if number < PAUSES or too_coarse(evidence) or not evidence.samples_per_t or evidence.duration_s >= number * NO_FINGER_S:
        return
    yield Found(
        f"behind {number} pauses without a cycle, of {time_words(anew.pause_s)} or so, the first up to {time_words(anew.times_s[0])}, the same came "
        f"({' '.join(f'{byte:02X}' if byte >= 0 else '--' for byte in anew.cycles)}), with which the program does not go on elsewhere: it began again, "
        "and /RESET was pulled, which was not captured",
        ("RESET",), number, anew.times_s[0], anew.times_s[-1], suspects=blame.RESET_PULSES,
        confidence=FAIR, next_step=f"clip {pin_text('RESET')} as well; unplug everything from the expansion port, and watch the 5 V rail and /RESET on a scope together",
    )  # fmt: skip


@rule(
    "returns-unpushed", "the CPU returns to an address that nothing pushed", "fault", needs=FROM_RESET, judges=("RAM",),
    suspects=blame.LED_ASTRAY,
    looks_for="a return whose address is read from RAM in which nothing was written since the reset",
    causes="a byte read wrongly, so that more is taken from the stack than was put there, or the stack pointer is elsewhere",
    next_step="look at the instructions before that return (strobewise listing): which byte made a return of another instruction, or set the stack there",
    source="UM0080, call and return; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True,
)  # fmt: skip
def returns_unpushed(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.unwritten
    if record is None or not record.returns or too_coarse(evidence) or samples_missing(evidence):
        return
    yield Found(
        f"at {time_words(record.returned_s)} the CPU returned to an address read from {record.returned_at:#06x}, where nothing was written since the "
        f"reset{'' if record.returns == 1 else f'; {record.returns} such returns in all'}",
        (), record.returns, record.returned_s, evidence.last_request_s, confidence=FAIR,
    )  # fmt: skip


@rule(
    "reads-one-byte", "the CPU reads nothing but one byte", "fault",
    needs=(("MREQ", "RD", "M1", *DATA), ("MREQ", "RD", "RFSH", *DATA)), judges=(),
    suspects=blame.READS_ALIKE,
    looks_for=f"{WALKED} fetches and more to the end of the capture that all give one byte which is neither 00h nor FFh, of a CPU that is not "
    "halted; addresses not captured",
    causes="nothing drives the data bus, or something holds it: the CPU walks through memory that is not there, or no memory answers at all",
    next_step="clip A0 to A15 as well: they tell where the CPU walks; check the ROM's chip-enable and output-enable pins, its supply and its seat",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True,
)  # fmt: skip
def reads_one_byte(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if course is None or evidence.has(*ADDRESS) or course.same.value in (0x00, 0xFF) or course.same.fetches < WALKED:
        return
    halts = evidence.line("HALT").asserted_last if evidence.has("HALT") else course.same.count < READS_A_FETCH * course.same.fetches
    if halts:
        return  # a halted CPU fetches one byte for ever, and reads nothing else
    same, good = course.same, course.reads - course.same.count >= GOOD_READS
    yield Found(
        f"{same.fetches} fetches to the end of the capture, from {time_words(same.start_s)} on, that all gave {same.value:02X}h", (), same.fetches,
        same.start_s, evidence.last_request_s, suspects=blame.LED_ASTRAY if good else None, confidence=LIKELY,
    )  # fmt: skip


def astray(evidence: BusEvidence) -> bool:
    """Say whether the run is one that no sound program takes, whatever led to it."""
    course, record = evidence.course, evidence.unwritten
    if course is not None and (len(course.returns_s) >= STARTS or course.walk.fetches >= WALKED):
        return True
    return record is not None and (record.addresses >= UNWRITTEN or record.returns > 0)
