"""A capture written anew is the same capture: same edges in the same order, none moved by more than half a sample."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.grid import estimate_sample_interval
from strobewise.capture.rewrite import Plan, plan, timescale_text, write

FS = {"ps": 10**3, "ns": 10**6}


def rewritten(path) -> tuple[Plan, bytes]:
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        made = plan(capture, channels)
        out = io.BytesIO()
        write(capture, channels, made, out)
    return made, out.getvalue()


def edges(path) -> list[tuple[float, int, int]]:
    """Return (seconds, bit, level) of every change, from the packed words."""
    found = []
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        before = None
        for block in capture.blocks(channels.assignments):
            for time, word in zip(block.times.tolist(), block.words.tolist(), strict=True):
                if before is not None:
                    changed = word ^ before
                    found += [(time * capture.header.timescale_fs, b, word >> b & 1) for b in range(64) if changed >> b & 1]
                before = word
    return found


def capture_text(timescale: str, samples: list[int], names=("M1", "MREQ"), vector: str = "") -> str:
    """A capture whose channels toggle in turn at the given ticks."""
    ids = "".join(f"$var wire 1 {chr(33 + i)} {name} $end\n" for i, name in enumerate(names))
    lines = [
        f"$timescale {timescale} $end\n{ids}{vector}$enddefinitions $end\n#0 " + " ".join(f"0{chr(33 + i)}" for i in range(len(names)))
    ]
    levels = [0] * len(names)
    for count, time in enumerate(samples):
        channel = count % len(names)
        levels[channel] ^= 1
        lines.append(f"#{time} {levels[channel]}{chr(33 + channel)}")
    return "\n".join(lines) + "\n"


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from([(41.6667, "1 ns"), (416.667, "100 ps"), (20.0, "1 ns"), (2.0, "10 ns"), (50.0, "1 ns"), (1.0, "100 ns")]),
    st.lists(st.integers(1, 40), min_size=60, max_size=200),
)
def test_no_edge_is_lost_or_moved_by_more_than_half_a_sample(tmp_path_factory, grid, steps):
    ticks_per_sample, timescale = grid
    samples = np.cumsum(steps)
    path = tmp_path_factory.mktemp("rewrite") / "x.vcd"
    path.write_text(capture_text(timescale, [round(s * ticks_per_sample) for s in samples.tolist()]))
    made, text = rewritten(path)
    again = path.with_name("y.vcd")
    again.write_bytes(text)
    old, new = edges(path), edges(again)
    assert [e[1:] for e in new] == [e[1:] for e in old]
    number, unit = timescale.split()
    sample_fs = ticks_per_sample * int(number) * FS[unit]
    shift = max(abs(a[0] - b[0]) for a, b in zip(old, new, strict=True))
    assert shift <= made.changes.largest_shift_fs <= sample_fs / 2
    assert made.changes.lost_edges == 0


def test_a_fine_timescale_becomes_the_coarsest_that_keeps_the_grid(tmp_path):
    path = tmp_path / "x.vcd"
    steps = np.random.default_rng(1).integers(1, 9, 400)
    path.write_text(capture_text("100 ps", [round(s * 416.667) for s in np.cumsum(steps).tolist()]))
    made, text = rewritten(path)
    assert b"$timescale 10 ns $end" in text
    assert made.sample_interval_fs == pytest.approx(41_666_700, rel=1e-3)
    assert made.changes.largest_shift_fs <= 5_000_000


@pytest.mark.parametrize(
    ("sample_ns", "timescale"),
    [(250, "10 ns"), (500, "100 ns"), (125, "10 ns"), (62.5, "10 ns"), (25, "1 ns"), (400, "100 ns"), (100, "100 ns")],
)
def test_a_reader_of_the_new_capture_finds_the_sample_grid_again(tmp_path, sample_ns, timescale):
    path, again = tmp_path / "x.vcd", tmp_path / "y.vcd"
    steps = np.random.default_rng(3).integers(1, 5, 2000)
    path.write_text(capture_text("100 ps", [round(s * sample_ns * 10) for s in np.cumsum(steps).tolist()]))
    made, text = rewritten(path)
    assert f"$timescale {timescale} $end".encode() in text and made.changes.lost_edges == 0
    again.write_bytes(text)
    with open_capture(str(again)) as capture:
        blocks = capture.blocks(map_channels(capture.header.channels).assignments)
        grid = estimate_sample_interval(np.concatenate([block.times for block in blocks]), capture.header.timescale_fs)
    assert grid is not None and grid.interval * capture.header.timescale_fs == pytest.approx(sample_ns * FS["ns"], rel=1e-3)


def test_edges_off_any_grid_are_all_kept(tmp_path):
    path = tmp_path / "x.vcd"
    times = np.cumsum(np.random.default_rng(2).integers(1, 60_000, 300)).tolist()
    path.write_text(capture_text("1 ps", times))
    made, text = rewritten(path)
    again = tmp_path / "y.vcd"
    again.write_bytes(text)
    assert made.sample_interval_fs is None
    assert [e[1:] for e in edges(again)] == [e[1:] for e in edges(path)]


def test_a_simulations_skews_do_not_make_a_huge_capture(tmp_path):
    path = tmp_path / "x.vcd"
    times = [t + skew for t in range(250_000, 10**10, 2_500_000) for skew in (0, 3)]  # two channels, 3 ps apart, 10 ms
    path.write_text(capture_text("1 ps", times))
    made, text = rewritten(path)
    again = tmp_path / "y.vcd"
    again.write_bytes(text)
    for bit in (1, 2):
        assert [e[2] for e in edges(again) if e[1] == bit] == [e[2] for e in edges(path) if e[1] == bit]
    assert made.samples <= 100_000_000 and made.changes.lost_edges == 0


def test_buses_become_channels_and_names_become_safe(tmp_path):
    path = tmp_path / "x.vcd"
    vector = "$var wire 8 V DATA [7:0] $end\n$var wire 1 W odd:name,x $end\n"
    path.write_text(capture_text("10 ns", [3, 9, 12], vector=vector) + "#13 b10100101 V\n#20 1W\n#30\n")
    _, text = rewritten(path)
    names = [line.split()[4] for line in text.decode().splitlines() if line.startswith("$var")]
    assert names == ["M1", "MREQ", *(f"D{i}" for i in range(8)), "odd_name_x"]
    assert b"b1" not in text.split(b"$enddefinitions")[1]
    assert text.endswith(b"\n#30\n")


def test_the_last_change_is_followed_by_a_closing_timestamp(tmp_path):
    path = tmp_path / "x.vcd"
    path.write_text(capture_text("10 ns", [3, 9, 12]))
    _, text = rewritten(path)
    assert text.endswith(b"#12 0!\n#13\n")


def test_unknown_values_hold_the_level_before_and_are_inactive_first(tmp_path):
    path = tmp_path / "x.vcd"
    header = '$timescale 10 ns $end\n$var wire 1 ! M1 $end\n$var wire 1 " CLK $end\n$enddefinitions $end\n'
    path.write_text(header + '#0 x! 0"\n#5 0!\n#8 z!\n#9 1!\n#20\n')
    made, text = rewritten(path)
    body = text.decode().split("$enddefinitions $end\n")[1]
    assert body == '#0 0! 1"\n#5 0"\n#9 1"\n#20\n'
    assert made.changes.unknown_values == 2


@pytest.mark.parametrize(("tick", "text"), [(1, "1 fs"), (10**5, "100 ps"), (10**7, "10 ns"), (10**15, "1 s")])
def test_timescales(tick, text):
    assert timescale_text(tick) == text
