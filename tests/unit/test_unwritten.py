"""Fetches from RAM that nothing has written since the reset, and pulses of /M1 with nothing of /MREQ."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.bus.model import KIND_INDEX, NOTE_INDEX
from strobewise.capture.records import Block
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import DTYPES, CycleTable
from strobewise.evidence.bare_fetches import BareFetchesPart
from strobewise.evidence.unwritten import UnwrittenPart
from strobewise.records.expansion import PagingRecord
from strobewise.records.profile import MemoryRegion, Paging, Profile
from strobewise.records.unwritten import Unwritten
from strobewise.rules import run

F, R, W = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write"))
MAP = Profile("map", memory=(MemoryRegion("rom", 0, 0x1FFF), MemoryRegion("ram", 0x4000, 0x7FFF)))


def table(rows):
    names = CycleTable.__dataclass_fields__
    kind, address, data, note = (list(column) for column in zip(*((*row, "")[:4] for row in rows), strict=True))
    values = {"kind": kind, "address": address, "data": data, "note": [NOTE_INDEX[each] for each in note], "start": list(range(len(rows)))}
    columns = {name: np.array(values.get(name, [0] * len(rows)), DTYPES[name]) for name in names}
    return CycleTable(**columns)


def after(*batches):
    part = UnwrittenPart(1e-6)
    at = 0
    for rows in batches:
        cycles = table(rows)
        cycles.start[:] += at
        at += len(rows)
        part.feed(SimpleNamespace(cycles=cycles, blind=None, requests=Requests.empty()))
    evidence = evidence_of(profile=MAP)
    part.fill(evidence)
    return evidence.unwritten


RESET = (F, 0x0000, 0xF3)


def test_what_runs_where_nothing_was_written():
    lost = [(F, 0x5000 + k, 0x40) for k in range(20)]
    assert after([RESET, (F, 1, 0xC3), *lost]) == Unwritten(20, 0x5000, 2e-6, 1)
    assert after([RESET], [(F, 1, 0xC3)], lost[:7], lost[7:]) == Unwritten(20, 0x5000, 2e-6, 1)


@pytest.mark.parametrize(
    "rows",
    [
        [RESET, *((W, 0x5000 + k, 0) for k in range(20)), *((F, 0x5000 + k, 0) for k in range(20))],  # loaded, then run
        [RESET, *((F, 0x1000 + k, 0) for k in range(20))],  # the ROM
        [RESET, *((F, 0x9000 + k, 0) for k in range(20))],  # nobody knows what is there
        [RESET, *((F, 0x5000 + k, 7) for k in range(20)), *((W, 0x5000 + k, 7) for k in range(20))],  # copied onto itself
    ],
)
def test_what_may_well_be(rows):
    assert after(rows).addresses == 0


def test_without_a_reset_nothing_is_known():
    lost = [(F, 0x5000 + k, 0x40) for k in range(20)]
    assert after([(F, 0x0123, 0x00), *lost]) is None
    assert after([(F, 0x0123, 0x00), (F, 0x0000, 0xF3, "after_reset"), *lost]).addresses == 20


@pytest.mark.parametrize(("addresses", "tells"), [(16, True), (15, False)])
def test_a_few_addresses_may_be_a_hook(addresses, tells):
    evidence = evidence_of(unwritten=Unwritten(addresses, 0x5000, 0.001, 0x0123))
    evidence.captured |= {*ADDRESS, *DATA}
    finding = next((each for each in run(evidence) if each.rule == "runs-unwritten"), None)
    assert (finding is not None) == tells
    evidence.profile = Profile("x", paging=(Paging("a device", (0x58,)),))
    assert "runs-unwritten" not in [each.rule for each in run(evidence)], "another memory may be paged in, by a line that was not captured"
    evidence.pagings = [PagingRecord("a device", "ROMDIS", 4)]
    assert ("runs-unwritten" in [each.rule for each in run(evidence)]) == tells, "it is compared while the device is away"


def test_what_runs_while_a_device_is_paged_in_is_its_own():
    rows = [RESET, *((F, 0x5000 + k, 0x40) for k in range(20))]
    for control, addresses in ((0, 20), (1 << BIT["ROMDIS"], 0)):
        part = UnwrittenPart(1e-6, has_rom_disable=True)
        requests = SimpleNamespace(control=np.full(len(rows), control, np.uint16), unknown=np.zeros(len(rows), np.uint64))
        part.feed(SimpleNamespace(cycles=table(rows), requests=requests, request_of_cycle=np.arange(len(rows)), blind=None))
        evidence = evidence_of(profile=MAP)
        part.fill(evidence)
        assert evidence.unwritten.addresses == addresses


RETURN = [(F, 0x0100, 0xC9), (R, 0x5000, 0x34), (R, 0x5001, 0x12), (F, 0x1234, 0x00)]


@pytest.mark.parametrize(
    ("rows", "returns"),
    [
        ([RESET, *RETURN], (1, 2e-6, 0x5000)),
        ([RESET, (F, 1, 0xC3), *RETURN, *RETURN], (2, 3e-6, 0x5000)),
        ([RESET, (W, 0x5000, 0x34), *RETURN], (0, None, -1)),
        ([RESET, *RETURN, (W, 0x5000, 0x34)], (1, 2e-6, 0x5000)),
        ([RESET, (F, 0x0100, 0xE1), *RETURN[1:]], (0, None, -1)),  # POP
        ([RESET, (F, 0x0100, 0xC9), (R, 0x1000, 0x34), (R, 0x1001, 0x12)], (0, None, -1)),  # a table in ROM, threaded
        (RETURN, None),
    ],
)
def test_returns_to_what_nothing_pushed(rows, returns):
    found = after(rows)
    assert (found if found is None else (found.returns, found.returned_s, found.returned_at)) == returns


def test_one_return_that_nothing_pushed_is_enough():
    for returns in (0, 1):
        evidence = evidence_of(unwritten=Unwritten(0, -1, None, -1, returns, 0.001, 0x5000))
        evidence.captured |= {*ADDRESS, *DATA}
        assert ("returns-unpushed" in [each.rule for each in run(evidence)]) == bool(returns)
    evidence.samples_per_t = 2.9
    assert "returns-unpushed" not in [each.rule for each in run(evidence)]


# --- /M1 alone ---

M1, MREQ = (1 << BIT[name] for name in ("M1", "MREQ"))
IDLE = M1 | MREQ
FETCH = [MREQ & 0, IDLE, M1, IDLE]  # both low, both high, the refresh
ALONE = [MREQ, IDLE]


def bare(words, pieces=1):
    part = BareFetchesPart()
    for number, piece in enumerate(np.array_split(np.array([IDLE, *words], np.uint64), pieces)):
        part.block(Block(np.arange(len(piece)) + 1000 * number, piece, None))
    evidence = evidence_of()
    part.fill(evidence)
    return evidence.bare_fetches


@pytest.mark.parametrize("pieces", [1, 2, 3, 7])
def test_an_acknowledge_is_no_lost_fetch(pieces):
    acknowledge = [*ALONE, M1, IDLE]  # its refresh
    assert bare(FETCH * 5, pieces) == 0
    assert bare([*FETCH, *acknowledge, *FETCH] * 3, pieces) == 0
    assert bare([*FETCH, *ALONE * 4, *FETCH], pieces) == 4
    assert bare([*FETCH, *ALONE * 4], pieces) == 3  # what follows on the last nobody saw
