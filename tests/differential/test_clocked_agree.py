"""The two ways to put samples taken one a clock at their clock edges say the same."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strobewise.bus import clocked
from strobewise.bus.lines import BIT, LINES, MASK
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.clocked import retiming
from strobewise.machine import simulate
from strobewise.stream.clocked import Retimer

EVERY = frozenset(line.name for line in LINES)


def in_arrays(captured, edge, rows, size):
    """Return the events that the arrays give, fed so many changes at a time."""
    retimer, events = retiming.Retimer(captured, edge), []
    for low in range(0, len(rows), size):
        numbers, words = (np.array(column) for column in zip(*rows[low : low + size], strict=True))
        events += retimer.feed(retiming.Samples(numbers.astype(np.int64), words.astype(np.uint64), None))
    events += retimer.finish()
    return [pair for block in events for pair in zip(block.times.tolist(), block.words.tolist(), strict=True)]


def one_by_one(captured, edge, rows):
    retimer, events = Retimer(captured, edge), []
    for number, word in rows:
        events += retimer.feed(number, word)
    return events + retimer.finish()


def sampled(edge, **settings):
    """Return the changes of a simulated machine that was sampled at one edge of its clock, and what was captured."""
    out = io.StringIO()
    simulate(clocked=edge, **settings).write_vcd(out)
    return out.getvalue()


@pytest.mark.parametrize("edge", ["falling", "rising"])
@pytest.mark.parametrize("lines", ["full", "eight"])
@pytest.mark.parametrize("dead", ["", "RFSH", "M1", "RFSH M1", "RFSH M1 RD", "MREQ"])
def test_simulated_machines(edge, lines, dead, tmp_path):
    path = tmp_path / "a.vcd"
    path.write_text(sampled(edge, lines=lines, duration_s=0.004))
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    step = int(np.gcd.reduce(np.diff(times)))
    words |= np.uint64(sum(MASK[name] for name in dead.split()))
    rows = list(zip((times // step).tolist(), words.tolist(), strict=True))
    assert rows[-1][0] > 2 * clocked.GROUP_SAMPLES
    found = one_by_one(channels.captured, edge, rows)
    assert found == in_arrays(channels.captured, edge, rows, 1 << 20) == in_arrays(channels.captured, edge, rows, 50)
    assert len(found) > len(rows)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["falling", "rising"]), st.sampled_from([1.2, 2.0, 40.0]))
def test_strobes_that_no_machine_makes(seed, edge, pace):
    rng = np.random.default_rng(seed)
    captured = EVERY - set(rng.choice(sorted(EVERY - {"CLK"}), int(rng.integers(0, 6)), replace=False).tolist())
    numbers = np.cumsum(rng.geometric(1 / pace, 400)).tolist()
    moves = [sum(1 << BIT[name] for name in rng.choice(["M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "A0"], 2)) for _ in numbers]
    words = np.bitwise_xor.accumulate(np.array(moves, np.int64)).tolist()
    rows = list(zip(numbers, words, strict=True))
    assert one_by_one(captured, edge, rows) == in_arrays(captured, edge, rows, 1)
