"""A capture begins where it likes: in both engines no row ends before it starts, starts never go back, and nothing is made up.

The rows behind the first few are those of the whole capture.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from strobewise.bus.lines import BIT, MASK, STROBES
from strobewise.capture.records import Block
from strobewise.machine import GENERIC, LINE_SETS, BusRequest, Fault, Press

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "differential"))
from test_engines_agree import MACHINES, as_tuples, numpy_rows, simulated, stream_rows

SETTINGS = settings(
    deadline=None, max_examples=25, phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
FEW = 3  #: rows at the start that a cut may leave in doubt
KIND, START, END, T_STATES, ADDRESS, DATA = 0, 1, 2, 3, 5, 6
NEAR = ("RESET", "BUSACK", "MREQ", "IORQ", "M1")  #: lines at whose edges the capture is cut, beside anywhere


def cut_at(blocks, share, near, behind):
    """Return what is left of a capture that begins `behind` events after an edge of the line `near`, after any event where that is None."""
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    edges = np.arange(1, len(times))
    if near is not None:
        edges = np.flatnonzero((words[1:] ^ words[:-1]) & np.uint64(MASK[near])) + 1
    edges = edges[edges < len(times) - 600]
    # Of an /IORQ pulse under way at the beginning nobody sees that it was an acknowledge: the refresh behind it can be told as a write.
    high = edges[words[edges] & np.uint64(MASK["IORQ"]) != 0]
    edges = high if len(high) else edges
    at = min(int(edges[int(share * len(edges))]) + behind if len(edges) else behind, len(times) - 600)
    return [Block(times[at:].copy(), words[at:].copy(), None)]


def in_order(rows):
    """Say whether no row ends before it starts, and no start goes back."""
    return all(row[END] >= row[START] for row in rows) and all(a[START] <= b[START] for a, b in pairwise(rows))


def made_up(row, whole, t):
    """Say whether a row says what the whole capture does not: another kind there, another address, another byte."""
    here = [each for each in whole if each[START] <= row[START] + 3 * t and each[END] > row[START]]
    said = (row[KIND], row[ADDRESS], row[DATA])
    return row[KIND] != "unknown" and said not in [(each[KIND], each[ADDRESS], each[DATA]) for each in here]


@st.composite
def dead_strobes(draw):
    kind = draw(st.sampled_from(("", "dead-high", "dead-low", "floating")))
    return [Fault(kind, {"line": draw(st.sampled_from(STROBES))})] if kind else []


@SETTINGS
@example([], "full", 24_000_000, 0.3, 7, True, True, 0.5, "RESET", 0)
@example([Fault("dead-low", {"line": "M1"})], "two", 24_000_000, 0.3, 7, False, False, 0.5, "MREQ", 1)
@example([], "two", 24_000_000, 0.3, 7, False, False, 0.3, "MREQ", 3)  # begins with a request of which only the width says what it is
@example([], "two", 24_000_000, 0.3, 7, False, False, 0.31, "MREQ", 0)
@given(
    faults=dead_strobes(),
    **MACHINES,
    share=st.floats(0.0, 0.7),
    near=st.sampled_from((None, *NEAR)),
    behind=st.integers(0, 6),
)
def test_a_capture_cut_anywhere(tmp_path_factory, faults, leads, sample_hz, delay, seed, granted, pressed, share, near, behind):
    blocks, captured, timescale = simulated(
        tmp_path_factory, machine=GENERIC, faults=faults, lines=LINE_SETS[leads], sample_hz=sample_hz, delay_fraction=delay, seed=seed,
        duration_s=0.0012, bus_requests=[BusRequest(first_t_states=1200, period_t_states=900)] if granted else [],
        presses=[Press("RESET", 0.0004, 0.00003)] if pressed else [],
    )  # fmt: skip
    t = 1e15 / GENERIC.clock_hz / timescale
    given_t = None if "CLK" in captured else t
    whole = as_tuples(numpy_rows(blocks, captured, timescale, given_t))
    assert in_order(whole)
    left = cut_at(blocks, share, near, behind)
    rows = as_tuples(numpy_rows(left, captured, timescale, given_t))
    assert stream_rows(left, captured, timescale, given_t) == rows
    assert in_order(rows)
    known = set(whole)
    assert [row for row in rows[FEW:] if row not in known] == []
    assert [row for row in rows[:FEW] if made_up(row, whole, t)] == []


@pytest.mark.parametrize("leads", [leads for leads, lines in LINE_SETS.items() if "RESET" in lines])
def test_what_is_asserted_in_a_reset_is_no_cycle(tmp_path_factory, leads):
    """A reset that falls between /M1 and /MREQ: the request that comes in it has no kind and no length, and ends with its strobes."""
    blocks, captured, timescale = simulated(tmp_path_factory, machine=GENERIC, lines=LINE_SETS[leads], seed=3, duration_s=0.001)
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    t = 1e15 / GENERIC.clock_hz / timescale
    whole = numpy_rows(blocks, captured, timescale)
    row = next(row for row in whole[100:] if row.kind == "opcode_fetch")
    low, high = row.start - round(0.5 * t), row.start + round(8 * t)
    words = np.where((times >= low) & (times < high), words & ~np.uint64(1 << BIT["RESET"]), words)
    held = [Block(times, words, None)]
    rows = as_tuples(numpy_rows(held, captured, timescale))
    assert stream_rows(held, captured, timescale) == rows
    cut = [each for each in rows if each[-1] == "cut_short" and each[START] >= low]
    assert cut and all(each[KIND] == "unknown" and each[T_STATES] is None and each[END] <= each[START] + 3 * t for each in cut)
    assert in_order(rows)
