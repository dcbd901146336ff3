"""A bus that answers the CPU from a board, and holds each machine cycle against the captured one.

Rules of comparison: kinds as far as the leads tell them; T-states less waits, where a cycle may be longer than due now and then (a bus
master, a stretched clock), never shorter; addresses and data where they were captured. Ports and acknowledges that no lead shows count
to the cycle before them.
"""

from __future__ import annotations

from typing import List, NamedTuple, Tuple

from ..bus.model import KINDS
from .board import ReplayBoard
from .observed import ACCESS, ACKNOWLEDGE, ANY, FETCH, IO_READ, IO_WRITE, NOT_KNOWN, READ, UNKNOWN_KIND, WRITE, Observed
from .unknown import Lost, Unknown, Value, known

T_STATES = {FETCH: 4, READ: 3, WRITE: 3, IO_READ: 4, IO_WRITE: 4, ACKNOWLEDGE: 6}  #: without what follows inside (UM0080)
_ACCEPTS = {kind: {kind, ANY, UNKNOWN_KIND} for kind in T_STATES}
_ACCEPTS[READ].add(ACCESS)
_ACCEPTS[WRITE].add(ACCESS)
_HIDDEN = (IO_READ, IO_WRITE, ACKNOWLEDGE)
STRETCHED_FREE, STRETCHED_SHARE = 2, 0.02  #: cycles that may be longer than due, so many and a share


class Parted(Exception):
    """The capture contradicts the course."""


class End(Exception):
    """The capture has no more cycles."""


class Restarted(Exception):
    """The capture begins anew, at a reset, while the machine is in the middle of an instruction."""


class Predicted(NamedTuple):
    """One machine cycle of a course that the capture shows."""

    row: int
    kind: int
    address: Value
    data: Value


class ComparedBus:
    """The bus between a CPU and a board, beside a capture."""

    def __init__(self, seen: Observed, board: ReplayBoard, begin: int, end: int, loose: bool, resets: Tuple[int, ...]) -> None:
        self.seen, self.board = seen, board
        self.begin = self.at = begin
        self.end = min(end, len(seen))
        self.skips: dict[int, int] = {}  #: cycle -> how many from there on are another bus master's
        self._share = 1.0 if loose else STRETCHED_SHARE
        self._due = NOT_KNOWN  # T-states of the cycle before `at`, as far as the machine has come; NOT_KNOWN: not to be compared
        self._drift = self._stretched = 0
        self._slack = 1 if seen.coarse else 0
        self._log: List[Predicted] = []
        self._hidden: List[Tuple[int, int]] = []
        self._guessed = 0
        self._opcode = 0
        self._resets = frozenset((*seen.resets, *resets))
        self.hides = {kind for kind in _HIDDEN if kind not in seen.shown}
        self.hides |= {kind for kind, strobe in ((WRITE, "WR"), (READ, "RD")) if not {"MREQ", strobe} & seen.captured}

    def internal(self, t_states: int) -> None:
        if self._due != NOT_KNOWN:
            self._due += t_states

    def fetch(self, address: int, refresh: int) -> int:
        self._opcode = opcode = self._read(FETCH, address)  # type: ignore[assignment]
        if isinstance(opcode, Unknown):
            raise Lost
        return opcode

    def read(self, address: Value) -> Value:
        return self._read(READ, address)

    def write(self, address: Value, value: Value) -> None:
        self._write(WRITE, address, value)

    def io_read(self, port: Value) -> Value:
        return self._read(IO_READ, port)

    def io_write(self, port: Value, value: Value) -> None:
        self._write(IO_WRITE, port, value)

    def _read(self, kind: int, address: Value) -> Value:
        row = self._row(kind)
        board, seen = self.board, self.seen
        if row >= 0 and seen.address_mask:
            address = self._compare_address(row, address)
        if kind in (FETCH, READ):
            byte, pin = board.read(KINDS[kind], address)
        else:
            byte, pin = board.port(KINDS[kind], self._answer(address) if kind == IO_READ else Unknown(0, 0xFF))
        if row < 0:
            return byte
        self._log.append(Predicted(row, kind, address, pin))
        mask = seen.data_mask[row]
        if mask:
            got = seen.data[row]
            if isinstance(pin, Unknown):
                if (pin.value ^ got) & mask & ~pin.mask:
                    raise Parted
                if pin.mask & mask:
                    if kind in (FETCH, READ):
                        self._guessed += bin(pin.mask & mask).count("1")
                    pin = known(pin.value | got & mask & pin.mask, pin.mask & ~mask)
                    byte = board.taken(pin)
                    board.bus = pin
                    if isinstance(pin, int) and kind in (FETCH, READ):
                        board.learn(address, pin)
            elif (pin ^ got) & mask:
                raise Parted
        self.at = row + 1
        return byte

    def _answer(self, port: Value) -> Value:
        """Return what is known of what a port answers."""
        shown, open_bits = (port.value, port.mask) if isinstance(port, Unknown) else (port, 0)
        meant = [one for one in self.seen.ports if not (one.address ^ shown) & ~open_bits]
        if not meant:
            return Unknown(0, 0xFF)
        unknown = 0
        for one in meant:
            unknown |= one.unknown | one.value ^ meant[0].value
        return known(meant[0].value & ~unknown, unknown)

    def _write(self, kind: int, address: Value, value: Value) -> None:
        row = self._row(kind)
        board, seen = self.board, self.seen
        if row >= 0 and seen.address_mask:
            address = self._compare_address(row, address)
        if row >= 0 and isinstance(value, Unknown) and board.simple:
            mask = seen.data_mask[row]
            if (value.value ^ seen.data[row]) & mask & ~value.mask:
                raise Parted
            value = known(value.value | seen.data[row] & mask & value.mask, value.mask & ~mask)
        _, pin = board.write(KINDS[kind], address, value)
        if row < 0:
            return
        self._log.append(Predicted(row, kind, address, pin))
        mask = seen.data_mask[row]
        if mask:
            shown, open_bits = (pin.value, pin.mask) if isinstance(pin, Unknown) else (pin, 0)
            if (shown ^ seen.data[row]) & mask & ~open_bits:
                raise Parted
        self.at = row + 1

    def _compare_address(self, row: int, address: Value) -> Value:
        """Compare an address with the captured one; return it, from the capture where the machine does not know it."""
        mask, got = self.seen.address_mask, self.seen.address[row]
        shown = address if self.board.simple else self.board.address_at_pin(address)
        if isinstance(shown, Unknown):
            if (shown.value ^ got) & mask & ~shown.mask:
                raise Parted
            return known(shown.value | got & mask & shown.mask, shown.mask & ~mask) if shown is address else address
        if (shown ^ got) & mask:
            raise Parted
        return address

    def _row(self, kind: int) -> int:
        """Return the captured cycle that a cycle of this kind must be, -1 where no lead shows it. Raises Parted or End."""
        row = self.at
        kinds = self.seen.kinds
        if row in self.skips:
            self.at = row = row + self.skips[row]
            self._due = NOT_KNOWN
        if self.board.timed:
            self.board.at_cycle(row)
        if kind in self.hides and (row >= self.end or kinds[row] != ANY):
            if self._due != NOT_KNOWN:
                self._due += T_STATES[kind]
            self._hidden.append((row - 1, kind))
            return -1
        self._close(row)
        if row >= self.end:
            raise End
        if row in self._resets and row != self.begin and self._due != NOT_KNOWN:
            raise Restarted
        if kinds[row] not in _ACCEPTS[kind]:
            raise Parted
        self._due = T_STATES[kind]
        return row

    def _close(self, row: int) -> None:
        """Compare the length of the cycle before."""
        due = self._due
        if due == NOT_KNOWN or row <= self.begin:
            return
        got = self.seen.t_states[row - 1]
        if got in (due, NOT_KNOWN):
            return
        drift = self._drift + got - due
        if self._slack and -1 <= got - due <= 1 and -1 <= drift <= 1:
            self._drift = drift
            return
        self._drift = 0
        if got < due - self._slack:
            raise Parted
        self._stretched += 1
        if self._stretched > STRETCHED_FREE + self._share * (row - self.begin):
            raise Parted
