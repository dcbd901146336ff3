"""Rules for a program that is known by its bytes alone: data and strobes were captured, and not all addresses.

They read ``evidence.bytes_alone``. What follows on which byte, and that a stack gives back the last first, is UM0080's; whom a
contradiction points at is common practice.
"""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

from ..bus.lines import ADDRESS, DATA
from ..records.bytes_alone import BytesRecord, Compared
from ..records.evidence import BusEvidence
from . import blame
from .base import CAUTION_SOLDER, Found, rule, too_coarse
from .grades import FAIR, HINT, LIKELY

NEEDS: Tuple[Tuple[str, ...], ...] = (("M1", "MREQ", "IORQ", "RD", "WR", *DATA),)
ENOUGH_INSTRUCTIONS = 50  #: from which on the program counts as followed
SOME_UNLIKE, UNLIKE_SHARE = 8, 0.04  #: instructions, from which on they are more than an interrupt that was not seen or a sample that was missed
EXPLAINED = 0.8  #: share of them that one data line must explain; the rest are where the others led
BETTER = 1.5  #: times as well as any other: alike bits of one opcode often explain the same (our choice)
FOLLOWED = 0.02  #: share of instructions unlike their bytes up to which their data are believed
FEW_WRONG = 2  #: bytes that differ, of a program that is followed without one doubt: more than a slip of the analyser
SOME_WRONG, ALL_ONE = 4, 0.9  #: bytes, and the share of them that must be wrong in one and the same way: one or two may be spikes (our choice)
ENOUGH_OF_A_LEVEL, DEAD = 4, 0.9  #: bytes with a bit at one level, and the share of them that must come at the other
STILL_READS, STILL_OTHERS = 200, 50  #: reads, and edges of each other data line, from which one without an edge stands out
STILL_VALUES, STILL_SURE = 10, 24  #: different bytes: a short loop may well have a bit in common (ten: one in a thousand by chance)
MANY_VALUES = 40  #: different bytes, more than all small letters and digits together, of which one line but D7 would move


def _coarse(evidence: BusEvidence) -> bool:
    return too_coarse(evidence) or evidence.samples_per_t is None


def _read_otherwise(record: BytesRecord) -> Optional[Tuple[int, int, int]]:
    """Return (data bit, level at which the CPU reads it, instructions that this explains), None where no one line explains them."""
    ranked = sorted(((count, bit, level) for bit in range(8) for level, count in enumerate(record.explained[bit])), reverse=True)
    (count, bit, level), (second, _, _) = ranked[:2]
    return (bit, level, count) if count >= max(EXPLAINED * record.unlike, BETTER * second) else None


@rule(
    "bytes-not-obeyed", "the CPU does not do what the bytes call for", "fault", needs=NEEDS, judges=("CPU",),
    suspects=blame.BYTES_UNLIKE,
    looks_for="cycles behind an opcode that are not those which its bytes call for, again and again, where addresses were not captured",
    causes="an input of the CPU or its contact, when one data line explains it; a lead that does not touch; data that come too late",
    next_step="clip the data lines to the CPU's own legs and capture again; then clip A0 to A15 as well, which tell what the CPU made of the bytes",
    source="UM0080, instruction set; the check: common practice",
    host=None,
)  # fmt: skip
def bytes_not_obeyed(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.bytes_alone
    if record is None or _coarse(evidence) or record.instructions < ENOUGH_INSTRUCTIONS:
        return
    if record.unlike < max(SOME_UNLIKE, UNLIKE_SHARE * record.instructions):
        return
    share = f"{record.unlike} of {record.instructions} instructions are not followed by the cycles that their bytes call for"
    best = _read_otherwise(record)
    if best is None:
        yield Found(share, (), record.unlike, record.first_s, record.last_s, severity="warning", confidence=HINT)
        return
    bit, level, count = best
    moves = evidence.line(f"D{bit}").edges >= SOME_UNLIKE
    yield Found(
        f"{share}; D{bit} read as {level} explains {count} of them", (f"D{bit}",), record.unlike, record.first_s, record.last_s,
        suspects=blame.DATA_INPUT if moves else blame.DATA_LEAD_OFF, confidence=LIKELY,
    )  # fmt: skip


def _dead_bit(compared: Compared) -> Optional[Tuple[int, str]]:
    """Return the data bit that comes at one level whatever it should be, and the level; None where there is none, or others are wrong too."""
    flips = [counts[1] + counts[3] for counts in compared.bits]
    best = max(range(8), key=lambda bit: flips[bit])
    if compared.wrong < SOME_WRONG or flips[best] < ALL_ONE * compared.wrong or sum(flips) > compared.wrong / ALL_ONE:
        return None
    zeros, up, ones, down = compared.bits[best]
    if ones >= ENOUGH_OF_A_LEVEL and down >= DEAD * ones and not up:
        return best, "low"
    return (best, "high") if zeros >= ENOUGH_OF_A_LEVEL and up >= DEAD * zeros and not down else None


def _believed(evidence: BusEvidence) -> Optional[BytesRecord]:
    record = evidence.bytes_alone
    if record is None or _coarse(evidence) or record.instructions < ENOUGH_INSTRUCTIONS or record.unlike > FOLLOWED * record.instructions:
        return None
    return record


@rule(
    "stack-differs", "the stack gives back other bytes than were pushed", "fault", needs=NEEDS, judges=("RAM",),
    suspects=blame.RAM_BIT_OR_LINE,
    looks_for="bytes that come back from the stack with one data line at one level, or as FFh, where others were pushed; addresses not captured",
    causes="the memory chip of that bit, its socket or a joint; a bank that does not answer; a data line that does not reach it",
    next_step="swap the chip of that bit in the bank that holds the stack with its neighbour's, or piggy-back a good one, and capture again",
    source="UM0080, push and pop; the check: common practice", caution=CAUTION_SOLDER,
    host=None, seen_astray=True,
)  # fmt: skip
def stack_differs(evidence: BusEvidence) -> Iterator[Found]:
    record = _believed(evidence)
    if record is None:
        return
    popped = record.popped
    share = f"{popped.wrong} of {popped.number} bytes came back from the stack otherwise than pushed"
    span = (popped.first_s, popped.last_s)
    dead = _dead_bit(popped)
    if dead is not None:
        bit, level = dead
        yield Found(f"{share}, all with D{bit} {level}", (f"D{bit}",), popped.wrong, *span, confidence=FAIR)
    elif popped.wrong >= 2 * SOME_WRONG and popped.silent >= ALL_ONE * popped.wrong:
        yield Found(f"{share}, {popped.silent} of them as FFh: no memory answered", (), popped.wrong, *span, suspects=blame.RAM_BANK, confidence=FAIR)
    elif (bit_alone := _one_bit(popped)) is not None:
        yield Found(f"{share}, all of them in D{bit_alone}", (f"D{bit_alone}",), popped.wrong, *span, confidence=FAIR)
    elif popped.wrong >= FEW_WRONG and not record.unlike:
        yield Found(share, (), popped.wrong, *span, severity="warning", suspects=blame.RAM_ONCE, confidence=HINT)


def _one_bit(compared: Compared) -> Optional[int]:
    """Return the one data bit that alone is wrong now and then, None where there is none."""
    flips = [counts[1] + counts[3] for counts in compared.bits]
    best = max(range(8), key=lambda bit: flips[bit])
    few = compared.wrong < 2 * SOME_WRONG or compared.wrong > compared.number / 2
    return None if few or flips[best] < ALL_ONE * compared.wrong or sum(flips) > compared.wrong / ALL_ONE else best


def _never_written(evidence: BusEvidence, record: BytesRecord) -> Iterator[Found]:
    """Find a data line at one level in all bytes written, however many different ones, that moves in what is read."""
    still = [bit for bit in range(7) if record.constant[bit] is not None]  # D7 is low in all of a text
    if record.written < MANY_VALUES or len(still) != 1 or not record.moving >> still[0] & 1:
        return
    bit = still[0]
    yield Found(
        f"D{bit} {'high' if record.constant[bit] else 'low'} in all of {record.written} different bytes that were written, and it moves in reads",
        (f"D{bit}",), record.written, evidence.first_request_s, evidence.last_request_s, confidence=HINT,
    )  # fmt: skip


@rule(
    "stored-otherwise", "the CPU writes other bytes than it read", "fault", needs=NEEDS, judges=DATA,
    suspects=blame.DATA_OUTPUT,
    looks_for="bytes that an instruction writes as it read them, or one more or less, with one data line at one level; addresses not captured",
    causes="the CPU's output for that line is dead, its joint is open, or another chip drives the line during writes",
    next_step="scope the line at the CPU's leg during writes: a level between 0.8 and 2.0 V means that two drivers fight, a clean wrong level "
    "means the CPU",
    source="UM0080, instruction set; the check: common practice",
    host=None, seen_astray=True,
)  # fmt: skip
def stored_otherwise(evidence: BusEvidence) -> Iterator[Found]:
    record = _believed(evidence)
    if record is None:
        return
    followed = (record.stored, *([evidence.told.written] if evidence.told is not None else []))
    stored, dead = next(((each, found) for each in followed if (found := _dead_bit(each)) is not None), (record.stored, None))
    if dead is None:
        yield from _never_written(evidence, record)
        return
    bit, level = dead
    yield Found(
        f"D{bit} {level} in all of {stored.number} bytes that were written, {stored.wrong} of which must have it the other way by what was read",
        (f"D{bit}",), stored.wrong, stored.first_s, stored.last_s, confidence=FAIR,
    )  # fmt: skip


@rule(
    "data-line-still", "a data line that never moves", "fault", needs=(("MREQ", "RD", *DATA),), judges=DATA,
    suspects=blame.DATA_STUCK,
    looks_for="one data line without a single edge while all others move, in reads of many different bytes; addresses not captured",
    causes="a line shorted to ground or supply, a chip on the bus whose output is stuck, a lead that is off",
    next_step="power off and measure the line against ground, +5 V and its neighbours; then take the chips on the bus out one by one where "
    "they are socketed",
    source="common practice",
    host=None, derails=True,
)  # fmt: skip
def data_line_still(evidence: BusEvidence) -> Iterator[Found]:
    course = evidence.course
    if course is None or evidence.has(*ADDRESS) or too_coarse(evidence) or course.reads < STILL_READS or course.values < STILL_VALUES:
        return
    still = [name for name in DATA if not evidence.line(name).edges]
    if len(still) != 1 or any(evidence.line(name).edges < STILL_OTHERS for name in DATA if name not in still):
        return
    sure = course.values >= STILL_SURE
    level = evidence.line(still[0]).level
    yield Found(
        f"{still[0]} {level} throughout, in {course.reads} reads of {course.values} different bytes too, while all other data lines move", (still[0],),
        course.reads, evidence.first_request_s, evidence.last_request_s, severity=None if sure else "warning", confidence=LIKELY if sure else HINT,
    )  # fmt: skip
