"""The logic analyser alone: when it samples, what its leads do, what it loses."""

from __future__ import annotations

import itertools
import random

import pytest

from strobewise.bus.lines import MASK
from strobewise.machine.analyser import Analyser, Lead, Settings, Skew, drop_samples

M1, MREQ, RD = MASK["M1"], MASK["MREQ"], MASK["RD"]


def record(events, **changes):
    """Sample (ns, word) events at 100 MHz, one sample each 10 ns."""
    settings = Settings(("M1", "MREQ", "RD"), 100_000_000, 0, 100, {})._replace(**changes)
    pieces = [[(ns * 1000, word) for ns, word in events]]
    return list(Analyser(settings, random.Random(1)).sample(pieces))


def test_a_change_shows_in_the_next_sample():
    assert record([(0, M1), (10, 0), (21, M1)]) == [(0, M1), (1, 0), (3, M1)]


def test_a_pulse_between_two_samples_is_missed():
    assert record([(0, M1), (12, 0), (18, M1), (30, 0)]) == [(0, M1), (3, 0)]


def test_the_phase_moves_the_samples():
    assert record([(0, M1), (10, 0)], start=5_000) == [(0, M1), (1, 0)]
    assert record([(0, M1), (10, 0)], start=10_000) == [(0, 0)]


def test_what_happened_before_the_recording_is_its_first_word():
    assert record([(0, M1), (5, M1 | RD), (100, 0)], start=50_000) == [(0, M1 | RD), (5, 0)]


def test_the_recording_ends_with_its_buffer():
    assert record([(0, 0), (500, M1), (2000, 0)]) == [(0, 0), (50, M1)]
    assert record([(0, M1), (2000, 0)]) == [(0, M1)]  # nothing moved in time


def test_lines_without_a_lead_are_not_recorded():
    assert record([(0, M1 | MASK["A3"]), (10, M1)]) == [(0, M1)]


def test_each_channel_has_its_own_skew():
    skews = {"MREQ": Skew(30_000, 0)}
    assert record([(0, 0), (100, M1 | MREQ), (200, 0)], skews=skews) == [(0, 0), (10, M1), (13, M1 | MREQ), (20, 0)]


def test_swapped_and_inverted_leads():
    assert record([(0, 0), (50, M1)], swapped=(("M1", "RD"),)) == [(0, 0), (5, RD)]
    assert record([(0, 0), (50, M1)], leads=(Lead("M1", "inverted"),)) == [(0, M1), (5, 0)]
    assert record([(0, 0), (50, M1)], leads=(Lead("M1", "high"),)) == [(0, M1)]
    assert record([(0, M1), (50, M1 | RD)], leads=(Lead("M1", "low"),)) == [(0, 0), (5, RD)]


def test_a_loose_lead_moves_only_with_its_neighbours():
    events = [(0, 0), *((100 * n, MREQ * (n & 1)) for n in range(1, 40))]
    found = record(events, samples=1000, leads=(Lead("M1", "off"),))
    rises = [at for (_, a), (at, b) in itertools.pairwise(found) if b & ~a & M1]
    assert rises and all(at % 20 == 10 for at in rises)  # where MREQ, beside it, rises


GAPS = [(10, 20), (40, 45)]


@pytest.mark.parametrize(
    "close, expected",
    [
        (False, [(0, 1), (5, 2), (20, 4), (30, 5), (45, 6), (50, 7)]),
        (True, [(0, 1), (5, 2), (10, 4), (20, 5), (30, 6), (35, 7)]),
    ],
)
def test_lost_samples(close, expected):
    changes = [(0, 1), (5, 2), (12, 3), (15, 4), (30, 5), (42, 6), (50, 7)]
    assert list(drop_samples(changes, GAPS, close)) == expected


def test_lost_samples_at_the_very_end_stay_lost():
    assert list(drop_samples([(0, 1), (12, 3)], GAPS, True)) == [(0, 1)]
