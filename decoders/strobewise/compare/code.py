"""The code that two captures fetch from the same addresses: a spoilt bit shows here, whatever the program did then.

Only opcode fetches count, and only from addresses that were not written and always gave the same byte. Where the code differs in one data
line alone, something spoils that line; where it differs in several, the two may run other programs, or have other memory paged in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..cycles.table import NOT_KNOWN, CycleTable

_FETCH, _WRITE = KIND_INDEX["opcode_fetch"], KIND_INDEX["memory_write"]
FEW_FETCHES = 2  #: fetches that must read differently; a single one may be a spike on a data line


@dataclass(frozen=True)
class Code:
    """The opcode fetches of one capture, by address."""

    byte: npt.NDArray[np.int16]  #: (65536,), the byte that every fetch gave, NOT_KNOWN where none did, or not always the same one
    fetches: npt.NDArray[np.int64]  #: (65536,), how often


class CodeChange(NamedTuple):
    """Where two captures fetch different bytes from the same addresses."""

    addresses: int  #: with another byte
    common: int  #: addresses that both fetch
    first: int  #: lowest of them
    good_byte: int  #: read there
    suspect_byte: int
    bits: int  #: all the bits that differ anywhere
    fetches: int  #: from these addresses, in the capture that has fewer of them

    @property
    def line(self) -> str:
        """The data line that alone differs, empty where there are several."""
        return f"D{self.bits.bit_length() - 1}" if not self.bits & self.bits - 1 else ""

    @property
    def counts(self) -> bool:
        """Whether something spoils one data line, rather than that other code was there."""
        return bool(self.line) and self.fetches >= FEW_FETCHES

    def words(self, good: str = "the good one", suspect: str = "the suspect") -> str:
        """Return the change as half a sentence. good, suspect: what to call the two captures."""
        where = f"{self.addresses} of {self.common} addresses that both fetch, at 0x{self.first:04x} "
        where += f"0x{self.good_byte:02x} in {good} and 0x{self.suspect_byte:02x} in {suspect}"
        return f"{self.line} alone differs in the code: {where}" if self.line else f"the code differs in {where}"


def read_code(cycles: CycleTable) -> Code:
    """Return what the opcode fetches of a capture gave."""
    known = (cycles.address != NOT_KNOWN) & (cycles.data != NOT_KNOWN)
    fetch = np.flatnonzero((cycles.kind == _FETCH) & known)
    address, data = cycles.address[fetch], cycles.data[fetch]
    low, high = np.full(65536, 256, np.int16), np.full(65536, NOT_KNOWN, np.int16)
    np.minimum.at(low, address, data)
    np.maximum.at(high, address, data)
    byte = np.where(low == high, low, np.int16(NOT_KNOWN)).astype(np.int16)
    byte[cycles.address[(cycles.kind == _WRITE) & (cycles.address != NOT_KNOWN)]] = NOT_KNOWN
    return Code(byte, np.bincount(address, minlength=65536))


def code_change(good: Code, suspect: Code) -> CodeChange | None:
    """Return where the two fetch different bytes, None where they do not."""
    both = (good.byte != NOT_KNOWN) & (suspect.byte != NOT_KNOWN)
    other = np.flatnonzero(both & (good.byte != suspect.byte))
    if not len(other):
        return None
    bits = int(np.bitwise_or.reduce(good.byte[other] ^ suspect.byte[other]))
    first = int(other[0])
    fetches = min(int(side.fetches[other].sum()) for side in (good, suspect))
    return CodeChange(len(other), int(both.sum()), first, int(good.byte[first]), int(suspect.byte[first]), bits, fetches)
