"""What is expected of a capture, and what a check of it says: plain records."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from ..bus.lines import ADDRESS, DATA
from ..bus.model import CycleKind, CycleNote, LeadPlace, LineStateName, Suspect, VerdictState
from ..errors import StrobewiseError
from .rom_digest import RomDigest

FEW_CYCLES = 1000  #: machine cycles below which their shares say nothing: fewer may be a loop or two
VERSION = 1  #: of the file; a newer one is refused, not half understood

#: Quantities of the table [limits] -> what they are; "us" are microseconds.
LIMITS = {
    "clock_hz": "clock frequency, measured or estimated",
    "interrupts_per_second": "rate of interrupts, from the first acknowledge to the last one; where one was not answered it counts",
    "wait_states": "wait states that /WAIT asked for, in all",
    "longest_silence_us": "longest stretch between two requests",
    "longest_without_refresh_us": "longest stretch between two refreshes",
}

#: Names that stand for a whole bus in the table [lines].
BUSES = {"A": ADDRESS, "D": DATA}


class ExpectationError(StrobewiseError):
    """A file of expectations that says something it must not."""


class Range(NamedTuple):
    """Values that are as expected, both ends included; None leaves an end open."""

    low: float | None
    high: float | None

    def __contains__(self, value: object) -> bool:
        if not isinstance(value, (int, float)):
            return False
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def meets(self, low: float, high: float) -> bool:
        """Say whether a value that lies somewhere between two may be as expected."""
        return (self.high is None or low <= self.high) and (self.low is None or high >= self.low)

    @property
    def text(self) -> str:
        """The range as a person writes it."""
        if self.low is None or self.high is None:
            if self.low is None and self.high is None:
                return "anything"
            return f"at most {shown(self.high)}" if self.low is None else f"at least {shown(self.low)}"
        return shown(self.low) if self.low == self.high else f"{shown(self.low)} to {shown(self.high)}"


def shown(number: float | None) -> str:
    """Return a number without needless digits; "not known" for None."""
    if number is None:
        return "not known"
    return str(number) if isinstance(number, int) else f"{number:.6g}"


ONCE_OR_MORE = Range(1, None)
NEVER = Range(0, 0)


@dataclass(frozen=True)
class Event:
    """Something that must, or must not, happen on the bus: a machine cycle or an instruction."""

    name: str
    key: str  #: its place in the file, as required[2]
    kind: CycleKind | None = None
    address: tuple[int, int] | None = None  #: both ends included
    data: tuple[int, int] | None = None
    note: CycleNote | None = None
    instruction: str | None = None  #: pattern of the mnemonic, * and ? stand for anything
    count: Range = ONCE_OR_MORE

    @property
    def text(self) -> str:
        """The event in words."""
        parts = [f'instruction "{self.instruction}"' if self.instruction else (self.kind or "any machine cycle").replace("_", " ")]
        if self.address is not None:
            parts.append("at " + _span(self.address, 4))
        if self.data is not None:
            parts.append("with data " + _span(self.data, 2))
        if self.note:
            parts.append(f"noted {self.note}")
        return " ".join(parts)


def _span(pair: tuple[int, int], digits: int) -> str:
    low, high = (f"0x{value:0{digits}x}" for value in pair)
    return low if low == high else f"{low} to {high}"


@dataclass(frozen=True)
class PagingExpectation:
    """What is expected of one paging arrangement of the machine's profile."""

    triggers: Range | None = None  #: fetches at its addresses while it is not active
    unanswered: Range | None = None  #: of those, without an answer in time


@dataclass(frozen=True)
class Expectations:
    """All that one file expects. Empty tables and None are not checked."""

    path: Path
    files: tuple[Path, ...] = ()  #: captures that the file is about, for the pytest plug-in
    machine: Path | None = None
    maps: tuple[str, ...] = ()
    clock_hz: float | None = None
    clocked: str | None = None  #: how a capture with one sample a clock was taken
    fewer_leads: bool = False  #: what a capture cannot show for want of leads is not held against it
    roms: tuple[tuple[Path, int], ...] = ()
    probe_at: dict[str, LeadPlace] = field(default_factory=dict)
    states: tuple[VerdictState, ...] = ()  #: verdict states that are as expected
    suspect: Suspect | None = None
    allowed: tuple[str, ...] | None = None  #: rules that may fire; None: not checked
    required_findings: tuple[str, ...] = ()
    lines: dict[str, tuple[LineStateName, ...]] = field(default_factory=dict)
    cycles: dict[str, Range] = field(default_factory=dict)
    shares: dict[str, Range] = field(default_factory=dict)  #: percent of the machine cycles
    order: tuple[CycleKind, ...] = ()  #: kinds of machine cycle, the more frequent ones first
    limits: dict[str, Range] = field(default_factory=dict)
    timing_ns: dict[str, Range] = field(default_factory=dict)  #: "M1 rise" -> delay behind its clock edge, nanoseconds
    paging: dict[str, PagingExpectation] = field(default_factory=dict)
    required: tuple[Event, ...] = ()
    forbidden: tuple[Event, ...] = ()
    digest: str | None = None  #: of the stream of machine cycles
    rom_digests: tuple[RomDigest, ...] = ()

    @property
    def halts(self) -> bool:
        """Say whether the machine may be halted all the time: then it shows little of what it does otherwise."""
        return "stuck_low" in self.lines.get("HALT", ())

    @property
    def events(self) -> tuple[Event, ...]:
        """Return all events, required ones first."""
        return self.required + self.forbidden


class Check(NamedTuple):
    """The outcome of one expectation on one capture."""

    name: str  #: its key in the file
    passed: bool
    expected: str
    seen: str
    where: str  #: where in the capture, empty for all of it
    remark: str = ""


class CheckedCapture(NamedTuple):
    """All checks of one capture, or why it could not be read."""

    capture: str
    checks: tuple[Check, ...]
    error: str = ""

    @property
    def failures(self) -> tuple[Check, ...]:
        """Return the checks that did not pass."""
        return tuple(check for check in self.checks if not check.passed)

    @property
    def passed(self) -> bool:
        """Say whether the capture is as expected."""
        return not self.error and not self.failures
