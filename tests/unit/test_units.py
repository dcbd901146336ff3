"""Quantities in the words of the bench."""

from __future__ import annotations

import pytest

from strobewise.bus.units import per_cent, time_words


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0, "0"), (0.000_234, "0.023"), (0.0346, "3.5"), (0.0951, "9.5"), (0.0974, "9.7"), (0.0996, "10"), (0.1, "10"), (0.104, "10"),
        (0.42, "42"), (0.994, "99"), (0.996, "100"), (1, "100"),
    ],
)  # fmt: skip
def test_per_cent_have_two_digits(share, said):
    assert per_cent(share) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 ns"), (41.67e-9, "41.7 ns"), (999.4e-9, "999 ns"), (999.6e-9, "1 µs"), (999.6e-6, "1 ms"), (0.9994, "999 ms"),
        (0.9996, "1 s"), (-2.5e-6, "-2.5 µs"), (12.3456, "12.346 s"),
    ],
)  # fmt: skip
def test_a_time_is_said_in_the_unit_in_which_it_is_short(seconds, said):
    assert time_words(seconds) == said
