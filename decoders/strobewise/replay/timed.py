"""Boards that are not the same all the time: a strobe as its own lead shows it, a ROM that a device switches off."""

from __future__ import annotations

from typing import Optional, Sequence

from ..bus.lines import BIT
from ..machine.board import ASSERTED
from ..machine.faults import Fault, fault
from ..records.profile import Paging
from .board import Region, ReplayBoard
from .known import Program
from .observed import Observed
from .unknown import Unknown, Value


class LeadBoard(ReplayBoard):
    """A board that sees one strobe as its lead shows it in each captured cycle, whatever the CPU means: dead, floating, now and then."""

    timed = True

    def __init__(self, regions: tuple[Region, ...], line: str, control: Sequence[int], undriven: Optional[str]) -> None:
        """control: levels of the control lines in the middle of each captured cycle's strobe."""
        super().__init__(regions, fault("dead-high", line=line, at="cpu"), undriven)
        self.simple = False
        self._bit, self._control = BIT[line], control
        field = line.lower()
        self._forced = tuple({kind: seen._replace(**{field: low}) for kind, seen in self.seen.items()} for low in (True, False))

    def at_cycle(self, row: int) -> None:
        """See the strobe as the capture has it in a cycle."""
        at = min(row, len(self._control) - 1)
        self.seen = self._forced[self._control[at] >> self._bit & 1]


class DeviceBoard(ReplayBoard):
    """A board with a device that switches its ROM off at the fetches that the profile names; nobody knows what the device holds.

    What it holds, as far as the capture shows it, and whether it has the ROM off are kept beside the RAM: both are taken back with it.
    """

    _OFF, _OVERLAY = -2, 0x10000  #: keys in `ram`: of whether the ROM is off, and of the device's first byte

    def __init__(
        self, regions: tuple[Region, ...], paging: Paging, fault: Optional[Fault] = None, undriven: Optional[str] = None
    ) -> None:
        super().__init__(regions, fault, undriven)
        self._triggers, self._released_by = frozenset(paging.fetch_at), paging.released_by_fetch_in
        self._roms = [(region.start, region.end) for region in regions if region.kind == "rom"]

    def read(self, kind: str, address: Value) -> tuple[Value, Value]:
        """Answer a fetch or a memory read; the byte of the fetch that ends the device's turn still is the device's."""
        if kind != "opcode_fetch" or not isinstance(address, int):
            return super().read(kind, address)
        if address in self._triggers:
            self._set(self._OFF, 1)
        answer = super().read(kind, address)
        if self._is_off() and any(first <= address <= last for first, last in self._released_by):
            self._set(self._OFF, 0)
        return answer

    def learn(self, address: Value, byte: int) -> None:
        """Take note of what the device holds."""
        if self._is_off() and isinstance(address, int) and self._in_rom(address):
            self._set(self._OVERLAY + address, byte)
        else:
            super().learn(address, byte)

    @property
    def led_away(self) -> bool:
        """Whether the device's program runs in place of the ROM's."""
        return self._is_off()

    def forget_ram(self) -> None:
        """Take all RAM for unknown, not the device."""
        device = {key: value for key, value in self.ram.items() if key < 0 or key >= self._OVERLAY}
        super().forget_ram()
        self.ram.update(device)

    def _is_off(self) -> bool:
        return self.ram.get(self._OFF) == 1

    def _in_rom(self, address: int) -> bool:
        return any(start <= address <= end for start, end in self._roms)

    def _byte(self, address: int) -> Value:
        if self._is_off() and self._in_rom(address):
            return self.ram.get(self._OVERLAY + address, Unknown(0, 0xFF))
        return super()._byte(address)


class PagedBoard(DeviceBoard):
    """A board whose device switches the ROM off as its own lead shows, whatever the profile says of its fetches."""

    timed = True

    def __init__(
        self, regions: tuple[Region, ...], paging: Paging, control: Sequence[int], fault: Optional[Fault] = None,
        undriven: Optional[str] = None,
    ) -> None:  # fmt: skip
        """control: levels of the control lines in the middle of each captured cycle's strobe."""
        super().__init__(regions, paging, fault, undriven)
        self._triggers, self._released_by = frozenset(), ()
        self._bit, self._active, self._control = BIT[paging.responds_on], paging.active, control
        self._off = False

    def at_cycle(self, row: int) -> None:
        """See whether the device has the ROM off in a cycle."""
        at = min(row, len(self._control) - 1)
        self._off = self._control[at] >> self._bit & 1 == self._active

    def _is_off(self) -> bool:
        return self._off


def board_for(seen: Observed, program: Program, fault: Optional[Fault] = None, undriven: Optional[str] = None) -> ReplayBoard:
    """Return a machine's board, healthy or with a fault, and with its expansion device where the profile tells of one."""
    for paging in program.paging:
        if paging.responds_on in seen.captured and paging.responds_on in BIT:
            return PagedBoard(program.regions, paging, seen.control, fault, undriven)
        return DeviceBoard(program.regions, paging, fault, undriven)
    return ReplayBoard(program.regions, fault, undriven)


def due_level(kind: str, line: str) -> int:
    """Return the level of a strobe in the middle of a healthy cycle."""
    return int(not ASSERTED[kind] >> BIT[line] & 1)
