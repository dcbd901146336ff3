"""A block of a VCD body as arrays: the bytes, and where its words start. Words are what stands between blanks."""

from __future__ import annotations

from typing import NamedTuple, Union

import numpy as np
import numpy.typing as npt

PAD = 16  #: blanks before and behind a block's text, so that a word's neighbourhood can be looked at without a check

Int = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
Words = npt.NDArray[np.uint64]
Volts = npt.NDArray[np.float64]

ZERO, ONE, HASH = 0x30, 0x31, 0x23  #: ASCII
_BLANK = np.uint8(0x20)


class Text(NamedTuple):
    """A block of whole words. Offsets count from the start of `data`."""

    data: Bytes  #: PAD blanks, the text, PAD blanks or more up to a multiple of eight
    ink: int  #: bytes that are no blanks
    starts: Int  #: where each word starts
    first: Bytes  #: each word's first byte
    second: Bytes  #: each word's second byte, a blank for a word of one byte


def padded(words: bytes) -> Bytes:
    """Return text between blanks, as :class:`Text` has it."""
    data = np.full(-(-(len(words) + 2 * PAD) // 8) * 8, _BLANK, np.uint8)
    data[PAD : PAD + len(words)] = np.frombuffer(words, np.uint8)
    return data


def split(data: Bytes) -> Text:
    """Find the words of a padded block. A blank is any byte up to 0x20."""
    ink = data > _BLANK
    before = np.flatnonzero(ink[1:] > ink[:-1])
    first, second = data[1:].take(before), data[2:].take(before)
    before += 1
    return Text(data, int(np.count_nonzero(ink)), before, first, second)


def eights(data: Bytes, at: Int) -> Words:
    """Return the eight bytes that begin at each offset, the first one lowest: two whole words, shifted and joined."""
    aligned = data.view("<u8")
    index = at >> 3
    shift = (at & 7).view(np.uint64)
    shift <<= np.uint64(3)
    low, index = aligned.take(index), np.add(index, 1, out=index)
    high = aligned.take(index)
    low >>= shift
    high <<= np.subtract(np.uint64(64), shift, out=shift)  # a shift by 64 leaves 0
    low |= high
    found: Words = low
    return found


def decimal(eight: Words, width: int) -> tuple[Words, bool]:
    """Return the numbers that the last `width` (1 to 8) of each eight characters write, and whether all are digits. Uses up `eight`.

    The arithmetic works on all eight digits at once: neighbours are joined to pairs, pairs to fours, fours to eight.
    """
    eight ^= _ZEROS
    if width < 8:
        eight &= np.uint64((1 << 64) - (1 << 8 * (8 - width)))
    above = eight + np.uint64(0x0606060606060606)
    above |= eight
    if int(np.bitwise_or.reduce(above)) & 0xF0F0F0F0F0F0F0F0:
        return eight, False
    for factor, shift, mask in _JOINS:
        eight *= factor
        eight >>= shift
        eight &= mask
    return eight, True


def binary(eight: Words, inside: Union[Words, np.uint64]) -> tuple[Words, bool]:
    """Return the numbers 0..255 that eight binary digits each write, the first digit highest, and whether all are 0 or 1.

    inside: 0xFF in each byte that belongs to the value; the others count as 0. Uses up `eight`.
    """
    eight ^= _ZEROS
    eight &= inside
    if int(np.bitwise_or.reduce(eight)) & 0xFEFEFEFEFEFEFEFE:
        return eight, False
    eight *= _GATHER
    eight >>= np.uint64(56)
    return eight, True


_ZEROS = np.uint64(0x3030303030303030)
_JOINS = (
    (np.uint64(10 << 8 | 1), np.uint64(8), np.uint64(0x00FF00FF00FF00FF)),
    (np.uint64(100 << 16 | 1), np.uint64(16), np.uint64(0x0000FFFF0000FFFF)),
    (np.uint64(10000 << 32 | 1), np.uint64(32), np.uint64(0xFFFFFFFF)),
)
_GATHER = np.uint64(0x8040201008040201)  #: brings the lowest bit of byte i to bit 63 - i
