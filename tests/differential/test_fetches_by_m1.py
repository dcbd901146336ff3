"""Fetches told by /M1 where no refresh shows (/MREQ not captured, or sampled too slowly), and edges that all lie on half T-states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_engines_agree import as_tuples, numpy_rows, simulated, stream_rows

from strobewise.bus.lines import BIT, MASK
from strobewise.capture.records import Block
from strobewise.machine import GENERIC, LINE_SETS

FETCH = "opcode_fetch"


def kinds_of(blocks, captured, timescale):
    """Return the kinds of both engines, which must agree."""
    rows = numpy_rows(blocks, captured, timescale)
    assert stream_rows(blocks, captured, timescale) == as_tuples(rows)
    return [row.kind for row in rows]


@pytest.fixture(scope="module")
def memory_kinds(tmp_path_factory):
    """Return what all leads show of a run, without the cycles that /RD and /WR do not frame."""
    full = simulated(tmp_path_factory, machine=GENERIC, lines=LINE_SETS["full"], sample_hz=24_000_000, seed=5, duration_s=0.004)
    return [kind for kind in kinds_of(*full) if kind.startswith(("opcode", "memory"))]


@pytest.mark.parametrize("sample_hz", [8_000_000, 24_000_000])
@pytest.mark.parametrize("lines", ["M1 RD", "M1 RD WR", "CLK M1 RD WR IORQ"])
def test_without_mreq(tmp_path_factory, memory_kinds, lines, sample_hz):
    machine = {"machine": GENERIC, "seed": 5, "duration_s": 0.004}
    kinds = kinds_of(*simulated(tmp_path_factory, lines=tuple(lines.split()), sample_hz=sample_hz, **machine))
    shown = {FETCH, "memory_read", *(["memory_write"] if "WR" in lines else [])}
    expected = [kind for kind in memory_kinds if kind in shown]
    seen = [kind for kind in kinds if kind in shown]
    # A read of a port looks like one of memory where /IORQ was not captured; the ends of two captures are cut at other places.
    assert abs(seen.count(FETCH) - expected.count(FETCH)) <= 1
    assert expected.count(FETCH) > 300 and 0 <= len(seen) - len(expected) < 0.02 * len(expected)


def test_where_mreq_is_sampled_too_slowly(tmp_path_factory, memory_kinds):
    machine = {"machine": GENERIC, "seed": 5, "duration_s": 0.004}
    kinds = kinds_of(*simulated(tmp_path_factory, lines=("M1", "MREQ", "RD"), sample_hz=8_000_000, **machine))
    assert abs(kinds.count(FETCH) - memory_kinds.count(FETCH)) <= 1


@pytest.mark.parametrize("follows", ["RD", "low", "high"])
def test_a_lead_that_is_no_m1_makes_no_fetches(tmp_path_factory, follows):
    blocks, captured, timescale = simulated(tmp_path_factory, machine=GENERIC, lines=("M1", "RD", "WR"), seed=5, duration_s=0.002)
    m1, rd = np.uint64(MASK["M1"]), np.uint64(BIT["RD"])
    changed = []
    for block in blocks:
        as_rd = (block.words >> rd & np.uint64(1)) << np.uint64(BIT["M1"])
        level = {"RD": as_rd, "low": np.uint64(0), "high": m1}[follows]
        changed.append(Block(block.times, block.words & ~m1 | level, block.unknown))
    kinds = kinds_of(changed, captured, timescale)
    assert len(kinds) > 300 and FETCH not in kinds


@pytest.mark.parametrize("lines", ["M1 MREQ RD", "M1 MREQ", "M1 MREQ RD WR RFSH", "MREQ RD WR"])
@pytest.mark.parametrize("samples", [4, 8, 24])
def test_a_clock_in_step_with_the_analyser(tmp_path_factory, samples, lines):
    """The delays are shorter than a sample, so that every edge lies on half a T-state: nothing is lost by that."""
    slow = replace(GENERIC, clock_hz=1_000_000.0)
    machine = {"machine": slow, "seed": 5, "duration_s": 0.008, "sample_hz": samples * 1_000_000}
    kinds = kinds_of(*simulated(tmp_path_factory, lines=tuple(lines.split()), **machine))
    whole = kinds_of(*simulated(tmp_path_factory, lines=LINE_SETS["full"], **machine))
    assert abs(kinds.count(FETCH) - whole.count(FETCH)) <= 1 and kinds.count(FETCH) > 300


@pytest.mark.parametrize("late", [0, 20, 40, 60])
def test_a_refresh_whose_gap_the_samples_widen(late):
    """At 12 MHz a gap of 143 ns and the 60 ns by which falls may come later than rises show as three samples, 0.9 of a T-state."""
    t, sample = 1000 / 3.5, 1000 / 12  # ns
    clocks, fetches = 4 * 400, range(400)
    moments = [(k * t / 2, "CLK", k % 2 == 0) for k in range(2 * clocks)]
    for k in fetches:
        moments += [((4 * k + at) * t + extra, "MREQ", up) for at, up, extra in ((0.5, 0, late), (2, 1, 0), (2.5, 0, late), (3.5, 1, 0))]
    level, times, words = {"CLK", "MREQ", "WR"}, [0], [MASK["CLK"] | MASK["MREQ"] | MASK["WR"]]
    for at, name, up in sorted(moments):
        level = level | {name} if up else level - {name}
        seen = round(-(-at // sample) * sample)
        if seen > times[-1]:
            times.append(seen)
            words.append(0)
        words[-1] = sum(MASK[each] for each in level)
    blocks = [Block(np.array(times), np.array(words, np.uint64), None)]
    kinds = kinds_of(blocks, frozenset(("CLK", "MREQ", "WR")), 1_000_000)
    assert len(kinds) >= len(fetches) - 1 and set(kinds[1:]) == {FETCH}  # of the first the capture may have missed the begin
