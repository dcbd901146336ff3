"""Where a strobe is missing again and again: counted over batches, and what is made of it."""

from __future__ import annotations

from itertools import groupby

import numpy as np
from hand_made import evidence_of
from hypothesis import given
from hypothesis import strategies as st

from strobewise.evidence.missing import Missing
from strobewise.records.evidence import Burst, LineEvidence, StrobeCount
from strobewise.records.strobes import BURST, behaviour, longest_burst
from strobewise.rules import run


def bursts_of(flags, sizes):
    missing, at, step = Missing(), 0, 0
    while at < len(flags):
        size = sizes[step % len(sizes)]
        piece = np.array(flags[at : at + size])
        missing.feed(np.arange(at, at + len(piece)) * 10, piece)
        at, step = at + size, step + 1
    count = StrobeCount()
    missing.fill(count, 1.0)
    return count


RUNS = st.lists(st.tuples(st.booleans(), st.integers(1, 2 * BURST)), max_size=12)


@given(RUNS, st.lists(st.integers(1, 30), min_size=1, max_size=4))
def test_bursts_are_counted_however_the_requests_are_cut(runs, sizes):
    flags = [flag for flag, length in runs for _ in range(length)]
    count, at, expected = bursts_of(flags, sizes), 0, []
    for flag, group in groupby(flags):
        length = len(list(group))
        if flag and length >= BURST:
            expected.append(Burst(length, 10.0 * at, 10.0 * (at + length - 1)))
        at += length
    assert count.bursts == expected
    where = [10.0 * k for k, flag in enumerate(flags) if flag]
    assert (count.first_missing_s, count.last_missing_s) == ((where[0], where[-1]) if where else (None, None))


def of(bursts, expected=4_000, end_s=0.01):
    lost = sum(burst.number for burst in bursts)
    evidence = evidence_of(end_s=end_s)
    evidence.strobes["M1"] = StrobeCount(expected, expected - lost, 1000, 0, 0.001, 0.009, list(bursts))
    return evidence


def test_a_burst_is_a_fault_however_many_requests_are_right():
    assert run(of([])) == []
    (finding,) = run(of([Burst(927, 0.008, 0.009)]))
    assert (finding.rule, finding.severity, finding.count) == ("fetch-strobe-missing", "fault", 927)
    assert "a burst of 8 or more in a row, 927 from 8 ms to 9 ms" in finding.evidence


def test_a_line_without_edges_is_no_line_that_comes_and_goes():
    count = StrobeCount(8, 0, 100, 0, 0.0, 0.1, [Burst(8, 0.0, 0.1)])
    assert behaviour(LineEvidence("M1", edges=0), count).kind == "silent"
    assert longest_burst(StrobeCount()) is None


def test_a_strobe_that_grows_worse_is_said_to():
    even = [Burst(20, 0.001 * k, 0.001 * k + 1e-4) for k in range(1, 9)]
    worse = [Burst(20 if k < 5 else 90, 0.001 * k, 0.001 * k + 1e-4) for k in range(1, 9)]
    assert "grows worse" not in run(of(even))[0].evidence
    assert "; 80 in the first half of the capture and 360 in the second: it grows worse" in run(of(worse))[0].evidence
