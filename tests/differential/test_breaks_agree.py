"""What grants and resets break off is the same in both engines: cycles/breaks.py over arrays, stream/breaks.py one request at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from strobewise.bus.model import KINDS
from strobewise.bus.semantics import told_by_silence
from strobewise.cycles import breaks as arrays
from strobewise.cycles.pulses import Int
from strobewise.cycles.requests import BlockEvents
from strobewise.stream import breaks as streaming

T = 10.0  #: ticks in a T-state
BEGAN = -10_000
BY_STROBES = next(k for k, kind in enumerate(KINDS) if not told_by_silence(kind, False))  #: of these only what began in a reset is unknown
BY_SILENCE = next(k for k, kind in enumerate(KINDS) if told_by_silence(kind, False))  #: of these all that is cut off is


def by_arrays(requests, grants, resets, lasting):
    """Return for each request: cut off, begun in a reset, fallen in one."""
    breaks = arrays.Breaks(T, BEGAN)
    nothing: Int = np.zeros(0, np.int64)
    breaks.feed(BlockEvents(None, nothing, grants, resets, lasting, 0, [], -1), grants_count=True)
    start, fall, rise = np.array(requests, np.int64).T
    said = []
    for kind in (BY_SILENCE, BY_STROBES):
        cut = breaks.cut(start, fall, rise, np.full(len(start), kind, np.uint8), np.zeros(len(start), np.bool_), 2 * BEGAN)
        said += [cut.unknown, cut.in_reset] if cut is not None else [np.zeros(len(start), np.bool_)] * 2
    return list(zip(said[0].tolist(), said[2].tolist(), said[3].tolist(), strict=True))


def by_stream(requests, grants, resets, lasting):
    breaks = streaming.Breaks(T)
    breaks.began = BEGAN
    edges = [(low, breaks.granted) for low, _ in grants] + [(high, breaks.taken_back) for _, high in grants]
    edges += [(low, breaks.reset) for low, _ in resets] + [(high, breaks.reset_over) for _, high in resets]
    edges += [(lasting, breaks.reset)] if lasting >= 0 else []
    edges.sort(key=lambda edge: edge[0])
    rows = []
    for start, fall, rise in requests:
        while edges and edges[0][0] < rise:
            at, told = edges.pop(0)
            told(at)
        cut, begun, fell = breaks.cut(start, fall, rise)
        rows.append((cut or begun, begun, fell))
    return rows


def spans(gaps):
    """Turn lengths of high and low stretches into spans in order and apart."""
    ends = np.cumsum(gaps).tolist()
    return list(zip(ends[0::2], ends[1::2], strict=False))


STRETCHES = st.lists(st.integers(1, 90), max_size=24).map(spans)
REQUESTS = st.lists(st.tuples(st.integers(2, 60), st.integers(1, 30), st.integers(1, 50)), min_size=1, max_size=30)


@example(gaps=[(40, 25, 10)], grants=[], resets=[(30, 50), (60, 90)], lasts=False)  # T1 in one reset, the request in the next
@given(gaps=REQUESTS, grants=STRETCHES, resets=STRETCHES, lasts=st.booleans())
def test_both_engines_break_off_the_same(gaps, grants, resets, lasts):
    requests, at = [], 0
    for gap, lead, width in gaps:
        requests.append((at + gap, at + gap + lead, at + gap + lead + width))
        at += gap + lead + width
    lasting = -1
    if lasts and resets:
        *resets, (lasting, _) = resets
    assert by_arrays(requests, grants, resets, lasting) == by_stream(requests, grants, resets, lasting)


@pytest.mark.parametrize(("resets", "begun"), [([(30, 70)], True), ([(30, 45), (50, 90)], False), ([(50, 90)], False)])
def test_a_cycle_is_begun_in_a_reset_where_t1_and_request_lie_in_the_same(resets, begun):
    assert by_arrays([(40, 55, 65)], [], resets, -1) == [(True, begun, True)]
