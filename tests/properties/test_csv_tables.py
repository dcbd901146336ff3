"""However a table of 0 and 1 is written, and wherever its reader cuts it, the same rows come out."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.capture.records import BitAssignment
from strobewise.capture.scope.reader import ScopeCapture


@st.composite
def tables(draw):
    """Return (samples at rising microseconds), and how they are written."""
    channels = draw(st.integers(2, 9))
    steps = draw(st.lists(st.integers(1, 99), min_size=4, max_size=40))
    values = draw(st.lists(st.integers(0, 2**channels - 1), min_size=len(steps), max_size=len(steps)))
    ways = [(",", ".", ""), (";", ".", ""), (";", ",", ""), ("\t", ",", ""), (",", ",", '"'), (";", ",", '"')]
    separator, mark, quote = draw(st.sampled_from(ways))
    blank = draw(st.sampled_from(["", "", " "]))  # a blank takes the rows the slow way
    end = draw(st.sampled_from(["\n", "\r\n"]))
    head = draw(st.sampled_from([("Time [s]", 0), ("", 0), ("Time (ms)", 3), ("t / µs", 6), ("time_us", 6), ("Zeit [µs]", 6)]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252"]))
    digits = draw(st.integers(6, 12))
    return channels, steps, values, (separator, mark, quote), blank, end, head, encoding, digits, draw(st.integers(30, 400))


@settings(deadline=None)
@given(tables())
def test_the_writing_does_not_matter(table):
    channels, steps, values, (separator, mark, quote), blank, end, (head, decades), encoding, digits, block_bytes = table
    times = [sum(steps[: at + 1]) for at in range(len(steps))]
    lines = [separator.join([head, *(f"X{bit}" for bit in range(channels))])] if head else []
    for time, value in zip(times, values, strict=True):
        stamp = f"{time / 10 ** (6 - decades):.{digits - decades}f}".replace(".", mark)
        cells = [stamp, *(str(value >> bit & 1) for bit in range(channels))]
        lines.append((separator + blank).join(f"{quote}{cell}{quote}" for cell in cells))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_bytes(end.join([*lines, ""]).encode(encoding))
        with ScopeCapture(str(path), block_bytes) as capture:
            bits = [BitAssignment(channel.code, 0, at) for at, channel in enumerate(capture.header.channels)]
            blocks = capture.blocks(bits)
            found = [row for block in blocks for row in zip(block.times.tolist(), block.words.tolist(), strict=True)]
    kept = [at for at in range(len(values)) if at == 0 or values[at] != values[at - 1]]
    expected = [(times[at] * 10**6, values[at]) for at in kept]
    if kept[-1] != len(values) - 1:
        expected.append((times[-1] * 10**6, values[-1]))
    assert found == expected
