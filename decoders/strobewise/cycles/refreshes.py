"""Which requests a refresh follows, and which stretches of time touch each other: arrays in, arrays out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT
from .pulses import Int
from .requests import LINE_BARE, Requests

M1, RD, RFSH = (np.uint16(1 << BIT[name]) for name in ("M1", "RD", "RFSH"))


def touching(spans: list[tuple[int, int]], low: Int, high: Int) -> npt.NDArray[np.bool_]:
    """Say which stretches, low to high, touch one of the spans; those are in order and apart, and there is one at least."""
    starts, ends = np.array(spans, np.int64).T
    after = np.searchsorted(ends, low, "right")  # the first that ends behind the stretch's beginning
    return np.asarray((after < len(starts)) & (starts[np.minimum(after, len(starts) - 1)] < high))


def every_other(candidate: npt.NDArray[np.bool_], first_was: bool) -> npt.NDArray[np.bool_]:
    """Return the candidates but those directly behind one that stays: a refresh is never the refresh of a refresh.

    first_was: the request before the first was a refresh.
    """
    if not ((candidate[1:] & candidate[:-1]).any() or (first_was and candidate[:1].any())):
        return candidate  # as on every bus in order
    index = np.arange(len(candidate))
    start = np.maximum.accumulate(np.where(candidate, -1, index))  # the last request before each run of candidates
    place = index - start - 1
    if first_was:
        place[start < 0] += 1
    return np.asarray(candidate & (place % 2 == 0))


def followers(requests: Requests, refresh: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Say which requests a refresh follows, and in which of those /M1 is still asserted then."""
    followed = np.zeros(len(requests), np.bool_)
    m1_late = np.zeros(len(requests), np.bool_)
    followed[:-1] = refresh[1:]
    m1_late[:-1] = refresh[1:] & (requests.control[1:] & M1 == 0)
    bare = requests.line == LINE_BARE
    if bare.any():  # where /MREQ does not show the refresh, /RFSH behind the release does
        followed |= bare & (requests.control & RD == 0) & (requests.after & RFSH == 0)
        m1_late |= bare & (requests.after & M1 == 0)
    return followed, m1_late
