"""The faults that are tried: kinds of the simulator's table, with every parameter that makes a difference on this machine.

Kinds that only the leads show, and those that come and go, are left to the rules. Which kinds there are, and what each does,
`machine.faults` says.
"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, neighbours
from ..machine.faults import Fault, fault
from .board import FF, HELD, ReplayBoard, leads_elsewhere
from .compared import Predicted
from .known import Program
from .observed import FETCH, READ, WRITE

_OUTPUTS = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
_LEVELS = ("high", "low")


class Hypothesis(NamedTuple):
    """One fault to try, and what an undriven data bus shows meanwhile (it matters where nobody answers)."""

    fault: Fault
    place: str
    region: Optional[Tuple[int, int]] = None
    undriven: Optional[str] = FF  #: None: nobody knows, nor what answers where no profile says that there is memory


def _pairs(names: Sequence[str]) -> Iterator[Tuple[str, str]]:
    """Yield neighbours in pin order and in bus order."""
    for at, first in enumerate(names):
        for second in names[at + 1 :]:
            if names.index(second) == at + 1 or second in neighbours(first):
                yield first, second


def _line_faults() -> Iterator[Hypothesis]:
    for name in (*ADDRESS, *DATA):
        for level in _LEVELS:
            yield Hypothesis(fault(f"dead-{level}", line=name, at="line"), "line")
    for name in ADDRESS:
        for level in _LEVELS:
            yield Hypothesis(fault(f"dead-{level}", line=name, at="socket"), "socket")
    for name in DATA:
        for place in ("cpu", "socket"):
            for level in _LEVELS:
                yield Hypothesis(fault(f"dead-{level}", line=name, at=place), place)
        for kind in ("cpu-data-in-stuck", "cpu-data-out-stuck"):
            for level in _LEVELS:
                yield Hypothesis(fault(kind, bit=int(name[1:]), level=level), "cpu")
    for first, second in (*_pairs(ADDRESS), *_pairs(DATA), *((a, b) for a in _OUTPUTS for b in neighbours(a) if a < b and b in _OUTPUTS)):
        yield Hypothesis(fault("shorted", lines=[first, second]), "line")


def _strobe_faults() -> Iterator[Hypothesis]:
    for name in _OUTPUTS:
        for level in _LEVELS:
            for place in ("cpu", "socket"):
                for undriven in (FF, HELD):
                    yield Hypothesis(fault(f"dead-{level}", line=name, at=place), place, None, undriven)
    yield Hypothesis(fault("dead-high", line="INT", at="line"), "line")


def ram_spans(program: Program) -> List[Tuple[int, int]]:
    """Return what one chip may serve: each bank, and all of the RAM, where the chips are that large."""
    banks = list(program.banks)
    return [*banks, (banks[0][0], banks[-1][1])] if len(banks) > 1 else banks


def _memory_faults(program: Program) -> Iterator[Hypothesis]:
    roms = [(region.start, region.end) for region in program.regions if region.kind == "rom"]
    chips = ram_spans(program)
    for undriven in (FF, HELD):
        for kind in ("rom-absent", "rom-not-selected"):
            yield Hypothesis(fault(kind), "rom", roms[0], undriven)
        for start, end in chips:
            yield Hypothesis(fault("ram-missing", start=start, end=end), "ram", (start, end), undriven)
    for start, end in roms:
        yield Hypothesis(fault("rom-halves-exchanged", start=start, end=end), "rom", (start, end))
    for bit in range(8):
        for level in _LEVELS:
            yield Hypothesis(fault("rom-data-stuck", bit=bit, level=level), "rom", roms[0])
            for start, end in chips:
                yield Hypothesis(fault("ram-bit-dead", bit=bit, level=level, start=start, end=end), "ram", (start, end))
    for chip, places in (("rom", roms), ("ram", chips)):
        for start, end in places:
            for name in ADDRESS:
                if 1 << int(name[1:]) <= end - start:
                    for level in _LEVELS:
                        yield Hypothesis(fault("open-at-chip", line=name, chip=chip, level=level, start=start, end=end), chip, (start, end))
            for name in DATA:
                for undriven in (FF, HELD):
                    open_line = fault("open-at-chip", line=name, chip=chip, start=start, end=end)
                    yield Hypothesis(open_line, chip, (start, end), undriven)
    for start, end in program.banks:
        for onto, _ in program.banks:
            if onto != start:
                yield Hypothesis(fault("ram-mirrored", start=start, end=end, onto=onto), "ram", (start, end))


def _rom_bits(read: Sequence[int]) -> Iterator[Hypothesis]:
    for address in read:
        for bit in range(8):
            yield Hypothesis(fault("rom-bit-flipped", address=address, bit=bit), "rom", (address, address))


def draw(program: Program, rom_bytes_read: Sequence[int]) -> Iterator[List[Hypothesis]]:
    """Yield the hypotheses in the order in which they are tried: lines and whole parts, then single bits of the ROM.

    A single bit is to be looked for where no line and no part explains what is seen: there are thousands, and one that rots alone is rare
    (common practice). rom_bytes_read: the addresses of ROM that the healthy machine has read.
    """
    elsewhere: List[Hypothesis] = []  # into a gap of the memory map, where nobody may answer, or a device
    if any(region.kind == "gap" for region in program.regions):
        elsewhere = [one._replace(undriven=None) for one in _line_faults() if leads_elsewhere(one.fault)]
    yield [*_line_faults(), *_strobe_faults(), *_memory_faults(program), *elsewhere]
    yield list(_rom_bits(rom_bytes_read))


def first_met(board: ReplayBoard, hypothesis: Hypothesis, log: Sequence[Predicted], begin: int) -> Optional[int]:
    """Return the first cycle of a course that a fault touches, None where it touches none."""
    if board.simple:
        region = hypothesis.region or (0, 0xFFFF)
        for p in log:
            if p.kind in (FETCH, READ, WRITE) and (not isinstance(p.address, int) or region[0] <= p.address <= region[1]):
                return p.row
        return None if log else begin
    return begin
