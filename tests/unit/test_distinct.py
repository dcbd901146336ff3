"""Values that occur are those that numpy's own function gives."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from strobewise.capture.distinct import distinct


@given(st.lists(st.integers(-3, 3)), st.sampled_from(["i8", "f8", "u2"]))
def test_each_value_once_and_rising(values, dtype):
    array = np.array(values).astype(dtype)
    assert distinct(array).tolist() == np.unique(array).tolist()
    assert distinct(array).dtype == array.dtype
