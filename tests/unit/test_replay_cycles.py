"""The cycles that a replay is held against: from the first reset on, and no more than it needs."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from strobewise.bus.lines import BIT, DATA, STROBES
from strobewise.capture.records import Block
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import REQUEST_FIELDS, Requests
from strobewise.cycles.table import CycleTable
from strobewise.records.replay import COMPLETE, LOST, PARTED, ReplayRecord
from strobewise.replay import collect, judging, search, weighing
from strobewise.replay.compared import Predicted
from strobewise.replay.course import _RESTARTS, Outcome
from strobewise.replay.observed import FETCH, READ, WRITE, Observed
from strobewise.replay.unknown import Unknown

CAPTURED = frozenset(("MREQ", "RD", "M1", "RESET"))


def batch(*starts):
    start = np.array(starts, np.int64)
    table = CycleTable.build(start, start + 4, np.zeros(len(start), np.uint8))
    one = Requests.join([Requests(*(np.zeros(1, getattr(Requests.empty(), name).dtype) for name in REQUEST_FIELDS))])
    return Batch(one, np.empty(0, np.uint8), table, np.full(len(start), -1))


def test_what_comes_when_enough_is_kept_is_left_out(monkeypatch):
    monkeypatch.setattr(collect, "MOST_CYCLES", 4)
    cycles = collect.Cycles(CAPTURED, 1e-6)
    for first in range(0, 40, 20):
        cycles.feed(batch(*range(first, first + 20, 4)))
    assert [row[0, 0] for row in cycles._rows] == [0]  # the second batch is not even looked at


def test_a_first_reset_that_comes_late_begins_anew(monkeypatch):
    monkeypatch.setattr(collect, "MOST_CYCLES", 4)
    cycles = collect.Cycles(CAPTURED, 1e-6)
    cycles.feed(batch(*range(0, 20, 4)))
    reset = np.array([0, 1 << BIT["RESET"]], np.uint64)
    cycles.block(Block(np.array([20, 40]), reset, None))
    cycles.feed(batch(*range(40, 60, 4)))
    assert [row[0, 0] for row in cycles._rows] == [40]


@pytest.mark.parametrize(
    ("matched", "healthy", "ended", "convinces"),
    [
        (980, 0, "parted", True),  # all, but for the cycle that the end cuts
        (600, 100, "parted", True),  # more than half, more than twice as much, a hundred more
        (500, 250, "parted", True),  # just on all three
        (499, 100, "parted", False),  # not half of what was compared
        (600, 301, "parted", False),  # not twice what the healthy machine explains
        (500, 477, "lost", False),  # 23 more are chance, however it ended
        (500, 476, "lost", True),  # what nobody knows ends its way: it is judged by the way up to there
    ],
)
def test_how_much_a_fault_must_explain(matched, healthy, ended, convinces):
    record = ReplayRecord("given", 0.0, "reset", 1000, healthy, "parted", hypotheses=100)
    log = [Predicted(row, FETCH, row, row & 0xFF) for row in range(matched)]  # new instructions all the way
    outcome = Outcome(matched, {"lost": LOST, "parted": PARTED}[ended], 1, log, 0, [])
    tried = SimpleNamespace(hypothesis=None, outcome=outcome, board=SimpleNamespace(since=None, contents=[-1] * 65536))
    assert weighing.convinces(tried, record, Observed(frozenset())) == convinces


@pytest.mark.parametrize(("image", "convinces"), [(0x3C, True), (-1, False)], ids=["the program's own", "a bus that nobody drives"])
def test_a_walk_through_bytes_that_are_all_the_same_tells_something_only_where_they_are_the_programs(image, convinces):
    record = ReplayRecord("given", 0.0, "reset", 1000, 100, "parted", hypotheses=100)
    outcome = Outcome(600, PARTED, 1, [Predicted(row, FETCH, row, 0x3C) for row in range(600)], 0, [])
    tried = SimpleNamespace(hypothesis=None, outcome=outcome, board=SimpleNamespace(since=None, contents=[image] * 65536))
    assert weighing.convinces(tried, record, Observed(frozenset())) == convinces


@pytest.mark.parametrize(("kind", "by_many_values"), [(FETCH, True), (READ, True), (WRITE, False)], ids=["fetched", "read", "written"])
def test_what_memory_reads_alike_everywhere_tells_nothing_of_a_data_line(kind, by_many_values):
    """A line stuck high tells one bit of every byte out of unknown memory; of one value again and again it tells no more than once.

    A byte that is written comes out of no memory.
    """
    told = {}
    for name, read in (("many values", range(0x80, 0xC0)), ("one value", [0xFF] * 64)):
        seen = Observed(frozenset(DATA), kinds=[kind] * 64, data=list(read), data_mask=[0xFF] * 64)
        log = [Predicted(row, kind, 0x8000 + row, Unknown(0x80, 0x7F)) for row in range(64)]
        outcome = Outcome(64, PARTED, 64, log, 7 * 64, [])
        tried = SimpleNamespace(hypothesis=None, outcome=outcome, board=SimpleNamespace(since=None))
        record = ReplayRecord("given", 0.0, "reset", 64, 1, "parted", hypotheses=500)
        told[name] = weighing.convinces(tried, record, seen)
    assert told == {"many values": by_many_values, "one value": False}


def test_who_went_the_same_way_until_nobody_knows_is_not_told_apart():
    def gone(matched, ended, addresses):
        log = [Predicted(row, FETCH, address, 0) for row, address in enumerate(addresses)]
        return SimpleNamespace(outcome=Outcome(matched, ended, 1, log, 0, []))

    best = gone(5, COMPLETE, [0, 1, 2, 3, 4])
    lost, elsewhere, parted = gone(4, LOST, [0, 1, 2, 0xFFFF]), gone(4, LOST, [0, 1, 7, 0xFFFF]), gone(4, PARTED, [0, 1, 2, 3])
    early = gone(2, LOST, [0, 0xFFFF])  # the rest speaks for the best
    assert judging._lost_on_the_same_way([best], [best, lost, early, elsewhere, parted], 0) == [lost]


def test_every_strobe_may_be_the_one_whose_lead_is_bad():
    assert set(search.STROBES_LEFT_OUT) == set(STROBES)


def test_what_a_device_may_put_on_the_bus_in_mode_0():
    """The eight restarts, RST 00h to RST 38h (UM0080); an open bus with pull-ups gives the last one."""
    assert sorted(_RESTARTS) == [0xC7 | target for target in range(0, 0x40, 8)] and _RESTARTS[0] == 0xFF
