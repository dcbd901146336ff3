"""Evidence of details, on records and edges made by hand: releases of a device, lines that follow another, the map of memory."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bitarray import bitarray
from hand_made import evidence_of

from strobewise.bus.lines import BIT
from strobewise.diagnosis.memory_map import Stretch, seen_map
from strobewise.evidence.closer_look import look_closer
from strobewise.evidence.collect import _Held, _longer
from strobewise.evidence.expansion import _Watch
from strobewise.evidence.slow_leads import SLOW_LINES, TRANSFERS, _doubtful
from strobewise.machine.scenario import GENERIC_PAGING
from strobewise.records.evidence import BusEvidence, ClockEvidence, LineEvidence, StrobeCount
from strobewise.records.memory import Levels, MemoryRecord

TICK_S, T_S = 1e-9, 250e-9


def releases(changes, fetches, paging=GENERIC_PAGING, end=1_000_000):
    """Return (released, not released, let go alone, when) for changes (tick, active) of the answering line and release fetches."""
    watch = _Watch(paging, BIT["ROMDIS"], True, [])
    watch._changes, watch._release_fetches = list(changes), list(fetches)
    record = watch.record(TICK_S, T_S, end * TICK_S)
    return record.released, record.not_released, record.let_go_alone, record.let_go_alone_s


def grace():
    """Return the ticks that an answer may take."""
    return round(((GENERIC_PAGING.within_t_states + 1.5) * T_S + 2e-8) / TICK_S)


def test_a_release_comes_within_three_times_the_grace():
    late = 3 * grace()
    for delay in (100, late - 2):
        assert releases([(50_000, True), (100_000 + delay, False)], [100_000]) == (1, 0, 0, None)
    assert releases([(50_000, True), (100_000 + late + 2, False)], [100_000]) == (0, 1, 1, pytest.approx((100_000 + late + 2) * TICK_S))


def test_a_line_that_stays_active_was_not_released():
    assert releases([(50_000, True)], [100_000]) == (0, 1, 0, None)


def test_release_fetches_that_say_nothing():
    assert releases([], [100_000]) == (0, 0, 0, None)  # no level is known
    assert releases([(50_000, True), (60_000, False)], [100_000])[:2] == (0, 0)  # not active
    near = 1_000_000 - 4 * grace()
    assert releases([(50_000, True)], [near + 2]) == (0, 0, 0, None)  # too close to the end
    assert releases([(50_000, True)], [near - 2]) == (0, 1, 0, None)


def test_letting_go_alone_is_told_only_where_the_profile_says_what_releases():
    alone = [(50_000, True), (80_000, False), (90_000, True), (95_000, False)]
    assert releases(alone, []) == (0, 0, 2, pytest.approx(80_000 * TICK_S))
    assert releases(alone, [], replace(GENERIC_PAGING, released_by_fetch_in=())) == (0, 0, 0, None)
    assert releases([(50_000, False), (60_000, True)], []) == (0, 0, 0, None)  # what it was at the start is no change


@pytest.mark.parametrize(("edges", "follows"), [(15, None), (16, "D0"), (40, "D0")])
def test_a_strobe_follows_another_line_from_sixteen_edges_on(edges, follows):
    evidence = evidence_of(captured=evidence_of().captured | {"D0"})
    evidence.lines["D0"] = LineEvidence("D0", edges=edges, high_fraction=0.5)
    evidence.lines["M1"] = LineEvidence("M1", edges=edges, high_fraction=0.5)
    evidence.strobes["M1"] = StrobeCount(expected=20, seen=8, others=20, wrong=8)
    times = 100 * np.arange(edges + 1, dtype=np.int64)
    both = np.uint64(1 << BIT["M1"] | 1 << BIT["D0"])
    look_closer(evidence, times, np.where(np.arange(edges + 1) % 2, both, np.uint64(0)), TICK_S, 1.0)
    assert evidence.lines["M1"].follows == follows
    assert evidence.lines["M1"].shortest_pulse_s == pytest.approx(1e-7)


def test_the_memory_map_names_what_was_touched_and_nothing_else():
    fetched, read, written, wrong = (bitarray(65536) for _ in range(4))
    for each in (fetched, read, written, wrong):
        each.setall(False)
    fetched[0x0000] = read[0x07FF] = True  # two pages side by side
    read[0x0C00] = True  # one apart
    written[0x1000] = True  # beside it, written and never read
    read[0x1400] = written[0x1400] = True
    memory = MemoryRecord(
        fetched, read, written, wrong, Levels(), Levels(), Levels(), Levels(), [], 0, 0, 0, 0, 0, {}, {}, [], 0, (0, 0), 0, 0, 0, [0] * 8
    )
    assert seen_map(memory) == [
        Stretch("read only", 0x0000, 0x07FF), Stretch("read only", 0x0C00, 0x0FFF), Stretch("read and written", 0x1000, 0x17FF),
    ]  # fmt: skip


@pytest.mark.parametrize(("expected", "seen", "share"), [(0, 0, 1.0), (4, 0, 0.0), (4, 3, 0.75), (4, 4, 1.0)])
def test_the_share_of_a_strobe_that_nobody_asked_for_is_whole(expected, seen, share):
    assert StrobeCount(expected, seen, 0, 0).hit == share
    assert StrobeCount(0, 0, expected, seen).false == (share if expected else 0.0)


@pytest.mark.parametrize(
    ("mreq", "fetches", "expected"),
    [
        ("10101010", "10101010", None),  # let go in each of them
        ("10000101", "10101010", (2, 1, 1e-6, 5e-6)),
        ("10000000", "10101010", None),  # where it ends nobody saw
        ("00000101", "10101010", None),  # nor where it began
        ("1000010000101", "1010101010101", (4, 2, 1e-6, 1e-5)),
        ("0110000101010", "0101010101010", (2, 1, 3e-6, 7e-6)),
    ],
)
def test_a_strobe_that_stays_low_while_fetches_go_on(mreq, fetches, expected):
    levels = [int(a) << BIT["MREQ"] | int(b) << BIT["M1"] for a, b in zip(mreq, fetches, strict=True)]
    evidence = BusEvidence(captured=frozenset(("MREQ", "M1")), lines={name: LineEvidence(name) for name in ("MREQ", "M1")})
    look_closer(evidence, np.arange(len(levels), dtype=np.int64), np.array(levels, np.uint64), 1e-6, 1.0)
    through = evidence.lines["MREQ"].held_through
    assert through == (None if expected is None else pytest.approx(expected))


@pytest.mark.parametrize(("span", "kept"), [(None, (5, 9)), ((0, 3), (5, 9)), ((0, 4), (0, 4)), ((0, 5), (0, 5))])
def test_the_longer_of_two_stretches_is_kept_the_first_of_equals(span, kept):
    assert _longer(span, 5, 9) == kept


def test_a_stretch_that_lasts_to_the_end_counts_and_is_told():
    held = _Held("WAIT")
    held.begin(0, 10)  # low, and so active, from the start on
    assert held.close(30) and (held.total, held.longest, held.recent, held.first) == (20, (10, 30), [(10, 30)], True)
    rests = _Held("WAIT")
    rests.begin(1 << BIT["WAIT"], 10)
    assert not rests.close(30) and (rests.total, rests.longest, rests.recent) == (0, None, [])


@pytest.mark.parametrize(
    ("lines", "responses", "doubtful"),
    [
        ({}, 0, False),
        ({"WAIT": {"edges": 9, "asserted_s": 0.0051}}, 0, True),  # active for most of the time
        ({"WAIT": {"edges": 9, "asserted_s": 0.0049}}, 0, False),
        ({"WAIT": {"edges": 0, "asserted_s": 0.01}}, 0, False),  # at rest: it does nothing at all
        ({"BUSREQ": {"edges": 9}, "BUSACK": {"edges": 9}}, 0, True),
        ({"BUSREQ": {"edges": 9}}, 0, False),
        ({"NMI": {"edges": 9, "assertions": 4}}, 4, False),
        ({"NMI": {"edges": 9, "assertions": 4}}, 0, True),
        ({}, 4, True),
    ],
)
def test_which_slow_lines_are_looked_at_without_their_names(lines, responses, doubtful):
    evidence = evidence_of(notes={"nmi_response": responses})
    for name, facts in lines.items():
        evidence.lines[name] = LineEvidence(name, high_fraction=0.5, **facts)
    assert _doubtful(evidence) is doubtful


def test_what_moves_data_is_a_transfer():
    assert set(TRANSFERS) == {"memory_read", "memory_write", "memory_access", "io_read", "io_write"}
    assert set(SLOW_LINES) == {"HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK"}


@pytest.mark.parametrize(
    ("edges", "mean_s", "deviation_s", "regular"),
    [
        (200, 1e-6, 0.34e-6, True), (199, 1e-6, 0.34e-6, False), (200, 1e-6, 0.35e-6, False), (200, None, 0.2e-6, False),
        (200, 1e-6, None, False),
    ],
)  # fmt: skip
def test_a_clock_is_regular_where_enough_edges_come_at_even_distances(edges, mean_s, deviation_s, regular):
    assert ClockEvidence(edges=edges, mean_s=mean_s, deviation_s=deviation_s).is_regular is regular
