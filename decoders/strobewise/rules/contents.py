"""Rules for memory that is wrong here and there: bytes that come back otherwise now and then, return addresses, a ROM against itself.

They read ``evidence.memory``. The pictures are common practice (no published source); which instructions read a return address is UM0080's.
"""

from __future__ import annotations

from typing import Iterator, List, Optional

from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.memory import Alike, MemoryRecord, OwnBytes, ReadBack
from . import blame
from .base import CAUTION_SOLDER, RAM_WRONG, Found, rule
from .course import astray
from .grades import FAIR, HINT, LIKELY
from .memory import FIGHTING_BITS, ram_pages, region_words
from .runaways import FULL_BUS, runs_away

RIGHT_BEFORE = 8  #: bytes of a page that came back right, from which on it is memory that can be written: a ROM gives one of 256 back by chance
SOME_WRONG = 4  #: bytes that came back with one bit the other way: fewer may be spikes
SOME_SILENT = 8  #: bytes that came back as FFh, or lack several bits: twice as many, for a late sample does so, too
ALL_ONE = 0.9  #: share of the wrong ones that must be wrong in the same way: one or two may be spikes (our choice)
LOW_LINES = 11  #: address lines below the size of any ROM: above, one that repeats is decoded so on many a board (2 KB; common practice)
FEW_ADDRESSES, FEW_VALUES = 20, 12  #: the same where the run itself shows that something is read wrongly
OWN_ADDRESSES, OWN_VALUES = 96, 24  #: addresses and different bytes from which on a program's bytes tell its lines apart (0.75^96: one in 10^12)
RARER = 24  #: of the addresses, those in which two lines that are always equal are at their rarer level
REPEATED, REPEATED_VALUES = 48, 12  #: pairs of addresses that hold the same byte (by chance: one case of some ten), and different bytes in them
FEW_REPEATED, FEW_REPEATED_VALUES = 6, 6  #: the same, where no loop explains them
MORE_REPEATED, ABOVE = 10, 4  #: the same, where as many pairs across the next line show that they do not repeat there
MORE_VALUES = 2  #: so many more different bytes are among them than a routine could have that repeats across that line


def _trusted(evidence: BusEvidence, memory: MemoryRecord) -> List[ReadBack]:
    """Return the pages of RAM that gave back what was written more often than not, and something else as well."""
    pages = (page for page in ram_pages(evidence, memory) if page.wrong)
    return [page for page in pages if page.compared - page.wrong >= max(RIGHT_BEFORE, page.wrong)]


def one_bit(pages: List[ReadBack]) -> Optional[int]:
    """Return the data bit in which nearly all of what came back wrong differs, and in which alone; None where there is none."""
    wrong = sum(page.wrong for page in pages)
    flips = [sum(page.bits[bit][1] + page.bits[bit][3] for page in pages) for bit in range(8)]
    best = max(range(8), key=lambda bit: flips[bit])
    return best if flips[best] >= ALL_ONE * wrong and sum(flips) <= wrong / ALL_ONE else None


def _only_lack(pages: List[ReadBack]) -> List[int]:
    """Return the data bits in which bytes came back low after a 1 was written, where they are several and none came back high after a 0."""
    lost = [bit for bit in range(8) if any(page.bits[bit][3] for page in pages)]
    gained = any(page.bits[bit][1] for page in pages for bit in range(8))
    return lost if not gained and len(lost) >= FIGHTING_BITS else []


@rule(
    "ram-unsteady", "RAM gives back other bytes now and then", "fault", needs=FULL_BUS, judges=("RAM",),
    suspects=blame.RAM_BIT,
    looks_for="bytes that come back otherwise than written now and then, all in one bit or nearly all as FFh, from RAM that is right most of the time",
    causes="single dead or weak cells, a chip that is too slow or warm, a refresh that does not reach every row, a bad contact of one chip",
    next_step="swap the chip of that bit in that bank with its neighbour's, or piggy-back a good one, and capture again; cool and warm it",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True, explains=("lost-its-way", "return-address-differs"), speaks_for={"ram-read-otherwise": "all"},
)  # fmt: skip
def ram_unsteady(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory):
        return
    pages = _trusted(evidence, memory)
    wrong, compared = sum(page.wrong for page in pages), sum(page.compared for page in pages)
    silent = sum(page.read_ff for page in pages)
    if wrong < SOME_WRONG or memory.mismatched.count() < 2:
        return
    where = region_words(evidence, pages[0].start, pages[-1].end)
    first = min((page.first_s for page in pages if page.first_s is not None), default=None)
    last = max((page.last_s for page in pages if page.last_s is not None), default=None)
    places = f"{where}: {wrong} of {compared} bytes came back otherwise than written, first at {time_words(first)}"
    bit = one_bit(pages)
    if bit is not None:
        alone = sum(page.bits[bit][1] + page.bits[bit][3] for page in pages)
        yield Found(f"{places}, {alone} of them in D{bit}", (f"D{bit}",), wrong, first, last, confidence=FAIR)
    elif wrong >= SOME_SILENT and silent >= ALL_ONE * wrong:
        yield Found(f"{places}, {silent} of them as FFh: no memory answered then", (), wrong, first, last, suspects=blame.RAM_BANK, confidence=FAIR)
    elif wrong >= SOME_SILENT and (lacking := _only_lack(pages)):
        yield Found(f"{places}, and all of them only lack bits that were written ({', '.join(f'D{bit}' for bit in lacking)}): another chip "
                    "drives the bus at the same time and pulls it low", (), wrong, first, last, suspects=blame.FIGHT, confidence=FAIR)  # fmt: skip


@rule(
    "return-address-differs", "a return address came back otherwise than pushed", "fault", needs=FULL_BUS, judges=("RAM",),
    suspects=blame.STACK,
    looks_for="a byte of a return address that the stack gives back in one bit otherwise, or as FFh or 00h, where other bytes of it are right",
    causes="a weak cell or chip of the RAM that holds the stack, a contact, a supply that dips: one such byte sends the program astray",
    next_step="swap the chip of that bit with its neighbour's, or piggy-back a good one, and capture again; watch the 5 V rail meanwhile",
    source="UM0080, call and return; the check: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True, explains=("lost-its-way", "halted-for-good"), speaks_for={"ram-read-otherwise": "all"},
)  # fmt: skip
def return_address_differs(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or not memory.popped_wrong or runs_away(memory):
        return
    pages = _trusted(evidence, memory)
    for popped in memory.popped_wrong:
        flipped = popped.expected ^ popped.got
        single = flipped & (flipped - 1) == 0
        alike = all(each.expected ^ each.got == flipped for each in memory.popped_wrong)
        if not any(page.start <= popped.address <= page.end for page in pages) or not (single or popped.got in (0x00, 0xFF)):
            continue
        line = (f"D{flipped.bit_length() - 1}",) if single and alike else ()
        yield Found(
            f"{popped.expected:02X}h was pushed at {popped.address:#06x} and {popped.got:02X}h came back as a return address at "
            f"{time_words(popped.time_s)}; {len(memory.popped_wrong)} of {memory.popped} such bytes differ",
            line, len(memory.popped_wrong), popped.time_s, memory.popped_wrong[-1].time_s,
            suspects=None if alike else blame.READS_UNSTEADY, confidence=FAIR,
        )  # fmt: skip
        return
    yield from _nowhere(memory)


def _nowhere(memory: MemoryRecord) -> Iterator[Found]:
    """Return addresses that came back otherwise, both bytes, from where nothing ever came back as it was written."""
    lost = [page for page in memory.pages if page.wrong == page.compared]
    wrong = [popped for popped in memory.popped_wrong if any(page.start <= popped.address <= page.end for page in lost)]
    if len(wrong) < 2:
        return
    first = wrong[0]
    yield Found(
        f"{first.expected:02X}h was pushed at {first.address:#06x} and {first.got:02X}h came back as a return address at {time_words(first.time_s)}, "
        f"from where nothing came back as it was written: the stack is where no RAM is; {len(wrong)} of {memory.popped} such bytes differ",
        (), len(wrong), first.time_s, wrong[-1].time_s, suspects=blame.STACK_NOWHERE, confidence=FAIR,
    )  # fmt: skip


@rule(
    "rom-against-itself", "the ROM's bytes contradict each other", "fault", needs=FULL_BUS, judges=("ROM",),
    suspects=blame.ROM_BIT,
    looks_for="a data line that never moves in all bytes of ROM and moves elsewhere, two that are equal in all of them and differ elsewhere, or "
    "bytes that repeat across one of the lower address lines",
    causes="an output of the ROM that has died, two of its pins bridged, an address pin without contact or stuck at the chip",
    next_step="read the ROM in a programmer; reseat it; check the pins of the lines named for continuity to the CPU, and against their neighbours",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, seen_astray=True, explains=("lost-its-way",),
)  # fmt: skip
def rom_against_itself(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory) or any(rom.compared for rom in memory.roms):
        return  # where there is an image, it tells more
    own = memory.own
    count, first, last = own.addresses, evidence.first_request_s, evidence.last_request_s
    yield from _short_of_a_line(evidence, own)
    few = count < OWN_ADDRESSES or own.values < OWN_VALUES
    if few and (count < FEW_ADDRESSES or own.values < FEW_VALUES or not astray(evidence)):
        return
    still = [bit for bit in range(8) if not own.ever_high >> bit & 1 or own.always_high >> bit & 1]
    moving = [bit for bit in still if _moves_elsewhere(memory, bit)]
    if len(still) == 1 and moving:
        level = "high" if own.always_high >> still[0] & 1 else "low"
        yield Found(
            f"D{still[0]} {level} in the bytes of all {count} addresses of memory that was never written ({own.values} different bytes), and it "
            "moves elsewhere",
            (f"D{still[0]}",), count, first, last, confidence=HINT if few else LIKELY,
        )  # fmt: skip
    if few:
        return
    pairs = [(low, high) for low, high, rarer in own.equal if rarer >= RARER]
    if len(pairs) == 1 and not _always_equal(evidence, *pairs[0]):
        low, high = pairs[0]
        yield Found(
            f"D{low} and D{high} equal in the bytes of all {count} addresses of memory that was never written ({own.values} different bytes), "
            "and they differ elsewhere",
            (f"D{low}", f"D{high}"), count, first, last, suspects=blame.ROM_PAIR, confidence=LIKELY,
        )  # fmt: skip


def _short_of_a_line(evidence: BusEvidence, own: OwnBytes) -> Iterator[Found]:
    """Find an address line that makes no difference to the ROM, or two that pull each other low at it."""
    alike = repeats(own)
    if alike is None:
        return
    names = tuple(f"A{bit}" for bit in alike.lines)
    single = f"{alike.pairs} pairs of addresses that differ in {names[0]} alone hold the same byte"
    both = f"addresses hold the same byte {alike.pairs} times wherever {' and '.join(names)} are not both high"
    ends = f"{names[0]} makes no difference to the ROM" if len(names) == 1 else f"{names[0]} and {names[-1]} pull each other low at the ROM"
    yield Found(
        f"{single if len(names) == 1 else both} ({alike.values} different bytes of {own.values} in all): {ends}", names, alike.pairs,
        evidence.first_request_s, evidence.last_request_s, suspects=blame.ROM_ADDRESS if len(names) == 1 else blame.BRIDGE,
        confidence=LIKELY if alike.pairs >= REPEATED else FAIR,
    )  # fmt: skip


def repeats(own: OwnBytes) -> Optional[Alike]:
    """Return the one address line across which all bytes repeat, or two; None where there is none, or where that is how boards are decoded."""
    found = [alike for alike in own.alike if _is_no_loop(alike, own)]
    return found[0] if len(found) == 1 and found[0].lines[-1] < LOW_LINES else None


def _is_no_loop(alike: Alike, own: OwnBytes) -> bool:
    """Say whether so many bytes repeat that a run through one routine written out again and again does not explain it.

    Such a routine of 2, 4, 8 ... bytes repeats across A1, A2, A3 ..., but has no more different bytes than bytes, and repeats across the
    lines above as well.
    """
    if alike.pairs >= REPEATED and alike.values >= REPEATED_VALUES:
        return True
    if alike.pairs < FEW_REPEATED or alike.values < FEW_REPEATED_VALUES:
        return False
    above, same = own.pairs.get(alike.lines[-1] + 1, (0, 0))
    alone = alike.pairs >= MORE_REPEATED and above >= ABOVE and same <= above / 2
    return alone or alike.values >= (1 << alike.lines[-1]) + MORE_VALUES


def _moves_elsewhere(memory: MemoryRecord, bit: int) -> bool:
    return any(record.transfers >= RIGHT_BEFORE and record.constant(bit) is None for record in (memory.reads_ram, memory.writes))


def _always_equal(evidence: BusEvidence, low: int, high: int) -> bool:
    """Say whether two data lines are equal on all of the bus."""
    pairs = evidence.buses.pairs if evidence.buses is not None else []
    return any({pair.first, pair.second} == {f"D{low}", f"D{high}"} for pair in pairs)
