"""Captures that hold one sample for each clock: which edge of CLK moves which strobe, and what every clock edge therefore shows.

An analyser with a clock input samples at one edge of the CPU's clock. The CPU moves its outputs some nanoseconds behind an edge, so that a
sample shows what the edges before it have done, and nothing of what its own edge does. Where a strobe is seen to have moved between two
samples it was moved either by the edge of the first sample or by the opposite edge between the two: the table says by which.

Positions are counted in half T-states from the rising edge that starts T1: even ones are rising edges, odd ones falling edges.
Source: Zilog Z80 CPU User Manual (UM0080), timing figures for instruction op-code fetch, memory read or write, input or output, interrupt
request/acknowledge.
"""

from __future__ import annotations

from typing import Dict, FrozenSet, List, NamedTuple, Tuple

from .lines import ADDRESS_MASK, MASK

EDGES = ("falling", "rising")
TICKS_PER_T = 20  #: ticks of a T-state on the axis that such a capture is put on: fine enough for all shares of a T-state that count
GROUP_SAMPLES = 4096  #: samples over which it is asked which strobes behave like themselves


class Pulse(NamedTuple):
    """A strobe's asserted pulse in a machine cycle without wait states; one that /WAIT asks for moves the later edges by two."""

    line: str
    asserts: int  #: half T-states from the start of T1 to the clock edge that asserts it
    releases: int  #: to the one that releases it


_REFRESH = (Pulse("RFSH", 4, 8), Pulse("MREQ", 5, 7))


def _later(pulses: Tuple[Pulse, ...], halves: int) -> Tuple[Pulse, ...]:
    return tuple(pulse._replace(asserts=pulse.asserts + halves, releases=pulse.releases + halves) for pulse in pulses)


#: By kind, the pulses of its strobes, and the half T-states that it lasts.
PULSES: Dict[str, Tuple[Tuple[Pulse, ...], int]] = {
    "opcode_fetch": ((Pulse("M1", 0, 4), Pulse("MREQ", 1, 4), Pulse("RD", 1, 4), *_REFRESH), 8),
    "memory_read": ((Pulse("MREQ", 1, 5), Pulse("RD", 1, 5)), 6),
    "memory_write": ((Pulse("MREQ", 1, 5), Pulse("WR", 3, 5)), 6),
    "io_read": ((Pulse("IORQ", 2, 7), Pulse("RD", 2, 7)), 8),
    "io_write": ((Pulse("IORQ", 2, 7), Pulse("WR", 2, 7)), 8),
    "interrupt_acknowledge": ((Pulse("M1", 0, 8), Pulse("IORQ", 5, 8), *_later(_REFRESH, 4)), 12),
}


def levels(kind: str, edge: str) -> List[FrozenSet[str]]:
    """Return the strobes that are asserted in each sample of a machine cycle, from T1's own edge on."""
    pulses, length = PULSES[kind]
    first = 1 if edge == "falling" else 0
    return [
        frozenset(pulse.line for pulse in pulses if pulse.asserts < half <= pulse.releases) for half in range(first, length, 2)
    ]


def _falling(kind: str, position: str) -> int:
    """Return the mask of the lines that a falling edge of CLK asserts, or releases, in a kind of machine cycle."""
    return sum({MASK[pulse.line] for pulse in PULSES[kind][0] if getattr(pulse, position) % 2})


class Movers(NamedTuple):
    """Which strobes the falling edge of CLK moves, as masks; it is the rising edge that moves the others."""

    asserts: int  #: in memory cycles
    asserts_io: int  #: where /IORQ is asserted with /RD or /WR
    asserts_acknowledge: int  #: where it is asserted alone
    releases: int  #: in all cycles but those that a refresh follows


MOVERS = Movers(
    _falling("memory_read", "asserts") | _falling("memory_write", "asserts"),
    _falling("io_read", "asserts") | _falling("io_write", "asserts"),
    _falling("interrupt_acknowledge", "asserts") & MASK["IORQ"],
    _falling("memory_write", "releases") | _falling("io_read", "releases") | _falling("io_write", "releases"),
)
#: Outputs that the CPU moves behind one of the two edges; inputs move when they like, and data are put in the middle between two edges.
CLOCKED = ADDRESS_MASK | sum(MASK[name] for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "BUSACK"))
#: Pairs of lines of which one always rests: both low in a sample, together with everything else, means that the analyser had not begun.
NEVER_BOTH = (("MREQ", "IORQ"), ("RD", "WR"), ("RD", "RFSH"), ("M1", "RFSH"), ("WR", "RFSH"), ("M1", "WR"))

LOOKED_AHEAD = 8  #: samples that are looked at behind a group before it is judged
LOOKED_BEHIND = 64  #: and before it
ONE_IN = 10  #: of so many pulses of a strobe one may look wrong: a strobe with more of them does not tell where transfers end
