"""Rules for memory whose addresses were not captured: the program tells them, and the rules for both buses judge what stands there.

They read ``evidence.told``. Which address an instruction uses is UM0080's; whom wrong bytes point at is common practice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Iterator, Optional, Tuple

from ..records.evidence import BusEvidence
from . import blame
from .base import CAUTION_SOLDER, RAM_WRONG, Found, find_rule, rule, too_coarse
from .bytes_alone import FOLLOWED, NEEDS
from .grades import STRONG

ENOUGH_TOLD = 200  #: cycles whose address the program tells
ADDED = "; the addresses are those that the program calls for"
#: The rules that judge, the closest first: what one of them finds is what the next would see less closely.
OF_RAM = ("ram-bit-dead", "ram-bank-missing", "ram-unsteady", "return-address-differs", "ram-read-otherwise")
#: Single bytes that come otherwise are not among them: where an expansion device pages its memory in, some are all that is told of it.
OF_ROM = ("rom-against-itself", "data-line-unsteady", "reads-unsteady")


def _as_told(evidence: BusEvidence) -> Optional[BusEvidence]:
    """Return the evidence with memory at the addresses that the program tells; None where the program is not followed well enough."""
    told, record = evidence.told, evidence.bytes_alone
    if told is None or record is None or too_coarse(evidence) or evidence.samples_per_t is None or told.told < ENOUGH_TOLD:
        return None
    if told.written.wrong > FOLLOWED * told.written.number or record.unlike > FOLLOWED * record.instructions:
        return None  # the CPU does something else than the bytes call for
    return replace(evidence, memory=told.memory, odd_reads=told.odd_reads)


def _first_of(rules: Tuple[str, ...], evidence: BusEvidence) -> Iterator[Found]:
    """Yield what the first of these rules finds that finds anything."""
    view = _as_told(evidence)
    for each in map(find_rule, rules if view is not None else ()):
        assert each is not None and view is not None
        found = list(each.decide(view))
        for one in found:
            yield one._replace(
                evidence=one.evidence + ADDED, severity=one.severity or each.severity, suspects=one.suspects or each.suspects,
                next_step=one.next_step or each.next_step, confidence=one.confidence or STRONG, title=one.title or each.title,
            )  # fmt: skip
        if found:
            return


@rule(
    "told-ram-wrong", "RAM gives back other bytes than were written", "fault", needs=NEEDS, judges=("RAM",),
    suspects=blame.RAM_BANK,
    looks_for="bytes that come back otherwise than they were written, at addresses that were not captured and that the program tells",
    causes="the memory chip of one bit, its socket or a joint; a bank that does not answer; an address line that does not reach it",
    next_step="swap the chip of that bit in the bank that was read with its neighbour's, or piggy-back a good one; clip A0 to A15 as well",
    source="UM0080, instruction set; the checks: common practice", caution=CAUTION_SOLDER,
    host=None, sort=RAM_WRONG, seen_astray=True, speaks_for={"stack-differs": "all"},
)  # fmt: skip
def told_ram_wrong(evidence: BusEvidence) -> Iterator[Found]:
    yield from _first_of(OF_RAM, evidence)


@rule(
    "told-rom-wrong", "memory that nothing writes contradicts itself", "fault", needs=NEEDS, judges=("ROM",),
    suspects=blame.ROM_BIT,
    looks_for="bytes that repeat across one address line, or that come otherwise each time, at addresses that were not captured and that the "
    "program tells",
    causes="an address line that does not reach the ROM, two that are bridged, an output that has died, data that come too late",
    next_step="clip A0 to A15 as well and capture again; reseat the ROM, and check the pins of the lines named for continuity to the CPU",
    source="UM0080, instruction set; the checks: common practice", caution=CAUTION_SOLDER,
    host=None, seen_astray=True, explains=("lost-its-way", "restarts-without-end", "told-ram-wrong", "stack-differs"),
)  # fmt: skip
def told_rom_wrong(evidence: BusEvidence) -> Iterator[Found]:
    yield from _first_of(OF_ROM, evidence)
