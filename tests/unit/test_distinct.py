"""What numpy's own functions give, without what they load."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from strobewise.capture.distinct import distinct, median, one_of


@given(st.lists(st.integers(-3, 3)), st.sampled_from(["i8", "f8", "u2"]))
def test_each_value_once_and_rising(values, dtype):
    array = np.array(values).astype(dtype)
    assert distinct(array).tolist() == np.unique(array).tolist()
    assert distinct(array).dtype == array.dtype


@given(st.lists(st.floats(-1e6, 1e6), min_size=1))
def test_the_middle_value(values):
    assert median(np.array(values)) == np.median(values)


@given(st.lists(st.integers(-1, 5)), st.lists(st.integers(-1, 5)), st.sampled_from(["i2", "i8"]))
def test_one_of_a_few(values, choices, dtype):
    array = np.array(values, dtype)
    assert one_of(array, choices).tolist() == np.isin(array, choices).tolist()
