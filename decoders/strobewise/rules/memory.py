"""Rules for what memory gave back: data lines, dead RAM bits, missing and mirrored banks, ROM contents.

They read ``evidence.memory``. The pictures are common practice (no published source).
"""

from __future__ import annotations

from typing import Dict, Iterator, List, Optional, Tuple

from ..bus.lines import DATA
from ..bus.model import Shares
from ..records.evidence import BusEvidence
from ..records.memory import BANK, Levels, MemoryRecord, ReadBack
from . import blame
from .base import CAUTION_SOLDER, RAM_WRONG, Found, rule
from .grades import FAIR, HINT, LIKELY, STRONG
from .picture import MEMORY, STORE_LOAD, Picture, done
from .runaways import FULL_BUS, runs_away

ENOUGH_OF_A_LEVEL = 4  #: comparisons of one level on one data line before a page can condemn it
DEAD_SHARE = 0.9  #: share of the comparisons that a dead bit spoils
CLEAN_SHARE = 0.05  #: share of wrong comparisons up to which the other bits count as good
MIXED_BYTES = 12  #: different bytes read before a level that all of them share says something of the line
ENOUGH_WRITES = 16  #: from which a level kept in all of them, and what was written to, say something
CONSTANT_ADDRESSES = 48  #: different addresses whose bytes all show one level on a line before that is no chance (0.75^48 is one in a million)
FIGHTING_BITS = 3  #: lines that only ever lack a level before it is two drivers: two alone are a bridge
NO_PAGING, MANY_UNSTEADY = 0.5, 64  #: share and number of repeated reads that give another byte, from which on no paging does that
UNSTEADY_MIN, UNSTEADY_SHARE = 6, 0.01  #: repeated reads that give another byte, and their share: fewer are spikes
ONE_BIT, ONE_BIT_MOST = 0.9, 1.2  #: of these, those that differ in the bit; and all bits that differ for each: a line alone, but for spikes
VARYING_MIN, VARYING_SHARE = 16, 0.05  #: the same for several bits, of which paging that nobody declared makes some (our choice)
VARYING_BIT = 0.1  #: of these in which a bit must differ to count: what differs less are spikes
CONTRADICTED_MIN = 4  #: addresses that contradict a data line, as many as condemn it
READS_MIN, INPUTS_MIN = 8, 3  #: reads of a kind that are asked for a level: an input is seldom read, and a port still drives the line
READS_MOVE = 32  #: reads from which a line that shows both levels is good: more than a few spikes make
GOOD_MIN, SURE_MIN = 8, 8  #: comparisons in which a page shows a bit right; in which it shows it wrong, and the rule is surer (one in 256 by chance)
PAGE_WRONG, PAGE_SHARE = 4, 0.5  #: bytes of a page that came back wrong, and their share: more than half
BANK_WRONG = 12  #: of a bank: three pages' worth, which a few spoilt cells do not make
MIRROR_MIN = 8  #: bytes that stood elsewhere, each by chance in one of 256


def region_words(evidence: BusEvidence, start: int, end: int) -> str:
    """Name a stretch of memory, with the profile's words where there are any."""
    for region in evidence.regions:
        if region.start <= start and end <= region.end:
            return f"{region.kind.upper()} {region.start:#06x}-{region.end:#06x}"
    return f"{start:#06x}-{end:#06x}"


def ram_pages(evidence: BusEvidence, memory: MemoryRecord) -> List[ReadBack]:
    """Return the pages with a comparison that may be RAM: what is written to a ROM, by a program astray, need not read back."""
    other = [region for region in evidence.regions if region.kind in ("rom", "nothing")]
    return [page for page in memory.pages if not any(region.start <= page.end and page.start <= region.end for region in other)]


def chip_words(evidence: BusEvidence, address: int, bit: Optional[int]) -> str:
    """Name the chip of an address (and data bit) when the profile knows it."""
    for region in evidence.regions:
        if region.start <= address <= region.end and region.chips:
            if len(region.chips) == 1:
                return f" (chip {region.chips[0]})"
            if bit is not None and len(region.chips) == 8:
                return f" (chip {region.chips[bit]})"
    return ""


@rule(
    "data-line-stuck", "a data line that never moves in reads", "fault", needs=FULL_BUS, judges=DATA,
    suspects=blame.DATA_STUCK,
    looks_for="one data line at the same level in every read from ROM, RAM and I/O",
    causes="a line shorted to ground or supply, a chip on the bus whose output is stuck, a lead that is off",
    next_step="power off and measure the line against ground, +5 V and its neighbours; then take the chips on the bus out one by one where "
    "they are socketed",
    source="common practice",
    host=None, derails=True,
    speaks_for={"written-byte-contradicted": "lines", "program-contradicted": "all"},
    picture=Picture(("MREQ", "RD", "D4", "D"), STORE_LOAD, (done("dead-low", line="D4", at="line"),)),
)  # fmt: skip
def data_line_stuck(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory):
        return
    addresses = int((memory.fetched | memory.read).count())
    for bit in range(8):
        levels = {name: record.constant(bit) for name, record in _readings(memory)}
        stuck = set(levels.values())
        if len(stuck) != 1 or None in stuck or addresses < CONSTANT_ADDRESSES or memory.values_read < MIXED_BYTES:
            continue
        level = "high" if stuck.pop() else "low"
        reads = sum(record.transfers for _, record in _readings(memory))
        wrote = memory.writes.constant(bit)
        if _contradicted(evidence, bit):
            continue  # the CPU read other bytes than the capture shows, so it is not the line that stands still
        same = wrote is not None and memory.writes.transfers >= ENOUGH_WRITES
        written = memory.writes.transfers
        also = "and in all writes too" if same else "while writes show it moving" if written and wrote is None else f"too few writes ({written}) to compare"
        suspects: Optional[Shares] = None
        few = memory.writes.transfers < ENOUGH_WRITES  # a program that went astray writes anywhere: that makes no RAM of what it hit
        if not same and (len(levels) == 1 or (few and wrote is None)):
            suspects = blame.DATA_STUCK_ONE_MEMORY  # only one memory was read: its output, or the line
        yield Found(
            f"D{bit} {level} in all {reads} reads ({', '.join(levels)}) from {addresses} different addresses, {also}", (f"D{bit}",), reads,
            evidence.first_request_s, evidence.last_request_s, suspects=suspects, confidence=STRONG,
        )  # fmt: skip


@rule(
    "data-line-unsteady", "a data line that reads differently each time", "fault", needs=FULL_BUS, judges=DATA,
    suspects=blame.DATA_UNSTEADY,
    looks_for="reads of one address, with no write between, that differ in one and the same bit",
    causes="a data line with no contact (joint, socket, lead) that floats, or an output that fights another",
    next_step="move the lead to a pin known to be live; then wiggle the suspect chip in its socket while capturing",
    source="common practice",
    host=None, derails=True,
    speaks_for={"written-byte-contradicted": "lines", "program-contradicted": "all", "reads-otherwise": "all"},
    picture=Picture(("MREQ", "RD", "D0", "D"), STORE_LOAD, (done("floating", line="D0"),), by_time=True),
)  # fmt: skip
def data_line_unsteady(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or memory.unstable < UNSTEADY_MIN or memory.unstable < UNSTEADY_SHARE * memory.repeated:
        return
    bit = max(range(8), key=lambda b: memory.unstable_bits[b])
    if memory.unstable_bits[bit] >= ONE_BIT * memory.unstable and sum(memory.unstable_bits) <= ONE_BIT_MOST * memory.unstable:
        yield Found(
            f"D{bit} differs in {memory.unstable_bits[bit]} of {memory.repeated} reads of an address that was read before, with no write "
            "between; the other bits agree",
            (f"D{bit}",), memory.unstable_bits[bit], evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
        )  # fmt: skip


@rule(
    "reads-unsteady", "memory that reads differently each time", "warning", needs=FULL_BUS, judges=("ROM", "RAM"),
    suspects=blame.READS_UNSTEADY,
    looks_for="reads of one address, with no write between, that differ in several bits",
    causes="memory too slow for the clock, paging that the profile does not declare, a bus master, marginal supply",
    next_step="say with a profile what pages memory; if nothing does, check the memory's speed grade, its supply and the clock",
    source="common practice",
    host=None, seen_astray=True, speaks_for={"reads-otherwise": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("late-data", chip="ram", probability=0.9),)),
)  # fmt: skip
def reads_unsteady(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    paged = (evidence.profile is not None and evidence.profile.paging) or evidence.has("ROMDIS")
    if memory is None or paged or memory.unstable < VARYING_MIN or memory.unstable < VARYING_SHARE * memory.repeated:
        return
    bits = [bit for bit in range(8) if memory.unstable_bits[bit] >= VARYING_BIT * memory.unstable]
    if len(bits) > 2:
        much = memory.unstable >= max(MANY_UNSTEADY, NO_PAGING * memory.repeated)
        yield Found(f"{memory.unstable} of {memory.repeated} reads of an address that was read before, with no write between, gave another "
                    f"byte ({', '.join(f'D{bit}' for bit in bits)})", (), memory.unstable, evidence.first_request_s, evidence.last_request_s,
                    severity="fault" if much else None,
                    confidence=FAIR if much else HINT)  # fmt: skip


def _contradicted(evidence: BusEvidence, bit: int) -> bool:
    """Say whether the addresses that the CPU made of its operands contradict the captured level of a data line."""
    buses = evidence.buses
    if buses is None:
        return False
    lost = [buses.operands.ones_lost[k] + buses.operands.zeros_lost[k] for k in (bit, bit + 8)]
    return all(lost) and sum(lost) >= CONTRADICTED_MIN


def _readings(memory: MemoryRecord) -> List[Tuple[str, Levels]]:
    kinds = (("memory never written", memory.reads_rom), ("RAM", memory.reads_ram), ("I/O", memory.reads_io))
    return [(name, record) for name, record in kinds if record.transfers >= (READS_MIN if name != "I/O" else INPUTS_MIN)]


@rule(
    "ram-bit-dead", "one bit of RAM does not hold", "fault", needs=FULL_BUS, judges=DATA,
    suspects=blame.RAM_BIT,
    looks_for="reads that differ from the last write to the same address in one and the same bit, throughout a region",
    causes="the memory chip of that bit in that bank, its socket or a joint; where the same bit is wrong everywhere, the data line",
    next_step="swap the chip of that bit in that bank with its neighbour's, or piggy-back a good one, and capture again",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True, explains=("lost-its-way", "fetches-nowhere", "ram-unsteady", "return-address-differs"),
    speaks_for={"ram-read-otherwise": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("ram-bit-dead", bit=2, level="low"),)),
)  # fmt: skip
def ram_bit_dead(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory):
        return
    for bit in range(8):
        bad = [page for page in ram_pages(evidence, memory) if _bit_is_dead(page, bit)]
        if not bad:
            continue
        good = [page for page in memory.pages if page not in bad and page.bits[bit][0] + page.bits[bit][2] >= GOOD_MIN]
        zeros, up, ones, down = (sum(page.bits[bit][k] for page in bad) for k in range(4))
        start, end = bad[0].start, bad[-1].end
        what = f"read low {down} of {ones} times after a 1 was written" if down >= up else f"read high {up} of {zeros} times after a 0 was written"
        where = region_words(evidence, start, end)
        elsewhere = f", right in {len(good)} other page{'s' if len(good) != 1 else ''}" if good else ""
        if start // BANK == end // BANK:
            bank = f", in the 16 KB bank at {start // BANK * BANK:#06x}"
        else:
            bank = ""
        moves = memory.reads_rom.constant(bit) is None and memory.reads_rom.transfers >= READS_MOVE
        yield Found(
            f"D{bit} in {where}{chip_words(evidence, start, bit)} {what}{bank}{elsewhere}"
            + (f"; D{bit} moves in reads from elsewhere, so the line is good" if moves else ""),
            (f"D{bit}",), up + down, min((p.first_s for p in bad if p.first_s is not None), default=None),
            max((p.last_s for p in bad if p.last_s is not None), default=None),
            suspects=None if moves else blame.RAM_BIT_OR_LINE,
            confidence=STRONG if up + down >= SURE_MIN else FAIR,
        )  # fmt: skip


def _bit_is_dead(page: ReadBack, bit: int) -> bool:
    zeros, up, ones, down = page.bits[bit]
    stuck_low = ones >= ENOUGH_OF_A_LEVEL and down >= DEAD_SHARE * ones and up <= CLEAN_SHARE * max(zeros, 1)
    stuck_high = zeros >= ENOUGH_OF_A_LEVEL and up >= DEAD_SHARE * zeros and down <= CLEAN_SHARE * max(ones, 1)
    if not (stuck_low or stuck_high):
        return False
    others = [row for k, row in enumerate(page.bits) if k != bit]
    return all(row[1] + row[3] <= CLEAN_SHARE * max(1, row[0] + row[2]) for row in others)


@rule(
    "ram-bank-missing", "a stretch of RAM does not hold what is written", "fault", needs=FULL_BUS, judges=("RAM",),
    suspects=blame.RAM_BANK,
    looks_for="reads that give FFh, or the content of another address, where something else was written",
    causes="a bank without supply or enable, not fitted, or decoded badly (address multiplexer, an open address line)",
    next_step="check the bank's enable (RAS, CAS or chip select) and its supply rails, then the address multiplexer",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True, explains=("lost-its-way", "fetches-nowhere", "ram-unsteady", "return-address-differs"),
    speaks_for={"ram-read-otherwise": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("ram-missing", start=0x8000, end=0xBFFF),)),
)  # fmt: skip
def ram_bank_missing(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory):
        return
    spoilt = [page for page in ram_pages(evidence, memory) if page.wrong >= PAGE_WRONG and page.wrong >= PAGE_SHARE * page.compared]
    groups: Dict[int, List[ReadBack]] = {}
    for page in spoilt:
        groups.setdefault(page.start // BANK, []).append(page)
    proven = bool(evidence.regions) or any(page.wrong < page.compared for page in memory.pages)  # else RAM need not be there at all
    for bank, pages in sorted(groups.items()):
        wrong = sum(p.wrong for p in pages)
        compared = sum(p.compared for p in pages)
        if wrong < BANK_WRONG:
            continue
        where = region_words(evidence, pages[0].start, pages[-1].end)
        first = min((p.first_s for p in pages if p.first_s is not None), default=None)
        last = max((p.last_s for p in pages if p.last_s is not None), default=None)
        if sum(p.read_ff for p in pages) >= DEAD_SHARE * wrong:
            yield Found(
                f"{where} gave FFh in {wrong} of {compared} reads after something else was written: no memory answers in the bank at {bank * BANK:#06x}"
                + ("" if proven else ", and nothing that was written came back anywhere: the program may be astray"),
                (), wrong, first, last, suspects=None if proven else blame.STACK_NOWHERE, confidence=LIKELY if proven else FAIR,
            )  # fmt: skip
        elif (bit := _mirror(memory)) is not None:
            yield Found(
                f"{where} gave what stands at the address with A{bit} the other way in {memory.mirror[bit]} of {memory.mirror_chance[bit]} wrong "
                f"reads: A{bit} does not reach the memory there",
                (f"A{bit}",), wrong, first, last, suspects=blame.RAM_MIRROR, confidence=LIKELY,
            )  # fmt: skip


def _mirror(memory: MemoryRecord) -> Optional[int]:
    best = max(memory.mirror, key=lambda bit: memory.mirror[bit], default=None)
    if best is None or memory.mirror_chance[best] < MIRROR_MIN or memory.mirror[best] < DEAD_SHARE * memory.mirror_chance[best]:
        return None
    return int(best)
