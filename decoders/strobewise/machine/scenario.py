"""Scenarios: a machine, what is wrong with it, and how it is captured. Plain records with healthy defaults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..bus.lines import ADDRESS, CONTROL, DATA
from ..records.profile import MemoryRegion, Paging, Profile
from .board import Port, WaitRule
from .faults import Fault
from .programs import program
from .vcd_text import Dialect

#: Sets of lines that a clip lead or two can reach, by name.
LINE_SETS: dict[str, tuple[str, ...]] = {
    "full": tuple(name for name in CONTROL if name != "ROMDIS") + ADDRESS + DATA,
    "full_port": CONTROL[:-1] + ADDRESS + DATA + ("ROMDIS",),
    "control": tuple(name for name in CONTROL if name != "ROMDIS"),
    "sixteen": ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "WAIT", *DATA),
    "eight": ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "RESET"),
    "two": ("M1", "MREQ"),
}

GENERIC = Profile(
    name="generic machine",
    clock_hz=3_276_800,
    interrupt_period_t_states=9_100,
    memory=(MemoryRegion("rom", 0x0000, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)),
)
GENERIC_PAGING = Paging("lodger", (0x0058, 0x01D4, 0x0066), released_by_fetch_in=((0x1F40, 0x1F4F),))


@dataclass(frozen=True)
class Cpu:
    """The CPU's speed grade and how much of its allowed delays it uses."""

    grade_mhz: int = 4
    delay_fraction: float = 0.6
    cmos: bool = False


@dataclass(frozen=True)
class BoardOptions:
    """What the board adds."""

    pull_ups: bool = True  #: on the data bus; without them an undriven bus keeps its last level
    access_ns: float | None = None  #: from the read strobe to valid data; None: a third of a clock period, at most 150 ns
    retention_ms: float = 2.0  #: how long the RAM's cells hold without refresh (only looked at when refresh is disturbed)
    reset_t_states: int = 24
    interrupt_hold_t_states: int = 40
    vector: int = 0xFF
    duty: float = 0.5
    jitter_ns: float = 0.0
    ports: tuple[Port, ...] = (Port(0x00FF, 0x0043, 0xB7), Port(0x00FF, 0x009C, 0x00, latch=True))
    waits: tuple[WaitRule, ...] = ()


@dataclass(frozen=True)
class Press:
    """An input pulled low by hand or by a device."""

    line: str
    at_s: float
    hold_s: float = 0.0001


@dataclass(frozen=True)
class BusRequest:
    """A bus master's habit."""

    first_t_states: int
    period_t_states: int | None = None
    hold_t_states: int = 60


@dataclass(frozen=True)
class CaptureOptions:
    """How the analyser is clipped on and set."""

    lines: tuple[str, ...] = LINE_SETS["full"]
    names: str = "plain"  #: one of vcd_text.NAMING, or "channels"
    sample_hz: int = 24_000_000
    start_s: float = 0.0
    duration_s: float = 0.003
    skew_ns: float = 3.0  #: largest difference between channels
    clocked: str | None = None  #: "falling" or "rising": one sample a clock, at that edge of CLK, each a unit of the timescale
    probe_at: Mapping[str, str] = field(default_factory=dict)  #: "cpu", "board" or "connector" by line
    dialect: Dialect = field(default_factory=Dialect)


@dataclass(frozen=True)
class Scenario:
    """A machine, its faults and its capture. ``Scenario()`` is a healthy generic machine, all lines captured."""

    name: str = "healthy generic machine"
    machine: Profile = GENERIC
    contents: tuple[tuple[int, bytes], ...] | None = None  #: (address, bytes); None: the demo program
    device_contents: bytes | None = None  #: the expansion device's ROM; None: the demo program, where paging is set
    cpu: Cpu = Cpu()
    board: BoardOptions = BoardOptions()
    presses: tuple[Press, ...] = ()
    bus_requests: tuple[BusRequest, ...] = ()
    capture: CaptureOptions = CaptureOptions()
    faults: tuple[Fault, ...] = ()
    seed: int = 1

    def ram(self) -> tuple[int, int]:
        """Return the first and last address of the largest stretch of RAM, whatever regions it is made of."""
        stretches: list[tuple[int, int]] = []
        for region in sorted(self.machine.memory, key=lambda region: region.start):
            if region.kind != "ram":
                continue
            if stretches and stretches[-1][1] + 1 == region.start:
                stretches[-1] = stretches[-1][0], region.end
            else:
                stretches.append((region.start, region.end))
        return max(stretches, key=lambda pair: pair[1] - pair[0], default=(0x4000, 0xFFFF))

    def triggers(self) -> tuple[int, ...]:
        """Return the addresses whose fetch the paging device answers."""
        return tuple(address for paging in self.machine.paging for address in paging.fetch_at)

    def demo(self, name: str) -> bytes:
        """Return a demo program that fits this machine."""
        return program(name, self.ram(), self.release(), self.triggers())

    def release(self) -> int:
        """Return where the paging device leaves, 0 where there is none."""
        ranges = [pair for paging in self.machine.paging for pair in paging.released_by_fetch_in]
        return ranges[0][0] if ranges else 0
