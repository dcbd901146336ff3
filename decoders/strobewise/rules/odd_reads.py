"""Rules for single reads that gave another byte than stands there, among many that are right.

They read ``evidence.odd_reads``. That memory gives back what was written, and a ROM always the same, is common practice.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Sequence

from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.odd_reads import OddRead
from . import blame
from .base import CAUTION_SOLDER, RAM_WRONG, Found, rule, too_coarse
from .grades import FAIR, GUESS, HINT
from .memory import region_words
from .runaways import FULL_BUS, runs_away
from .slips import samples_missing

CLOSE_SAMPLES = 4.0  #: samples a T-state from which data are sampled well inside the time in which they are valid
ENOUGH_COMPARED = 100  #: reads whose byte was known: then memory answers, and one that differs stands out
ENOUGH_ODD, ODD_PLACES = 4, 2  #: reads, and their addresses, from which it is a fault and no spike or slip of the analyser
PROVEN = 4  #: bytes of a page that came back as they were written, from which on it is RAM
AROUND = 0x4000  #: bytes within which RAM must be proven below and above an address: a program that looks for the end of RAM writes beyond it
LACK_MIN = 3  #: reads that only lack bits, from which on two drivers are likelier than chance


def _judged(evidence: BusEvidence, reads: Sequence[OddRead]) -> bool:
    record = evidence.odd_reads
    if record is None or not reads or record.compared < ENOUGH_COMPARED or too_coarse(evidence) or evidence.memory is None:
        return False
    if samples_missing(evidence):
        return False  # what was written meanwhile nobody saw
    if evidence.clocked and not _sure(reads):
        return False  # a clock that jitters, or a sample that is lost, shows in nothing else there, and fetches are read early at its falling edge
    return evidence.samples_at_least(CLOSE_SAMPLES) and not evidence.glitches and not runs_away(evidence.memory)


def _in_ram(evidence: BusEvidence, address: int) -> bool:
    """Say whether an address is RAM: by the profile, else by bytes that came back near it."""
    if evidence.profile is not None and evidence.regions:
        region = evidence.profile.region(address)
        return region is not None and region.kind == "ram"
    memory = evidence.memory
    pages = [] if memory is None else [page for page in memory.pages if page.compared - page.wrong >= max(PROVEN, page.wrong)]
    below = any(page.start <= address < page.start + AROUND for page in pages)
    return below and any(page.end >= address > page.end - AROUND for page in pages)


def _line(reads: Sequence[OddRead]) -> Optional[int]:
    """Return the data bit in which all of them differ, and in which alone; None where there is none."""
    flips = {read.expected ^ read.got for read in reads}
    flip = flips.pop()
    return flip.bit_length() - 1 if not flips and not flip & (flip - 1) else None


def _first(read: OddRead) -> str:
    return f"first {read.got:02X}h in place of {read.expected:02X}h at {read.address:#06x}, at {time_words(read.time_s)}"


def _sure(reads: Sequence[OddRead]) -> bool:
    return len(reads) >= ENOUGH_ODD and len({read.address for read in reads}) >= ODD_PLACES


@rule(
    "ram-read-otherwise", "RAM gave back another byte than was written", "warning", needs=FULL_BUS, judges=("RAM",),
    suspects=blame.RAM_ONCE,
    looks_for="bytes that come back from RAM otherwise than they were written, one by one among others that are right",
    causes="a cell that forgets, an address or data line that does not reach a chip, data that come too late, two chips that answer at once, a "
    "supply that dips; a spike in the capture",
    next_step="capture again: the same address means a cell or a line of the memory, others mean the refresh, the supply or the timing",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True,
)  # fmt: skip
def ram_read_otherwise(evidence: BusEvidence) -> Iterator[Found]:
    stored = evidence.odd_reads.stored if evidence.odd_reads is not None else []
    if not _judged(evidence, stored):
        return
    reads = [read for read in stored if _in_ram(evidence, read.address)]
    if not reads:
        return
    places = sorted({read.address for read in reads})
    where = region_words(evidence, places[0], places[-1]) if len(places) > 1 else f"{places[0]:#06x}"
    bit = _line(reads) if len(reads) > 1 else None
    lacking = len(reads) >= LACK_MIN and bit is None and not any(read.got & ~read.expected for read in reads)
    sure = _sure(reads)
    yield Found(
        f"{len(reads)} byte{'s' if len(reads) > 1 else ''} came back otherwise than written, in {where}, {_first(reads[0])}"
        + (f"; all in D{bit}" if bit is not None else "") + ("; they only lack bits that were written" if lacking else ""),
        (f"D{bit}",) if bit is not None else (), len(reads), reads[0].time_s, reads[-1].time_s, severity="fault" if sure else None,
        suspects=blame.FIGHT if lacking and sure else None, confidence=FAIR if sure else HINT,
    )  # fmt: skip


@rule(
    "reads-otherwise", "memory gave another byte than before", "warning", needs=FULL_BUS, judges=("ROM",),
    suspects=blame.READ_ONCE,
    looks_for="reads of memory that is never written which give another byte than before, one by one among others that are right",
    causes="two chips that answer at once, data that come too late, an output or a contact that fails now and then; a spike in the capture",
    next_step="capture again; look for a second chip that is enabled at the addresses named, then reseat the chip that serves them",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, seen_astray=True,
)  # fmt: skip
def reads_otherwise(evidence: BusEvidence) -> Iterator[Found]:
    reads: List[OddRead] = evidence.odd_reads.kept if evidence.odd_reads is not None else []
    if not _judged(evidence, reads):
        return
    paged = evidence.profile is not None and bool(evidence.profile.paging) and not evidence.pagings
    bit = _line(reads) if len(reads) > 1 else None
    lacking = len(reads) >= LACK_MIN and bit is None and all(_one_lacks(read) for read in reads)
    sure = _sure(reads) and not paged
    yield Found(
        f"{len(reads)} read{'s' if len(reads) > 1 else ''} of memory that nothing writes gave another byte than before, {_first(reads[0])}"
        + (f"; all in D{bit}" if bit is not None else "") + ("; the one byte only lacks bits that the other has" if lacking else ""),
        (f"D{bit}",) if bit is not None else (), len(reads), reads[0].time_s, reads[-1].time_s, severity="fault" if sure else None,
        suspects=blame.FIGHT if lacking and sure else None, confidence=FAIR if sure else HINT if len(reads) > 1 else GUESS,
    )  # fmt: skip


def _one_lacks(read: OddRead) -> bool:
    return not read.got & ~read.expected or not read.expected & ~read.got
