"""Rows of a CSV in which every column but the first is 0 or 1, read whole blocks at a time."""

from __future__ import annotations

from typing import Optional

import numpy as np
import numpy.typing as npt

Octets = npt.NDArray[np.uint8]
_ZERO, _LINE_FEED, _RETURN, _COMMA, _POINT, _UNDERSCORE = b"0\n\r,._"
_LONGEST_NUMBER = 40  #: characters: a longer one is left to the slow way, which reads any


def read_levels(text: bytes, separator: str, width: int, has_time: bool, decimal_comma: bool) -> Optional[npt.NDArray[np.float64]]:
    """Return the numbers of whole lines, float64 (n, width), None where the lines are not all of that plain kind.

    has_time: the first column is a number of any length. All other cells are 0 or 1, without blanks, and all lines end alike.
    """
    octets = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(octets == _LINE_FEED)
    levels = width - has_time
    if not len(ends) or ends[-1] != len(octets) - 1 or levels < 1:
        return None
    stops = ends - (octets[max(int(ends[0]) - 1, 0)] == _RETURN)
    begins = np.concatenate([[0], ends[:-1] + 1])
    cells = stops - (2 * levels - 1)  # where the first 0 or 1 of each line stands
    if (cells < begins).any() or (not has_time and (cells != begins).any()) or (stops != ends).any() != (octets[stops] == _RETURN).all():
        return None
    tail = octets[cells[:, None] + np.arange(2 * levels - 1)]
    digits = tail[:, 0::2] - np.uint8(_ZERO)
    if (digits > 1).any() or (tail[:, 1::2] != ord(separator)).any():
        return None
    samples = np.empty((len(ends), width))
    samples[:, int(has_time) :] = digits
    if has_time:
        if (octets[cells - 1] != ord(separator)).any():
            return None
        numbers = _numbers(octets, begins, cells - 1, decimal_comma)
        if numbers is None:
            return None
        samples[:, 0] = numbers
    return samples


def _numbers(
    octets: Octets, begins: npt.NDArray[np.int64], ends: npt.NDArray[np.int64], decimal_comma: bool
) -> Optional[npt.NDArray[np.float64]]:
    """Return the numbers that stand from `begins` up to `ends`."""
    lengths = ends - begins
    longest = int(lengths.max())
    if not 0 < longest <= _LONGEST_NUMBER or lengths.min() < 1:
        return None
    places = np.arange(longest)
    characters = octets[np.minimum(begins[:, None] + places, len(octets) - 1)]
    characters[places >= lengths[:, None]] = 0
    if decimal_comma:
        characters[characters == _COMMA] = _POINT
    if (characters == _UNDERSCORE).any():
        return None
    try:
        numbers: npt.NDArray[np.float64] = characters.view(f"S{longest}").reshape(-1).astype(np.float64)
        return numbers
    except ValueError:
        return None
