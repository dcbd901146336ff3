"""What a capture says, in the form that the model can be run on: machine cycles as numbers to compare, and a bus that answers from them."""

from __future__ import annotations

from typing import List, NamedTuple, Tuple

from ..bus.model import KIND_INDEX

FETCH, READ, WRITE, IO_READ, IO_WRITE, ACK = (
    KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "io_read", "io_write", "interrupt_acknowledge")
)
_READ, _WRITE, _IO_READ, _IO_WRITE, _ACK = (kind << 16 for kind in (READ, WRITE, IO_READ, IO_WRITE, ACK))

# A row's key is address | kind << 16 | flags << 24, so that one comparison settles the ordinary case; -1 where something is not known.
FLAG_SHIFT = 24
BREAK = 1  #: something is missing before the row: samples lost, a reset, a cycle cut short
IN_HALT = 2  #: the row is a fetch of a halted CPU
NMI_RESPONSE = 4  #: the row is the fetch with which the CPU answers an /NMI


class PredictionRows(NamedTuple):
    """Machine cycles as columns of one length; bus grants are left out."""

    key: List[int]
    data: List[int]  #: byte, -1 where not known
    internal: List[int]  #: T-states beyond the least of each row's kind, summed up over the rows before it
    untimed: List[bool]  #: the row's length is not known
    start: List[int]  #: ticks

    def joined(self, other: PredictionRows) -> PredictionRows:
        """Return these rows and others behind them."""
        if not self.key:
            return other
        shift = self.internal[-1] - other.internal[0]  # sums of the two may start anywhere: the seam row's own time is lost
        internal = self.internal + [value + shift for value in other.internal]
        untimed = [*self.untimed[:-1], True, *other.untimed]
        return PredictionRows(self.key + other.key, self.data + other.data, internal, untimed, self.start + other.start)

    def tail(self, at: int) -> PredictionRows:
        """Return the rows from one on."""
        return PredictionRows(self.key[at:], self.data[at:], self.internal[at:], self.untimed[at:], self.start[at:])


EMPTY_ROWS = PredictionRows([], [], [], [], [])


class Derailed(Exception):
    """The bus shows another kind of cycle than the instruction calls for."""


class Blind(Exception):
    """The capture does not say what the bus showed."""


class CaptureBus:
    """Answers the model from the rows, and notes what differs as (row, what, expected, found)."""

    def __init__(self) -> None:
        self.k = 0  #: the next row
        self.key: List[int] = []
        self.data: List[int] = []
        self.internal_t = 0  #: internal T-states that the model has asked for
        self.differences: List[Tuple[int, str, int, int]] = []
        self.written: List[int] = []  #: rows of writes that were compared

    def fetch(self, address: int, refresh: int) -> int:
        """Opcode fetch."""
        k = self.k
        if self.key[k] != address:
            self._differs(k, FETCH, address)
        self.k = k + 1
        return self.data[k]

    def acknowledge(self, address: int, refresh: int) -> int:
        """Interrupt acknowledge."""
        k = self.k
        if self.key[k] != _ACK | address:
            self._differs(k, ACK, address)
        self.k = k + 1
        return self.data[k]

    def read(self, address: int) -> int:
        """Memory read."""
        k = self.k
        if self.key[k] != _READ | address:
            self._differs(k, READ, address)
        self.k = k + 1
        return self.data[k]

    def write(self, address: int, value: int) -> None:
        """Memory write."""
        k = self.k
        if self.key[k] != _WRITE | address:
            self._differs(k, WRITE, address)
        if self.data[k] != value:
            self.differences.append((k, "data", value, self.data[k]))
        self.written.append(k)
        self.k = k + 1

    def io_read(self, port: int) -> int:
        """I/O read."""
        k = self.k
        if self.key[k] != _IO_READ | port:
            self._differs(k, IO_READ, port)
        self.k = k + 1
        return self.data[k]

    def io_write(self, port: int, value: int) -> None:
        """I/O write."""
        k = self.k
        if self.key[k] != _IO_WRITE | port:
            self._differs(k, IO_WRITE, port)
        if self.data[k] != value:
            self.differences.append((k, "data", value, self.data[k]))
        self.written.append(k)
        self.k = k + 1

    def internal(self, t_states: int) -> None:
        """Internal T-states."""
        self.internal_t += t_states

    def _differs(self, k: int, kind: int, address: int) -> None:
        key = self.key[k]
        if key < 0 or key >> FLAG_SHIFT:
            raise Blind
        if key >> 16 != kind:
            self.differences.append((k, "kind", kind, key >> 16))
            raise Derailed
        self.differences.append((k, "address", address, key & 0xFFFF))
