"""Boards that are not the same all the time: a strobe as its own lead shows it, a ROM that a device switches off."""

from __future__ import annotations

from typing import Optional, Sequence

from ..bus.lines import BIT
from ..machine.board import ASSERTED
from ..machine.faults import fault
from .board import Region, ReplayBoard
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


class PagedBoard(ReplayBoard):
    """A healthy board with a device that switches its ROM off, as the device's own lead shows; nobody knows what the device holds."""

    timed = True

    def __init__(self, regions: tuple[Region, ...], bit: int, active: int, control: Sequence[int]) -> None:
        super().__init__(regions)
        self._bit, self._active, self._control = bit, active, control
        self._roms = [(region.start, region.end) for region in regions if region.kind == "rom"]
        self._overlay: dict[int, int] = {}
        self._off = False

    def at_cycle(self, row: int) -> None:
        """See whether the device has the ROM off in a cycle."""
        at = min(row, len(self._control) - 1)
        self._off = self._control[at] >> self._bit & 1 == self._active

    def learn(self, address: Value, byte: int) -> None:
        """Take note of what the device holds."""
        if self._off and isinstance(address, int) and self._in_rom(address):
            self._overlay[address] = byte
        else:
            super().learn(address, byte)

    def _in_rom(self, address: int) -> bool:
        return any(start <= address <= end for start, end in self._roms)

    def _byte(self, address: int) -> Value:
        if self._off and self._in_rom(address):
            return self._overlay.get(address, Unknown(0, 0xFF))
        return super()._byte(address)


def due_level(kind: str, line: str) -> int:
    """Return the level of a strobe in the middle of a healthy cycle."""
    return int(not ASSERTED[kind] >> BIT[line] & 1)
