"""What a machine would show, healthy or with a fault, before anybody has captured it: the rhythm of its machine cycles from reset on."""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Optional, Tuple

from .board import ReplayBoard
from .compared import T_STATES
from .observed import ACCESS, ACKNOWLEDGE, FETCH, IO_READ, IO_WRITE, READ, WRITE
from .unknown import Lost, UncertainCpu, Unknown, Value

_KIND_NAMES = {READ: "memory_read", WRITE: "memory_write", IO_READ: "io_read", IO_WRITE: "io_write"}


class Rhythm(NamedTuple):
    """Machine cycles as (kind, T-states), without wait states, from the first fetch on."""

    cycles: Tuple[Tuple[int, int], ...]  #: fewer than were asked for where the machine's way hangs on what nobody knows

    def on_two_leads(self) -> Tuple[Tuple[int, int], ...]:
        """Return what /M1 and /MREQ show: fetches and accesses; ports and acknowledges count to the cycle before them."""
        shown: List[Tuple[int, int]] = []
        for kind, t_states in self.cycles:
            if kind in (IO_READ, IO_WRITE, ACKNOWLEDGE) and shown:
                shown[-1] = shown[-1][0], shown[-1][1] + t_states
            else:
                shown.append((kind if kind == FETCH else ACCESS, t_states))
        return tuple(shown)


class _Recorder:
    """A bus that answers from a board and notes each cycle."""

    def __init__(self, board: ReplayBoard, most: int) -> None:
        self._board, self._most = board, most
        self.cycles: List[List[int]] = []
        self.transfers: List[Tuple[Value, Value]] = []  #: (address, data) of each

    def _note(self, kind: int, address: Value) -> None:
        if len(self.cycles) >= self._most:
            raise _Enough
        self.cycles.append([kind, T_STATES[kind]])
        self.transfers.append((address, Unknown(0, 0xFF)))

    def _moved(self, address: Value, data: Value) -> Value:
        self.transfers[-1] = address, data
        return data

    def internal(self, t_states: int) -> None:
        self.cycles[-1][1] += t_states

    def fetch(self, address: Value, refresh: int) -> int:
        self._note(FETCH, address)
        opcode = self._moved(address, self._board.read("opcode_fetch", address)[0])
        if isinstance(opcode, Unknown):
            raise Lost
        return opcode

    def read(self, address: Value) -> Value:
        self._note(READ, address)
        return self._moved(address, self._board.read(_KIND_NAMES[READ], address)[0])

    def write(self, address: Value, value: Value) -> None:
        self._note(WRITE, address)
        self._moved(address, value)
        self._board.write(_KIND_NAMES[WRITE], address, value)

    def io_read(self, port: Value) -> Value:
        self._note(IO_READ, port)
        return self._board.port(_KIND_NAMES[IO_READ], Unknown(0, 0xFF))[0]

    def io_write(self, port: Value, value: Value) -> None:
        self._note(IO_WRITE, port)
        self._moved(port, value)
        self._board.write(_KIND_NAMES[IO_WRITE], port, value)


class _Enough(Exception):
    pass


def rhythm_from(
    board: ReplayBoard, state: Optional[Tuple[object, ...]], most: int
) -> Iterator[Tuple[int, int, Value, Value]]:
    """Yield (kind, T-states, address, data) of a machine's cycles from a state of the CPU on, from reset where that is None."""
    cpu = UncertainCpu()
    cpu.forget()
    cpu.sp = 0xFFFF
    if state is not None:
        cpu.restore(state)
    bus = _Recorder(board, most)
    try:
        while True:
            cpu.step(bus)  # type: ignore[arg-type]  # as below
    except (_Enough, Lost):
        pass
    for (kind, t_states), (address, data) in zip(bus.cycles, bus.transfers):
        yield kind, t_states, address, data


def predict(board: ReplayBoard, most: int) -> Rhythm:
    """Return the first cycles of a machine from reset on, `most` of them at most; without interrupts."""
    cpu = UncertainCpu()
    cpu.forget()
    cpu.sp = 0xFFFF  # as courses take it where nothing shows it
    bus = _Recorder(board, most)
    try:
        while True:
            cpu.step(bus)  # type: ignore[arg-type]  # its values may have unknown bits, which the CPU's own types do not foresee
    except (_Enough, Lost):
        pass
    return Rhythm(tuple((kind, t_states) for kind, t_states in bus.cycles))
