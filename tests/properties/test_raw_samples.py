"""Raw samples, however they come in pieces, give what a reader gives that looks at one sample after the other."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from session_files import write_session
from strobewise.bus.volts import INPUT_HIGH_V, INPUT_LOW_V
from strobewise.capture.raw.reader import RawCapture
from strobewise.capture.records import BitAssignment
from strobewise.capture.session.reader import SessionCapture
from strobewise.records.raw import RawForm

BITS = 20
VOLTS = st.sampled_from([0.0, 0.3, 1.4, 2.9, 5.0])


@st.composite
def recordings(draw):
    """Return samples (each held for some time), volts per channel, the assignment, and how the file and its reader cut them."""
    unit = draw(st.sampled_from([0, 1, 2, 3, 5, 8, 9, 17]))
    channels = draw(st.integers(0 if unit == 0 else max(1, unit * 8 - 11), unit * 8))
    analogs = draw(st.integers(1 if unit == 0 else 0, 2))
    held = draw(st.lists(st.tuples(st.integers(0, 2 ** (unit * 8) - 1 if unit else 0), st.integers(1, 9)), min_size=1, max_size=40))
    samples = [value for value, times in held for _ in range(times)]
    volts = [draw(st.lists(VOLTS, min_size=len(samples), max_size=len(samples))) for _ in range(analogs)]
    codes = draw(st.lists(st.integers(0, channels + analogs - 1), max_size=BITS, unique=True))
    targets = draw(st.permutations(range(64)))
    assignment = [BitAssignment(str(code), 0, targets[at], draw(st.booleans())) for at, code in enumerate(codes)]
    cuts = draw(st.lists(st.integers(0, len(samples) * max(unit, 1)), max_size=3))
    return unit, channels, samples, volts, assignment, sorted(cuts), draw(st.integers(1, 60))


def one_by_one(channels, samples, volts, assignment):
    """Return rows (sample, word, unknown) and (edges, high, known, untimed) of each bit, the slow way."""
    levels = [[value >> bit & 1 for value in samples] for bit in range(channels)]
    for course in volts:
        level, decided = None, []
        for value in course:
            level = 0 if value < INPUT_LOW_V else 1 if value > INPUT_HIGH_V else level
            decided.append(level)
        levels.append(decided)
    rows = []
    for at in range(len(samples)):
        word = unknown = 0
        for bit in assignment:
            level = levels[int(bit.code)][at]
            if level is None:
                unknown |= 1 << bit.target_bit
            word |= ((level or 0) ^ bit.inverted) << bit.target_bit
        if not rows or rows[-1][1:] != (word, unknown):
            rows.append((at, word, unknown))
    rows.append((len(samples), *rows[-1][1:]))
    counts = []
    for course in levels:
        known = [level for level in course if level is not None]
        first = len(course) - len(known)
        counts.append((sum(a != b for a, b in pairwise(known)), sum(known), len(course) - first, 0))
    return rows, counts


@settings(deadline=None, max_examples=150)
@given(recordings())
def test_pieces_do_not_matter(recording):
    unit, channels, samples, volts, assignment, cuts, block_bytes = recording
    raw = b"".join(value.to_bytes(unit, "little") for value in samples) if unit else b""
    ends = [0, *(min(cut, len(raw)) for cut in cuts), len(raw)]
    chunks = [raw[a:b] for a, b in pairwise(ends)] if unit else []
    analog = [(f"v{at}", [np.array(course, "<f4").tobytes()]) for at, course in enumerate(volts)]
    with TemporaryDirectory() as folder:
        path = write_session(Path(folder) / "a.sr", [f"c{at}" for at in range(channels)], chunks, analog, "1 GHz", unit)
        expected = one_by_one(channels, samples, volts, assignment)
        with SessionCapture(str(path), block_bytes) as capture:
            check(capture, assignment, expected, len(samples))
        if unit and not volts:
            (Path(folder) / "a.raw").write_bytes(raw + b"\0" * (unit - 1))
            form = RawForm(Fraction(10**9), unit, tuple((f"c{at}", at) for at in range(channels)))
            with RawCapture(str(Path(folder) / "a.raw"), form, block_bytes) as capture:
                check(capture, assignment, expected, len(samples))
                assert len(capture.warnings) == (unit > 1)


def check(capture, assignment, expected, samples):
    """Hold what a reader gives against rows and counts."""
    found = []
    for block in capture.blocks(assignment):
        unknown = np.zeros(len(block.times), np.uint64) if block.unknown is None else block.unknown
        found += zip(block.times.tolist(), block.words.tolist(), unknown.tolist(), strict=True)
    rows, counts = expected
    assert found == rows
    told = capture.channel_statistics()
    assert [tuple(told[str(at), 0]) for at in range(len(counts))] == counts
    assert (capture.start_time, capture.end_time) == (0, samples)
