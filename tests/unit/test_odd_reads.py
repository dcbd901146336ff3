"""Single reads that differ from what stands there: which are counted, and what the rules make of them."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import evidence_of, of_memory

from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import CycleTable
from strobewise.evidence.odd_reads import OddReadsPart
from strobewise.records.evidence import BusEvidence
from strobewise.records.memory import ReadBack
from strobewise.records.odd_reads import OddRead, OddReads
from strobewise.records.profile import MemoryRegion, Paging, Profile
from strobewise.rules import run

F, R, W, G = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "bus_granted"))
SIZES = [(1000,), (1,), (2, 3), (5,)]
BUS = evidence_of().captured | {*ADDRESS, *DATA}


def odd(rows, sizes=(1000,), disabled=()):
    """Return the record of rows (kind, address, data), a microsecond each, fed in pieces; disabled: rows with ROMDIS active."""
    part, at = OddReadsPart(1e-6, bool(disabled)), 0
    while at < len(rows):
        for size in sizes:
            piece = rows[at : at + size]
            if not piece:
                break
            kind, address, data = (np.array(column) for column in zip(*piece, strict=True))
            start = np.arange(at, at + len(piece))
            requests = Requests.empty()
            requests.control = np.array([(k in disabled) << BIT["ROMDIS"] for k in start.tolist()], np.uint16)
            table = CycleTable.build(start, start + 1, kind.astype(np.uint8), address=address, data=data)
            part.feed(Batch(requests, np.empty(0, np.uint8), table, np.arange(len(piece))))
            at += len(piece)
    evidence = BusEvidence()
    part.fill(evidence)
    return evidence.odd_reads


ROM = [(F, k, 0x40 + k) for k in range(6)]
WRITES = [(W, 0x8000 + k, 0x10 + k) for k in range(6)]
READS = [(R, 0x8000 + k, 0x10 + k) for k in range(6)]


def changed(rows, *places):
    return [(kind, address, data ^ 0x81 if k in places else data) for k, (kind, address, data) in enumerate(rows)]


def places(found):
    return [each.address for each in found]


@pytest.mark.parametrize("sizes", SIZES)
def test_a_byte_that_comes_back_otherwise(sizes):
    record = odd([*WRITES, *changed(READS, 2), *READS], sizes)
    assert record == OddReads(12, [OddRead(pytest.approx(8e-6), 0x8002, 0x12, 0x93)], []), "and the right one behind it differs from none"


@pytest.mark.parametrize("sizes", SIZES)
def test_a_byte_of_memory_that_nothing_writes(sizes):
    record = odd([*ROM, *changed(ROM, 3), *ROM], sizes)
    assert record == OddReads(12, [], [OddRead(pytest.approx(9e-6), 3, 0x43, 0xC2)])


@pytest.mark.parametrize("sizes", SIZES)
@pytest.mark.parametrize(("wrong", "stored", "kept"), [((2, 3), 2, 0), ((2, 3, 4), 0, 0), ((0,), 1, 1), ((5,), 1, 1), ((1, 4), 2, 2)])
def test_many_in_a_row_are_another_memory(sizes, wrong, stored, kept):
    assert len(odd([*WRITES, *changed(READS, *wrong)], sizes).stored) == stored
    assert len(odd([*ROM, *changed(ROM, *wrong)], sizes).kept) == kept


@pytest.mark.parametrize("sizes", SIZES)
def test_what_another_master_may_have_written_is_not_compared(sizes):
    assert odd([*WRITES, (G, -1, -1), *changed(READS, 2) * 2], sizes).stored == []
    assert places(odd([(G, -1, -1), *WRITES, *changed(READS, 2), *READS], sizes).stored) == [0x8002]
    assert odd([*WRITES, (G, -1, -1), *changed(READS, 2) * 2], sizes).compared == 6


def test_what_a_device_gives_in_place_of_the_rom_is_not_compared():
    rows = [*ROM, *changed(ROM, 3), *ROM]
    assert places(odd(rows, disabled={9}).kept) == []
    assert places(odd(rows, disabled={8}).kept) == [3]


# --- the rules ---


def page(start, right=8):
    return ReadBack(start, start + 0x3FF, right, 0, [(4, 0, 4, 0)] * 8, 0, None, None)


PROVEN = of_memory([page(0x8000), page(0x8800)])


def reads(*flips, address=0x8400, step=1, before=0x3C):
    return [OddRead(0.001 * k, address + step * k, before, before ^ flip) for k, flip in enumerate(flips)]


def found(stored=(), kept=(), compared=100, memory=PROVEN, **changes):
    evidence = evidence_of(odd_reads=OddReads(compared, list(stored), list(kept)), memory=memory, captured=BUS, **changes)
    return {finding.rule: finding for finding in run(evidence)}


@pytest.mark.parametrize(
    ("changes", "severity"),
    [
        ({"stored": reads(1, 2, 4, 9)}, "fault"),
        ({"stored": reads(1, 2, 9)}, "warning"),
        ({"stored": reads(1)}, "warning"),
        ({"stored": reads(1, 2, 4, 9, step=0)}, "warning"),  # one cell
        ({"stored": reads(1, 2, 4, 9), "compared": 99}, None),
        ({"stored": reads(1, 2, 4, 9), "clocked": "falling"}, "fault"),
        ({"stored": reads(1, 2, 9), "clocked": "falling"}, None),  # a clock that jitters does this, and nothing else shows it
        ({"stored": reads(1), "samples_per_t": 3.9}, None),
        ({"stored": reads(1), "samples_per_t": 4.0}, "warning"),
        ({"stored": reads(1), "glitches": 1}, None),
        ({"stored": reads(1, address=0x7FFF)}, None),  # a program that looks for the end of RAM writes beyond it
        ({"stored": reads(1, address=0x8C00)}, None),
        ({"stored": reads(1), "memory": of_memory([page(0x8000, 4), page(0x8800, 4)])}, "warning"),
        ({"stored": reads(1), "memory": of_memory([page(0x8000, 4), page(0x8800, 3)])}, None),
        ({"stored": reads(1), "memory": of_memory([page(0x8000), page(0xC800)])}, None),
        ({"stored": reads(1), "profile": Profile("x", memory=(MemoryRegion("ram", 0x8000, 0x8FFF),)), "memory": of_memory()}, "warning"),
        ({"stored": reads(1), "profile": Profile("x", memory=(MemoryRegion("rom", 0x8000, 0x8FFF),))}, None),
    ],
)
def test_ram_that_gave_another_byte(changes, severity):
    finding = found(**changes).get("ram-read-otherwise")
    assert (finding.severity if finding else None) == severity


@pytest.mark.parametrize(
    ("flips", "lines", "lacks"), [((4, 4), ("D2",), False), ((4,), (), False), ((4, 12, 8), (), True), ((4, 12, 3), (), False)]
)
def test_what_they_have_in_common_is_told(flips, lines, lacks):
    finding = found(stored=reads(*flips))["ram-read-otherwise"]
    assert finding.lines == lines and ("only lack" in finding.evidence) == lacks


def test_two_drivers_are_blamed_where_they_are_many():
    assert found(stored=reads(4, 12, 8, 20))["ram-read-otherwise"].suspects[0].suspect == "glue"
    assert found(stored=reads(4, 12, 8, 1))["ram-read-otherwise"].suspects[0].suspect == "ram"


PAGED = Profile("x", paging=(Paging("a device", (0x58,)),))


@pytest.mark.parametrize(
    ("changes", "severity"),
    [
        ({"kept": reads(1, 2, 4, 9)}, "fault"),
        ({"kept": reads(1, 2, 9)}, "warning"),
        ({"kept": reads(1, 2, 4, 9, step=0)}, "warning"),
        ({"kept": reads(1, 2, 4, 9), "profile": PAGED}, "warning"),  # it pages by a line that was not captured
        ({"kept": reads(1, 2, 4, 9), "compared": 99}, None),
        ({"kept": reads(1, 2, 4, 9), "clocked": "falling"}, "fault"),
        ({"kept": reads(1, 2, 9), "clocked": "falling"}, None),  # a clock that jitters does this, and nothing else shows it
        ({"kept": reads(1, 2, 4, 9), "samples_per_t": 3.9}, None),
        ({"kept": reads(1, 2, 4, 9), "glitches": 1}, None),
    ],
)
def test_memory_that_nothing_writes_and_gives_another_byte(changes, severity):
    finding = found(**changes).get("reads-otherwise")
    assert (finding.severity if finding else None) == severity
    assert not finding or finding.confidence >= 0.65
