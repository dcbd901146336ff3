"""The sample grid is found where there is one, and not where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.bus.sampling import FIRST_FIT
from strobewise.capture.grid import estimate_sample_interval
from strobewise.stream import grid as plain

NS = 10**6  # femtoseconds
#: Samples behind each of eight half clocks at which a strobe moves, beside the clock itself.
IN_STEP_PATTERN = ((0,), (0, 3), (0,), (0, 3, 8), (0,), (0,), (0, 3), (0, 3))


def events(seed, closest, count=4000):
    """Return sample numbers of events that are at least `closest` samples apart."""
    rng = np.random.default_rng(seed)
    return np.cumsum(rng.integers(closest, closest * 6 + 8, count))


def exported(samples, interval, rounding=np.floor):
    return rounding(samples * interval).astype(np.int64)


@pytest.mark.parametrize("rounding", [np.floor, np.rint])
@pytest.mark.parametrize("closest", [1, 3, 12])
@pytest.mark.parametrize("interval", [1e3 / 24, 1e2 / 24, 1e4 / 24, 1e3 / 12, 1e3 / 16, 20, 1e3 / 96])
def test_rates_in_use(interval, closest, rounding):
    grid = estimate_sample_interval(exported(events(1, closest), interval, rounding))
    assert grid is not None
    assert grid.interval == pytest.approx(interval, rel=2e-5)
    assert grid.residual <= 0.65
    assert grid.confidence > 0.99


@settings(max_examples=40, deadline=None)
@given(interval=st.floats(4, 5000), closest=st.integers(1, 10), seed=st.integers(0, 1000), start=st.integers(-(10**12), 10**12))
def test_any_interval_of_four_ticks_and_more(interval, closest, seed, start):
    grid = estimate_sample_interval(exported(events(seed, closest), interval) + start)
    assert grid is not None
    assert grid.interval == pytest.approx(interval, rel=1e-4)


@pytest.mark.parametrize("first", [14, 46])
def test_in_step_with_the_clock_each_step_is_rounded_the_same_way(first):
    """1 MHz at 32 MHz: every edge lies a whole number of samples behind one of the clock's, and a step of three samples is always short."""
    behind = [(0, 2) if number % 200 == 0 else IN_STEP_PATTERN[number % 8] for number in range(4000)]
    samples = [first + number * 16 + more for number, each in enumerate(behind) for more in each]
    times = exported(np.array(samples), 31.25, np.rint)
    grid = estimate_sample_interval(times)
    assert grid is not None and grid.interval == pytest.approx(31.25, rel=1e-4)
    assert plain.estimate_sample_interval(times.tolist()) == pytest.approx(31.25, rel=1e-4)


def test_a_tick_that_is_the_sample_interval_is_told_from_the_timescale():
    times = events(3, 2)
    assert estimate_sample_interval(times, 10 * NS) == (1.0, 0.0, 0.5)
    assert estimate_sample_interval(times, 2 * NS) == (1.0, 0.0, 0.5)  # 500 MHz, the fastest that there is
    assert estimate_sample_interval(times, 2 * NS - 1) is None
    assert estimate_sample_interval(times, NS) is None
    assert estimate_sample_interval(np.arange(100), 10 * NS) == (1.0, 0.0, 0.5)  # something at each of them
    assert estimate_sample_interval(times) is None


@pytest.mark.parametrize(
    ("common", "steps", "by_chance"), [(125, (1, 2), 1 / 125), (125, (1, 2, 3), 1 / 125**2), (2, (1, 2), 1 / 2), (2, (1, 2, 5), 1 / 4)]
)  # fmt: skip
def test_a_factor_of_all_times_is_a_grid_as_sure_as_there_are_spans_that_share_it(common, steps, by_chance):
    times = np.cumsum(np.tile(steps, 20)) * common
    assert estimate_sample_interval(times) == (common, 0.0, pytest.approx(1 - by_chance))


def test_ticks_that_all_share_a_decade():
    assert estimate_sample_interval(exported(events(6, 3), 1e3 / 24) * 100).interval == pytest.approx(1e5 / 24, rel=2e-5)
    # A clock of three and a third samples, with one edge left out now and then, is no finer grid of its own.
    clock = np.array([number * 10 // 3 for number in range(4000) if number % 37]) * 10
    assert estimate_sample_interval(clock).interval == 10


def test_a_simulation_is_on_no_grid():
    rng = np.random.default_rng(4)
    clock = np.arange(1, 3000) * 142_857
    strobes = clock[rng.random(len(clock)) < 0.4] + rng.integers(9_000, 90_000, 1)
    scattered = strobes + rng.integers(0, 2_000, len(strobes))
    assert estimate_sample_interval(np.unique(np.concatenate([clock, scattered])), 1000) is None


def test_the_sampling_of_a_lone_clock_is_not_taken_for_its_period():
    times = np.rint(np.arange(3000) * 14.2857).astype(np.int64)
    assert estimate_sample_interval(times, 10 * NS) == (1.0, 0.0, 0.5)


def test_the_end_of_the_capture_need_not_be_a_sample():
    times = exported(events(5, 2, 500), 1e3 / 24)
    times[-1] += 17
    assert estimate_sample_interval(times).interval == pytest.approx(1e3 / 24, rel=2e-5)


@pytest.mark.parametrize("times", [[], [5], list(range(10)), list(range(0, 4000, 7))])
def test_too_little_to_tell(times):
    assert estimate_sample_interval(np.array(times, np.int64)) is None


@pytest.mark.parametrize("times, found", [(FIRST_FIT + 2, True), (FIRST_FIT + 1, False)])
def test_so_many_moments_tell_a_grid(times, found):
    """The last one is not used."""
    at = 30 * np.arange(times) ** 2
    grid = estimate_sample_interval(at)
    assert (grid is not None and grid.interval == 30) is found
    assert plain.estimate_sample_interval(at.tolist()) == (30 if found else None)


@pytest.mark.parametrize("sample_hz, ticks_per_second", [(6_000_000, 10_000_000_000), (8_000_000, 100_000_000)])
def test_a_grid_on_which_nearly_every_sample_holds_an_event_is_found(sample_hz: int, ticks_per_second: int) -> None:
    # A clock sampled less than twice a period changes at nearly every sample; now and then one is passed over.
    samples = [n for n in range(15_000) if n % 37]
    times = np.array([(n * ticks_per_second + sample_hz // 2) // sample_hz for n in samples], dtype=np.int64)
    grid = estimate_sample_interval(times)
    assert grid is not None
    assert grid.interval == pytest.approx(ticks_per_second / sample_hz, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(interval=st.floats(4, 5000), closest=st.integers(1, 10), seed=st.integers(0, 1000), start=st.integers(-(10**12), 10**12))
def test_in_plain_python_it_is_the_same_interval(interval, closest, seed, start):
    times = exported(events(seed, closest, 1500), interval) + start
    grid = estimate_sample_interval(times)
    assert grid is not None
    assert plain.estimate_sample_interval(times.tolist()) == pytest.approx(grid.interval, rel=1e-9)


@pytest.mark.parametrize("scale", [1, 100])
def test_in_plain_python_ticks_that_all_share_a_factor(scale):
    times = (exported(events(6, 3), 1e3 / 24) * scale).tolist()
    assert plain.estimate_sample_interval(times) == pytest.approx(scale * 1e3 / 24, rel=2e-5)


def test_in_plain_python_no_grid_where_there_is_none():
    rng = np.random.default_rng(4)
    clock = np.arange(1, 3000) * 142_857
    scattered = clock[rng.random(len(clock)) < 0.4] + rng.integers(9_000, 90_000, 1)
    times = np.unique(np.concatenate([clock, scattered + rng.integers(0, 2_000, len(scattered))])).tolist()
    assert plain.estimate_sample_interval(times, 1000) is None
    lone = np.rint(np.arange(3000) * 14.2857).astype(np.int64).tolist()
    assert plain.estimate_sample_interval(lone, 10 * NS) == 1.0 and plain.estimate_sample_interval(lone, NS) is None
    for few in ([], [5], list(range(10)), list(range(0, 4000, 7))):
        assert plain.estimate_sample_interval(few) is None
