"""What may have been written unseen: no read is held against what stood there before, and nothing is called unwritten."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import evidence_of

from strobewise.bus.lines import BIT
from strobewise.bus.model import KIND_INDEX
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import CycleTable
from strobewise.evidence.memory import MemoryPart
from strobewise.evidence.odd_reads import OddReadsPart
from strobewise.evidence.unwritten import UnwrittenPart
from strobewise.profile.options import Options
from strobewise.records.profile import MemoryRegion, Profile

F, R, W, ACCESS, UNKNOWN = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "memory_access", "unknown"))
PIECES = [1000, 1, 2, 3]
HERE, THERE = 0x8000, 0x8100
MAP = Profile("map", memory=(MemoryRegion("rom", 0, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)))


def fed(part, rows, size, blind=()):
    """Return the evidence of a part that was shown rows (kind, address, data). blind: rows in or behind which others may be missing."""
    for at in range(0, len(rows), size):
        kind, address, data = (np.array(column) for column in zip(*rows[at : at + size], strict=True))
        start = np.arange(at, at + len(kind))
        requests = Requests.empty()
        requests.control = np.zeros(len(kind), np.uint16)
        table = CycleTable.build(start, start + 1, kind.astype(np.uint8), address=address, data=data)
        flags = np.isin(start, blind) if blind else None
        part.feed(Batch(requests, np.empty(0, np.uint8), table, np.arange(len(kind)), flags))
    evidence = evidence_of(profile=MAP)
    part.fill(evidence)
    return evidence


def compared(rows, size, blind=()):
    """Return how many reads were held against what was written before, of how many those differ, and what else was compared."""
    memory = fed(MemoryPart(Options(), 1e-6, has_rom_disable=False), rows, size, blind).memory
    odd = fed(OddReadsPart(1e-6, has_rom_disable=False), rows, size, blind).odd_reads
    pages = [(page.compared, page.wrong) for page in memory.pages]
    return pages, (memory.repeated, memory.unstable), odd.compared


WRITTEN = [(W, HERE, 0x11), (W, THERE, 0x22)]
READ = [(R, HERE, 0x44), (R, THERE, 0x22)]


@pytest.mark.parametrize("size", PIECES)
@pytest.mark.parametrize(
    ("between", "blind", "pages"),
    [
        ([], (), [(2, 1)]),
        ([(R, -1, 0x44)], (), [(2, 1)]),  # a read stores nothing
        ([(W, -1, 0x44)], (), []),  # a write to nobody knows where may have been to any cell
        ([(W, -1, -1)], (), []),
        ([(ACCESS, -1, 0x44)], (), []),  # and so may one that was a read, for all that is known
        ([(UNKNOWN, -1, 0x44)], (), []),
        ([(ACCESS, HERE, 0x44)], (), [(1, 0)]),  # to this cell, and no other
        ([(W, HERE, -1)], (), [(1, 0)]),
        ([], (1,), []),  # /MREQ was not known behind the second write
        ([(F, 0x0100, 0)], (2,), []),
        ([(F, 0x0100, 0)], (0, 1), []),
    ],
)
def test_a_read_is_held_against_what_surely_stands_there(size, between, blind, pages):
    found, _, odd = compared([*WRITTEN, *between, *READ], size, blind)
    assert found == pages
    assert odd == sum(number for number, _ in pages)


@pytest.mark.parametrize(
    ("inferred", "unknown", "pages"), [(False, "", 1), (True, "", 1), (True, "RD", 0), (False, "RD", 1), (True, "WR", 1)]
)
def test_a_read_told_by_the_silence_of_one_strobe_alone(inferred, unknown, pages):
    """/WR may come late, so that a write looks like one, where /RD cannot say that it is none."""
    kind, address, data = (np.array(column) for column in zip(*WRITTEN, *READ, strict=True))
    start = np.arange(len(kind))
    requests = Requests.empty()
    requests.unknown = np.where(kind == R, np.uint64(1 << BIT[unknown] if unknown else 0), np.uint64(0))
    table = CycleTable.build(start, start + 1, kind.astype(np.uint8), address=address, data=data, inferred=(kind == R) & inferred)
    part, evidence = MemoryPart(Options(), 1e-6, has_rom_disable=False), evidence_of(profile=MAP)
    part.feed(Batch(requests, np.empty(0, np.uint8), table, np.arange(len(kind))))
    part.fill(evidence)
    assert len(evidence.memory.pages) == pages


@pytest.mark.parametrize("size", PIECES)
def test_what_is_written_again_is_known_again(size):
    rows = [*WRITTEN, (W, -1, 0x44), *WRITTEN, *READ]
    assert compared(rows, size)[0] == [(2, 1)]
    assert compared([*rows, (W, -1, 0x44), *READ, *READ], size)[:2] == ([(2, 1)], (2, 0))  # read twice since, alike
    blind = (2, 4)  # behind the second time, too
    assert compared([*WRITTEN, (F, 0x0100, 0), *WRITTEN, *READ], size, blind)[0] == []


@pytest.mark.parametrize(
    ("between", "blind", "count"),
    [
        ([], (), 1), ([(W, -1, 0)], (), 0), ([(ACCESS, -1, 0)], (), 0), ([(ACCESS, 0x7FF0, 0)], (), 0), ([(ACCESS, 0x7FF2, 0)], (), 1),
        ([], (1,), 0), ([(F, 1, 0)], (1,), 0),
    ],
)  # fmt: skip
def test_a_return_from_what_nothing_wrote(between, blind, count):
    rows = [(F, 0, 0x31), (R, 1, 0xF0), *between, (F, 3, 0xC9), (R, 0x7FF0, 0x12), (R, 0x7FF1, 0x34), (F, 0x3412, 0)]
    assert fed(UnwrittenPart(1e-6), rows, 1000, blind).unwritten.returns == count


@pytest.mark.parametrize(
    ("before", "blind", "number"),
    [([], (), 20), ([(W, -1, 0)], (), 0), ([(ACCESS, -1, 0)], (), 0), ([(F, 2, 0)], (2,), 0), ([], (22,), 20)],
)
def test_what_may_have_been_written_unseen_is_no_ghost(before, blind, number):
    """Run, and written with something else only afterwards."""
    ran = [(F, 0x5000 + k, 0x40) for k in range(20)]
    rows = [(F, 0, 0xF3), (F, 1, 0xC3), *before, *ran, (F, 0, 0), *((W, address, 0x77) for _, address, _ in ran)]
    assert fed(UnwrittenPart(1e-6), rows, 1000, blind).unwritten.addresses == number
