"""What memory gave back, against what was written to it and what its ROM images hold."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, List, NamedTuple, Optional, Protocol, Tuple, TypeVar

BANK = 0x4000  #: bytes, the size of a RAM bank of eight 16 Kbit chips: the part that fails as one (common practice)

_Map = TypeVar("_Map", bound="AddressMap")


class AddressMap(Protocol):
    """65536 bits, bit a for address a; a slice of one counts from its own start."""

    def __getitem__(self: _Map, addresses: slice) -> _Map: ...

    def __or__(self: _Map, other: _Map) -> _Map: ...

    def count(self) -> int:
        """Return how many bits are set."""

    def any(self) -> bool:
        """Say whether any bit is set."""


@dataclass
class Levels:
    """Which levels the data lines ever showed in one kind of transfer."""

    transfers: int = 0
    ever_high: int = 0  #: bit i set when D<i> was high in one of them
    always_high: int = 0xFF  #: bit i set when D<i> was high in all of them

    def constant(self, bit: int) -> Optional[int]:
        """Return the level that a line kept in all transfers, None when it moved or nothing was transferred."""
        if not self.transfers:
            return None
        if not self.ever_high >> bit & 1:
            return 0
        return 1 if self.always_high >> bit & 1 else None


@dataclass
class ReadBack:
    """Reads compared with the last write to the same address, for one stretch of memory."""

    start: int
    end: int  #: inclusive
    compared: int = 0
    wrong: int = 0
    #: for each data bit: compared with 0 written, of those read as 1, compared with 1 written, of those read as 0
    bits: List[Tuple[int, int, int, int]] = field(default_factory=list)
    read_ff: int = 0  #: wrong reads that gave FFh
    first_s: Optional[float] = None
    last_s: Optional[float] = None


class Bridged(NamedTuple):
    """Two data lines that may be one, the lower of two levels on both."""

    low: int
    high: int
    wrong: int  #: wrong reads that gave just what such a bridge gives
    differ: int  #: reads whose right byte has the two at different levels: all of them would be wrong


@dataclass
class RomCheck:
    """Reads from one ROM compared with what it should contain."""

    name: str
    start: int
    compared: int = 0
    wrong: int = 0
    wrong_addresses: int = 0
    addresses: int = 0
    flipped_to_1: List[int] = field(default_factory=lambda: [0] * 8)  #: wrong reads by bit: should be 0, read 1
    flipped_to_0: List[int] = field(default_factory=lambda: [0] * 8)
    zeros: List[int] = field(default_factory=lambda: [0] * 8)  #: compared reads by bit whose right level is 0
    ones: List[int] = field(default_factory=lambda: [0] * 8)
    line_explains: Dict[str, int] = field(default_factory=dict)  #: wrong reads that this fault would give, if a third
    first_s: Optional[float] = None
    last_s: Optional[float] = None
    at_times_right: int = 0  #: of the wrong addresses, those that gave the right byte at other times
    line_denies: Dict[str, int] = field(default_factory=dict)  #: addresses that gave the right byte, where this fault would give another
    bridged: Optional[Bridged] = None  #: the data lines that explain most as one
    otherwise: int = 0  #: wrong reads whose address gave another wrong byte before
    commonest: Tuple[int, int] = (0, 0)  #: the byte that the wrong reads gave most often, and how often


class Popped(NamedTuple):
    """One byte of a return address that the stack gave back otherwise than it was pushed."""

    time_s: float
    address: int
    expected: int
    got: int


class Alike(NamedTuple):
    """Addresses that all hold the same byte where one address line, or two that are one, are all that differs between them."""

    lines: Tuple[int, ...]  #: number of the address line; of two neighbours that pull each other low, the lower first
    pairs: int  #: addresses beyond the first of each such group, the commonest byte left out
    values: int  #: different bytes in these groups


@dataclass
class OwnBytes:
    """The bytes of memory that was never written, one of each address, against each other."""

    addresses: int = 0
    values: int = 0  #: different bytes
    ever_high: int = 0  #: bit i set when D<i> is high in one of them
    always_high: int = 0xFF  #: bit i set when D<i> is high in all of them
    equal: List[Tuple[int, int, int]] = field(default_factory=list)  #: (bit, bit, addresses at the rarer level) of data lines always equal
    #: by address bit: pairs of addresses that differ in it alone, the commonest byte left out, and how many of them hold the same byte
    pairs: Dict[int, Tuple[int, int]] = field(default_factory=dict)
    alike: List[Alike] = field(default_factory=list)


@dataclass
class MemoryRecord:
    """What memory gave back."""

    fetched: AddressMap
    read: AddressMap
    written: AddressMap
    mismatched: AddressMap
    reads_rom: Levels  #: reads from pages that were never written
    reads_ram: Levels
    reads_io: Levels
    writes: Levels
    pages: List[ReadBack]  #: pages with a comparison
    reads: int
    reads_ff: int
    reads_00: int
    fetches_at_38: int
    fetches: int
    mirror: Dict[int, int]  #: address bit -> wrong reads that gave what stands at the address with that bit flipped
    mirror_chance: Dict[int, int]  #: address bit -> samples for which that address's content was known
    roms: List[RomCheck]
    values_read: int  #: different bytes that were ever read
    commonest: Tuple[int, int]  #: the byte that was read most often, and how often
    alike: int  #: addresses that were read and hold that byte
    repeated: int  #: reads of an address that was read before, with no write between
    unstable: int  #: of those, the ones that gave another byte
    unstable_bits: List[int]  #: of those, by data bit
    popped: int = 0  #: bytes of return addresses read back from where they were written
    popped_wrong: List[Popped] = field(default_factory=list)  #: of these, the first that differ
    own: OwnBytes = field(default_factory=OwnBytes)  #: of memory that was never written
