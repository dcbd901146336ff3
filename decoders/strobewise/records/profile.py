"""The machine as its profile describes it: what it has where. Read from TOML by strobewise.profile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Optional, Tuple

from ..bus.lines import LINE

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path


@dataclass(frozen=True)
class MemoryRegion:
    """One region of the memory map, both ends included."""

    kind: str  #: one of MEMORY_KINDS
    start: int
    end: int
    file: Optional[Path] = None  #: its contents
    contents: Optional[bytes] = None  #: the bytes of `file`, from `start` on; never longer than the region
    chips: Tuple[str, ...] = ()  #: one for the region, or eight, D0 first

    def __contains__(self, address: object) -> bool:
        return isinstance(address, int) and self.start <= address <= self.end

    def chip(self, bit: int) -> Optional[str]:
        """Return the chip that holds a data bit, None where the profile does not say."""
        if not self.chips:
            return None
        return self.chips[0] if len(self.chips) == 1 else self.chips[bit]


@dataclass(frozen=True)
class ProfileLine:
    """What a profile says about a line: one that the CPU does not have, or the connector pin of any."""

    name: str
    active: Optional[int] = None  #: the level at which it is asserted
    connector_pin: Optional[str] = None


@dataclass(frozen=True)
class Paging:
    """An expansion device that answers opcode fetches from certain addresses."""

    name: str
    fetch_at: Tuple[int, ...]
    responds_on: str = "ROMDIS"
    active: int = 1  #: the level of `responds_on` when it answers
    within_t_states: int = 4
    released_by_fetch_in: Tuple[Tuple[int, int], ...] = ()


class Pass(NamedTuple):
    """Where a line goes through a chip of the board: two points to measure."""

    line: str
    near: Optional[int]  #: pin on the CPU's side, None where the profile does not say
    far: Optional[int]  #: pin on the other side


@dataclass(frozen=True)
class BoardChip:
    """A chip between the CPU and the rest: a buffer, a decoder, a multiplexer."""

    chip: str  #: its position on the board
    kind: str  #: one of BOARD_KINDS
    passes: Tuple[Pass, ...]
    controls: Tuple[Tuple[str, int], ...] = ()  #: what a pin does (direction, enable) and its number

    def passing(self, line: str) -> Optional[Pass]:
        """Return where a line goes through this chip, None where it does not."""
        return next((each for each in self.passes if each.line == line), None)


@dataclass(frozen=True)
class Profile:
    """A machine as its profile describes it."""

    name: str
    clock_hz: Optional[float] = None
    interrupt_period_t_states: Optional[int] = None
    memory: Tuple[MemoryRegion, ...] = ()
    lines: Tuple[ProfileLine, ...] = ()
    paging: Tuple[Paging, ...] = ()
    path: Optional[Path] = None
    stimulus: Optional[str] = None  #: the test program runs there, of this version
    board: Tuple[BoardChip, ...] = ()  #: what its lines go through

    def region(self, address: int) -> Optional[MemoryRegion]:
        """Return the region that an address lies in, None where the profile has none."""
        return next((region for region in self.memory if address in region), None)

    def chips_on(self, lines: Iterable[str]) -> Tuple[BoardChip, ...]:
        """Return the chips of the board that any of these lines goes through, in the profile's order."""
        wanted = set(lines)
        return tuple(chip for chip in self.board if any(each.line in wanted for each in chip.passes))

    def line(self, name: str) -> Optional[ProfileLine]:
        return next((line for line in self.lines if line.name == name), None)

    def active_level(self, name: str) -> Optional[int]:
        """Return the level at which a line is asserted: the profile's word, else the bus table's, else None."""
        line = self.line(name)
        if line is not None and line.active is not None:
            return line.active
        return LINE[name].active_level if name in LINE else None

    def connector_pin(self, name: str) -> Optional[str]:
        line = self.line(name)
        return line.connector_pin if line is not None else None


NOTHING_KNOWN = Profile("")  #: stands for the profile that nobody gave
