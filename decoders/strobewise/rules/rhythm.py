"""Rules for what the rhythm of instructions tells, where few lines were captured: the same over and over, as no program goes on.

They read ``evidence.rhythm``. Which cycles an instruction has is UM0080's; that a program which comes back to where it was has jumped
there, and that a CPU which has lost its way runs over one byte, is common practice.
"""

from __future__ import annotations

from typing import Iterator, Tuple

from ..bus.lines import DATA, pin_text
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.rhythm import Growing, Repeated
from . import blame
from .base import CAUTION_SOLDER, RUNAWAY, Found, rule, too_coarse
from .course import LONELY_FETCHES
from .grades import FAIR, HINT, LIKELY

MANY_TURNS = 32  #: turns without a jump in them: more than a program has of the same lines of code one behind the other
MANY_INSTRUCTIONS = 200  #: and instructions in all
ONE_OVER_AND_OVER = 300  #: turns of one instruction: DJNZ to itself makes 256 at most
AT_ONCE = 2  #: instructions from the reset: a program that waits has set something up before
CUT_OFF = 1  #: instruction that the end of the capture cuts off
STACK_GROWS = 100  #: pushes that nothing takes back: 200 bytes, more than programs of small machines leave for the stack (our choice)
MOSTLY = 0.5  #: share of the pushes that must be restarts for the byte that is read to be the reason
ANSWERED_MIN = 24  #: acknowledges, each behind the return from the one before: a burst of requests is shorter

STROBES_TELL: Tuple[Tuple[str, ...], ...] = (("MREQ", "RD", "WR", "M1"), ("MREQ", "RD", "WR", "RFSH"))
ACKNOWLEDGES_TOLD: Tuple[Tuple[str, ...], ...] = (("M1", "MREQ", "IORQ", "RD", "WR"),)
NUMBERS = ("no", "a", "two", "three", "four", "five", "six", "seven", "eight")
KINDS_OF_CYCLE = {"r": "read", "w": "write", "i": "read of a port", "o": "write of a port"}


def _since(evidence: BusEvidence, seen: Repeated) -> str:
    """Say from when to when."""
    at = time_words(max(seen.start_s or 0.0, evidence.start_s))
    return f"from {at} to the end" if seen.before else f"from {at} or before to the end"


def _in_words(cycles: str) -> str:
    """Return the cycles of an instruction in words."""
    counts = [(cycles[1:].count(letter), name) for letter, name in KINDS_OF_CYCLE.items() if letter in cycles]
    return " and ".join(["a fetch", *(f"{NUMBERS[number]} {name}{'s' if number > 1 else ''}" for number, name in counts)])


def _repeats_itself(seen: Repeated) -> bool:
    """Say whether it may be one of the instructions that repeat themselves until they are done (LDIR and the like): a prefix, then its cycles."""
    return len(seen.cycles) == 2 and "F" in seen.cycles and seen.cycles[0] != seen.cycles[1]


def _behind_reset(evidence: BusEvidence, seen: Repeated) -> float:
    """Return the instructions from the reset, which may have begun before the capture, to those that are repeated; infinite where none was seen."""
    line = evidence.line("RESET")
    whole = seen.before + seen.instructions + CUT_OFF >= evidence.cycles["opcode_fetch"]
    if line.asserted_first and line.edges == 1 and whole:
        return seen.before
    return float("inf") if seen.behind_reset is None else seen.behind_reset


@rule(
    "one-instruction", "the CPU does one instruction over and over", "note", needs=STROBES_TELL, judges=(),
    suspects=blame.ONE_THING,
    looks_for=f"{ONE_OVER_AND_OVER} and more turns of one instruction to the end of the capture, where data were not captured",
    causes="memory that does not answer, or gives one byte everywhere; a program that waits in a jump to itself, or in a halt, looks the same",
    next_step="clip D0 to D7 as well: one byte in every fetch is memory that does not answer, a jump or a halt is a program's",
    source="UM0080, instruction set; the check: common practice",
    host=None, sort=RUNAWAY, seen_astray=True, undecided=13,
)  # fmt: skip
def one_instruction(evidence: BusEvidence) -> Iterator[Found]:
    seen = evidence.rhythm.repeated if evidence.rhythm is not None else Repeated()
    if len(seen.cycles) != 1 or evidence.has(*DATA) or too_coarse(evidence):
        return
    cycles = seen.cycles[0]
    halted = evidence.line("HALT").asserted_last or evidence.notes.get("halt", 0) > 0
    least = LONELY_FETCHES if cycles == "F" else ONE_OVER_AND_OVER
    if seen.times < least or (cycles == "F" and (halted or evidence.has("HALT"))) or cycles == "Fww" or set(cycles) & set("A?"):
        return  # with /HALT fetches-only tells more, and restarts-without-end of two writes
    what = "a jump to itself" if cycles in ("Fr", "Frr") or seen.jumps else "a halt" if cycles == "F" else ""
    if what:
        at_once = not seen.jumps and _behind_reset(evidence, seen) <= AT_ONCE
        text = f"{what} looks so, and so does memory that gives one byte everywhere"
        yield Found(
            f"{_since(evidence, seen)} one instruction over and over, {seen.times} times: {_in_words(cycles)}; {text}"
            + (", which is likelier so soon after a reset" if at_once else ""), (), seen.times, seen.start_s, evidence.last_request_s,
            severity="warning" if at_once else "note", confidence=HINT,
        )  # fmt: skip
        return
    yield Found(
        f"{_since(evidence, seen)} one instruction over and over, {seen.times} times: {_in_words(cycles)}, as no program does: the CPU runs "
        "over memory that gives one byte everywhere", (), seen.times, seen.start_s, evidence.last_request_s, severity="fault",
        suspects=blame.LED_ASTRAY, confidence=FAIR,
    )  # fmt: skip


@rule(
    "goes-on-without-jump", "the CPU goes on as no program does", "warning", needs=STROBES_TELL, judges=(),
    suspects=blame.LED_ASTRAY,
    looks_for=f"the same few instructions {MANY_TURNS} times and more to the end of the capture, with no jump among them that could lead back",
    causes="memory that gives FFh (RST 38h) or another restart everywhere: what is called returns, to the next such byte; the stack may march down",
    next_step="clip D0 to D7 as well: FFh in every fetch that two writes follow means that nothing answers where the CPU runs",
    source="UM0080, instruction set; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, undecided=12, speaks_for={"stack-grows": "all"},
)  # fmt: skip
def goes_on_without_jump(evidence: BusEvidence) -> Iterator[Found]:
    seen = evidence.rhythm.repeated if evidence.rhythm is not None else Repeated()
    if seen.times < MANY_TURNS or seen.instructions < MANY_INSTRUCTIONS or too_coarse(evidence) or not evidence.samples_per_t:
        return
    if seen.jumps or seen.acknowledges or not seen.pushes or seen.returns > seen.pushes or _repeats_itself(seen):
        return
    if seen.pushes == len(seen.cycles) or any("?" in each for each in seen.cycles):
        return  # nothing but pushes: restarts-without-end
    known = evidence.has(*DATA)
    if known and not seen.restarts:
        return
    turn = f"{seen.pushes} that push and {seen.returns or 'none'} that may return"
    yield Found(
        f"{_since(evidence, seen)} the same {len(seen.cycles)} instructions {seen.times} times, {turn}, and none that could jump back: "
        + ("a restart is read again and again, and what it calls returns to the next" if known else "as where every byte is a restart (FFh: RST 38h)"),
        (), seen.times, seen.start_s, evidence.last_request_s, severity="fault" if known else None, confidence=LIKELY if known else HINT,
    )  # fmt: skip


@rule(
    "stack-grows", "the stack grows without end", "warning", needs=STROBES_TELL, judges=(),
    suspects=blame.LED_ASTRAY,
    looks_for=f"{STACK_GROWS} and more instructions that put two bytes on the stack, with none behind them that could take these back",
    causes="memory that gives FFh (RST 38h) or another restart where a program should stand: the CPU has lost its way, and each restart leaves its "
    "return address; a program that fills memory by pushing, out of code as long as what it fills, looks the same",
    next_step="clip D0 to D7 as well: FFh in the fetches that two writes follow means that nothing answers where the CPU runs",
    source="UM0080, push, restart and return; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, undecided=14,
)  # fmt: skip
def stack_grows(evidence: BusEvidence) -> Iterator[Found]:
    grown = evidence.rhythm.growing if evidence.rhythm is not None else Growing()
    if grown.net < STACK_GROWS or too_coarse(evidence) or not evidence.samples_per_t:
        return
    known = grown.restarts >= MOSTLY * grown.pushes
    if evidence.has(*DATA) and not known:
        return  # pushes that a program has, as its bytes say
    yield Found(
        f"from {time_words(max(grown.start_s or 0.0, evidence.start_s))} on {grown.pushes} of {grown.instructions} instructions put two bytes on the stack, "
        + (f"{grown.restarts} of them restarts, " if known else "") + f"and at least {grown.net} of them are never taken back",
        (), grown.net, grown.start_s, evidence.last_request_s, severity="fault" if known else None, confidence=FAIR if known else HINT,
    )  # fmt: skip


@rule(
    "interrupts-without-pause", "interrupts without a pause", "fault", needs=ACKNOWLEDGES_TOLD, judges=(),
    suspects=blame.INT_HELD,
    looks_for=f"{ANSWERED_MIN} interrupt acknowledges and more to the end of the capture, each just behind the return from the one before; /INT not "
    "captured",
    causes="an interrupt source that never lets go: its acknowledge does not reach it, or /INT is shorted to ground",
    next_step=f"clip {pin_text('INT')} as well, and find who pulls it: unplug everything from the expansion port; check what clears the interrupt source",
    source="UM0080, interrupt response; the check: common practice",
    host=None, seen_astray=True,
)  # fmt: skip
def interrupts_without_pause(evidence: BusEvidence) -> Iterator[Found]:
    seen = evidence.rhythm.repeated if evidence.rhythm is not None else Repeated()
    number = seen.acknowledges * seen.times
    if evidence.has("INT") or too_coarse(evidence) or not evidence.samples_per_t or number < ANSWERED_MIN:
        return
    if seen.jumps or seen.returns > seen.pushes or not seen.answered_behind_returns:
        return
    yield Found(
        f"{_since(evidence, seen)} {number} interrupts were acknowledged, each just behind the return from the one before, and the program gets no "
        "further: /INT is held low, which was not captured",
        ("INT",), number, seen.start_s, evidence.last_request_s, confidence=FAIR,
    )  # fmt: skip
