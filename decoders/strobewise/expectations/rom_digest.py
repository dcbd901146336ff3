"""The bytes of a ROM, as far as they were read, in a form that another capture can be held against wherever both read.

One hexadecimal digit an address, from a hash of the address and its byte: a wrong byte gives another digit fifteen times in sixteen.
The program itself cannot be read from it. A dot stands where nothing was read.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple, Sequence

NOT_READ = "."
DIGITS = frozenset("0123456789abcdef" + NOT_READ)


class RomDigest(NamedTuple):
    """What was read of one stretch of ROM."""

    start: int
    digits: str  #: one an address


class RomAgreement(NamedTuple):
    """How a capture's reads fit a digest."""

    compared: int
    wrong: tuple[int, ...]  #: addresses


def digit(address: int, byte: int) -> str:
    """Return the digit of one byte at its address."""
    return f"{hashlib.sha256(bytes((address >> 8, address & 0xFF, byte))).digest()[0] & 0xF:x}"


def digest_of(start: int, values: Sequence[int]) -> RomDigest:
    """Return the digest of a stretch. values: its bytes; below 0 where none was read, or more than one."""
    return RomDigest(start, "".join(digit(start + at, value) if value >= 0 else NOT_READ for at, value in enumerate(values)))


def compare(digest: RomDigest, values: Sequence[int]) -> RomAgreement:
    """Hold the bytes of all 64 K, below 0 where none was read, against a digest."""
    both = [
        (address, wanted) for address, wanted in enumerate(digest.digits, digest.start) if wanted != NOT_READ and values[address] >= 0
    ]
    return RomAgreement(len(both), tuple(address for address, wanted in both if digit(address, values[address]) != wanted))
