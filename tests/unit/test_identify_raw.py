"""Channels without names as the first look sees them: which is a clock, and which frames the requests as /MREQ does."""

from __future__ import annotations

import numpy as np
import pytest

from strobewise.identify.raw import Raw, find_clock, find_frame

T = 20  #: ticks


def raw_of(*edges, sample=1.0):
    """Return channels that are high at first; edges: for each channel, the ticks at which it changes."""
    times = np.unique(np.concatenate([[0], *edges]))
    words = np.full(len(times), (1 << len(edges)) - 1, np.uint64)
    for channel, at in enumerate(edges):
        flips = np.cumsum(np.isin(times, at)) & 1
        words ^= flips.astype(np.uint64) << np.uint64(channel)
    return Raw(times, words, len(edges), sample)


def clock(edges, step=10, odd=()):
    steps = np.full(edges, step)
    steps[list(odd)] *= 3
    return np.cumsum(steps)


@pytest.mark.parametrize(
    ("edges", "found"),
    [
        ((clock(128),), [0]),
        ((clock(127),), []),  # fewer than 64 periods
        ((clock(2000, 10), clock(4000, 5)), [1, 0]),  # the fastest first
        ((clock(600, odd=range(10, 600, 120)),), [0]),  # five pauses in 299 periods
        ((clock(600, odd=range(10, 600, 101)),), []),  # six: more than one in fifty
    ],
)
def test_a_channel_whose_edges_come_regularly_is_a_clock(edges, found):
    assert [channel for _, channel in find_clock(raw_of(*edges))] == found


def requests(program):
    """Return the edges of /MREQ in fetches (F) and reads (R), as UM0080's timing figures have them."""
    edges, start = [], T
    for kind in program:
        places = (0.5, 2.0, 2.5, 3.5) if kind == "F" else (0.5, 2.5)
        edges += [start + int(place * T) for place in places]
        start += T * (4 if kind == "F" else 3)
    return np.array(edges)


@pytest.mark.parametrize(
    ("program", "found"),
    [
        ("F" * 30, True),
        ("F" * 29 + "R", False),  # 59 pulses
        ("F" * 20 + "R" * 20, True),
        ("F" * 19 + "R" * 22, False),  # nineteen fetches
        ("FRR" * 20, True),
        ("R" * 80, False),
    ],
)
def test_the_channel_with_the_pairs_of_a_fetch_frames_the_requests(program, found):
    frame = find_frame(raw_of(requests(program)))
    assert (frame is not None) is found
    if frame is not None:
        assert frame.t == pytest.approx(T) and int(frame.fetch.sum()) == int(frame.refresh.sum()) == program.count("F")
        assert int(frame.data.sum()) == program.count("R")


def test_of_two_channels_that_fit_the_one_with_the_most_pulses_frames_the_requests():
    """A selected chip sees the same pulses, but not all of them; a clock none that would do."""
    program = "FRF" * 40
    everything = requests(program)
    in_rom = everything[everything < everything[-1] * 2 // 3]
    frame = find_frame(raw_of(in_rom[: len(in_rom) // 2 * 2], everything, clock(3000)))
    assert frame is not None and frame.channel == 1
