"""Rules for a CPU that runs away: every read gives the same byte, since nothing answers or something holds the bus.

They read ``evidence.memory``. The pictures are common practice (no published source);
FFh being RST 38h and 00h being NOP are UM0080's instruction table.
"""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

from ..bus.lines import ADDRESS, DATA
from ..bus.semantics import NMI_ADDRESS
from ..records.evidence import BusEvidence
from ..records.memory import MemoryRecord
from . import blame
from .base import CAUTION_SOLDER, RUNAWAY, Found, rule
from .grades import HINT, LIKELY, STRONG
from .picture import MEMORY, PUSHED, STORE, Picture, done

FULL_BUS: Tuple[Tuple[str, ...], ...] = (("MREQ", *ADDRESS, *DATA),)
RUNAWAY_READS = 50  #: reads from which bytes that are alike are no short loop over a blank patch
RUNAWAY_SHARE = 0.97  #: of the reads; the rest are what the start read before it ran away
FEW_ADDRESSES = 16  #: a program may poll one byte for ever; it does not run over this many addresses that all hold the same one
RESTARTS = NMI_ADDRESS + 2  #: below it lie the addresses to which reset, restarts and NMI lead (UM0080)
ENOUGH_OF_A_START = 8  #: addresses among them, from which the CPU is known to have come by its start
LONG_WALK = 0x2000  #: addresses of 00h in a row that are more than RAM not yet used
ALIKE_SHARE = 0.9  #: of the addresses that must all give that byte; the rest are those of the start
AT_RST_38 = 0.5  #: of the fetches that are of 0038h: the restart and what its handler would hold, by turns at most
FEW_VALUES = 8  #: different bytes ever read, up to which nothing is known to have answered


@rule(
    "reads-all-ff", "nothing answers, the CPU runs away on FFh", "fault", needs=FULL_BUS, judges=("ROM", *DATA),
    suspects=blame.READS_FF,
    looks_for="nearly every read gives FFh (RST 38h): fetches of 0038h again and again, stack writes marching downwards",
    causes="the ROM is not selected, not fitted, without supply or dead, so that the pull-ups are all that the CPU reads",
    next_step="check the ROM's chip-enable and output-enable pins for activity, its supply pins, and its seat in the socket",
    source="common practice; FFh is RST 38h, UM0080", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, lasting=True, speaks_for={"walks-nowhere": "all", "stack-grows": "all"},
    picture=Picture(MEMORY, PUSHED, (done("rom-absent"),)),
)  # fmt: skip
def reads_all_ff(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or not _all_ff(memory):
        return
    yield Found(
        f"{memory.reads_ff} of {memory.reads} reads gave FFh (RST 38h), {memory.fetches_at_38} fetches of 0x0038: nothing answers, "
        "the CPU runs away",
        (), memory.reads_ff, evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
    )  # fmt: skip


@rule(
    "reads-all-00", "every read gives 00h, the CPU walks through memory", "fault", needs=FULL_BUS, judges=("ROM", *DATA),
    suspects=blame.READS_00,
    looks_for="nearly every read gives 00h (NOP): fetches walk straight up through memory",
    causes="the data bus is held low, or the ROM's outputs are; when the bus was forced to 00h on purpose (free run) this is the sign that "
    "the CPU works: all its strobes and address lines move",
    next_step="if the bus was not forced on purpose: measure each data line against ground with the power off, then the ROM's outputs",
    source="common practice; 00h is NOP, UM0080", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, lasting=True, speaks_for={"walks-nowhere": "all"},
    picture=Picture(MEMORY, STORE, other_program="only-nops", by_time=True),
)  # fmt: skip
def reads_all_00(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or not _all_00(memory) or evidence.free_run is not None:
        return
    text = f"{memory.reads_00} of {memory.reads} reads gave 00h (NOP): the CPU walks up through memory"
    if memory.fetched[:ENOUGH_OF_A_START].count() == ENOUGH_OF_A_START or memory.fetched.count() >= LONG_WALK:
        yield Found(text, (), memory.reads_00, evidence.first_request_s, evidence.last_request_s, confidence=STRONG)
    else:
        yield Found(
            f"{text}, over {int(memory.fetched.count())} addresses only: RAM that holds zeros reads so too", (), memory.reads_00,
            evidence.first_request_s, evidence.last_request_s, severity="note", confidence=HINT,
            next_step="capture from the release of /RESET on, or for longer: a walk that begins at 0000h, or never ends, is no program",
        )  # fmt: skip


@rule(
    "reads-all-alike", "every read gives the same byte", "fault", needs=FULL_BUS, judges=("ROM", *DATA),
    suspects=blame.READS_ALIKE,
    looks_for="one and the same byte, neither FFh nor 00h, in nearly every read from many addresses",
    causes="nobody answers, and the bus without pull-ups keeps what it last carried: the ROM is not selected, not fitted, without supply or dead",
    next_step="check the ROM's chip-enable and output-enable pins for activity, its supply pins, and its seat in the socket",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RUNAWAY, seen_astray=True, lasting=True, speaks_for={"walks-nowhere": "all"},
    picture=Picture(MEMORY, STORE, (done("rom-absent"),), pull_ups=False, by_time=True),
)  # fmt: skip
def reads_all_alike(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or not _all_alike(memory):
        return
    value, count = memory.commonest
    if value in (0x00, 0xFF):
        return
    odd = one_line_odd(value)
    if odd is not None:
        level, rest = ("high", "low") if value == 1 << odd else ("low", "high")
        yield Found(
            f"{count} of {memory.reads} reads gave {value:02X}h: D{odd} {level} and all other data lines {rest}, whatever the address", (f"D{odd}",),
            count, evidence.first_request_s, evidence.last_request_s, confidence=LIKELY,
            suspects=blame.ONE_LINE_ODD,
        )  # fmt: skip
    else:
        where = f"{count} of {memory.reads} reads from {int((memory.fetched | memory.read).count())} addresses gave {value:02X}h: nothing answers"
        # A lone restart may be an interrupt's; and where many different bytes came, something did answer before.
        if memory.fetched[:RESTARTS].count() >= ENOUGH_OF_A_START and memory.values_read <= FEW_VALUES:
            yield Found(where, (), count, evidence.first_request_s, evidence.last_request_s, confidence=STRONG)
        else:
            yield Found(
                f"{where} there; what led the CPU to that memory is not plain from the capture", (), count, evidence.first_request_s,
                evidence.last_request_s, suspects=blame.LED_ASTRAY, confidence=HINT,
                next_step="capture from the release of /RESET on: the first addresses show whether ROM answers, the stack whether RAM does",
            )  # fmt: skip


def one_line_odd(value: int) -> Optional[int]:
    """Return the one data line that is at another level than all others in a byte, None where there is none."""
    return next((bit for bit in range(8) if value in (0xFF ^ (1 << bit), 1 << bit)), None)


def _all_alike(memory: MemoryRecord) -> bool:
    addresses = int((memory.fetched | memory.read).count())
    enough = memory.reads >= RUNAWAY_READS and memory.alike >= max(FEW_ADDRESSES, ALIKE_SHARE * addresses)
    return bool(enough and memory.commonest[1] >= RUNAWAY_SHARE * memory.reads)


def _all_ff(memory: MemoryRecord) -> bool:
    """Say whether the CPU runs in circles through 0038h, or over many addresses that all give FFh."""
    often = memory.reads >= RUNAWAY_READS and memory.reads_ff >= RUNAWAY_SHARE * memory.reads
    return bool(often and (memory.fetches_at_38 >= AT_RST_38 * memory.fetches or memory.alike >= FEW_ADDRESSES))


def _all_00(memory: MemoryRecord) -> bool:
    """Say whether the CPU walks over many addresses that all give 00h."""
    often = memory.reads >= RUNAWAY_READS and memory.reads_00 >= RUNAWAY_SHARE * memory.reads
    return bool(often and memory.alike >= FEW_ADDRESSES)


def runs_away(memory: MemoryRecord) -> bool:
    """Say whether the reads are a runaway, so that nothing else can be learned from them."""
    return _all_alike(memory) or _all_ff(memory) or _all_00(memory)
