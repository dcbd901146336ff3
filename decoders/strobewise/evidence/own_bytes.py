"""The bytes of a ROM against each other: lines that never differ in them, or never move, and addresses that hold the same byte throughout.

No image of the ROM is needed: a program has bytes enough to tell its lines apart (common practice).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, neighbours
from ..records.memory import Alike, OwnBytes

FEWEST_PAIRS = 6  #: fewer say nothing, and are not kept
#: One address line that makes no difference, or two on neighbouring pins that pull each other low.
_SHORT_OF_A_LINE = [(bit,) for bit in range(16)] + [
    (low, high) for low in range(16) for high in range(low + 1, 16) if ADDRESS[high] in neighbours(ADDRESS[low])
]


def own_bytes(content: npt.NDArray[np.int16], known: npt.NDArray[np.bool_]) -> OwnBytes:
    """Return what the bytes say of each other.

    content: int16, shape (65536,), the byte of each address; known: bool, same shape, addresses that count.
    """
    where = np.flatnonzero(known & (content >= 0))
    if not len(where):
        return OwnBytes()
    data = content[where].astype(np.uint8)
    values = np.bincount(data, minlength=256)
    bits = (data[:, None] >> np.arange(8, dtype=np.uint8) & 1).astype(np.int64)
    ones = bits.sum(axis=0)
    equal = [
        (low, high, int(min(ones[low], len(data) - ones[low])))
        for low in range(8) for high in range(low + 1, 8) if np.array_equal(bits[:, low], bits[:, high])
    ]  # fmt: skip
    ever, always = int(np.bitwise_or.reduce(data)), int(np.bitwise_and.reduce(data))
    commonest = int(values.argmax())
    return OwnBytes(
        len(where), int(np.count_nonzero(values)), ever, always, equal, _pairs(content, where, commonest), _alike(where, data, commonest)
    )


def _pairs(content: npt.NDArray[np.int16], where: npt.NDArray[np.intp], commonest: int) -> dict[int, tuple[int, int]]:
    told = np.full(len(content), -1, np.int16)
    told[where] = content[where]
    pairs = {}
    for bit in range(16):
        low = where[where >> bit & 1 == 0]
        own, other = told[low], told[low | 1 << bit]
        counted = (other >= 0) & ((own != commonest) | (other != commonest))
        if counted.any():
            pairs[bit] = int(np.count_nonzero(counted)), int(np.count_nonzero(counted & (own == other)))
    return pairs


def _alike(where: npt.NDArray[np.intp], data: npt.NDArray[np.uint8], commonest: int) -> list[Alike]:
    """Return the lines of which it makes no difference to any byte that they, or two of them, do not reach the memory."""
    found = []
    for lines in _SHORT_OF_A_LINE:
        mask = sum(1 << bit for bit in lines)
        seen = np.where(where & mask == mask, where if len(lines) > 1 else where & ~mask, where & ~mask)
        order = np.argsort(seen, kind="stable")
        seen, own = seen[order], data[order]
        begins = np.r_[True, seen[1:] != seen[:-1]]
        first = own[np.maximum.accumulate(np.where(begins, np.arange(len(own)), 0))]
        counted = ~begins & ((own != commonest) | (first != commonest))
        pairs = int(np.count_nonzero(counted))
        if pairs >= FEWEST_PAIRS and bool((own == first)[counted].all()):
            found.append(Alike(lines, pairs, int(np.count_nonzero(np.bincount(own[counted])))))
    return found
