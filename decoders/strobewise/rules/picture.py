"""Which moment shows a rule best, as plain facts: the lines to draw, the machine cycles to show, what is done to the machine.

Names of faults and their parameters are those of the simulated bench, which draws both runs; nothing here runs it.
"""

from __future__ import annotations

from typing import Literal, Mapping, NamedTuple, Optional, Sequence, Tuple, Union

Value = Union[str, int, float, Sequence[str]]

FETCH, READ, WRITE = "opcode_fetch", "memory_read", "memory_write"
STORE = (FETCH, READ, WRITE)  # LD (HL),n
STORE_LOAD = (*STORE, FETCH, READ)  # LD (HL),n / LD A,(HL)
OUTPUT = (FETCH, READ, "io_write")
ANSWER = ("interrupt_acknowledge", WRITE, WRITE)
PUSHED = (FETCH, WRITE, WRITE)  # RST
VISIT = (FETCH, READ, READ, WRITE, WRITE, FETCH)  # CALL 0058h and what answers there
LEAVE = (FETCH, READ, READ) * 3  # POP AF / JP into the release range / RET

FRAME = ("CLK", "M1", "MREQ", "RD", "WR", "RFSH")
MEMORY = ("MREQ", "RD", "WR", "A", "D")
PAGING = ("M1", "MREQ", "ROMDIS", "A", "D")


class Done(NamedTuple):
    """One fault that the simulated bench puts in."""

    kind: str
    parameters: Mapping[str, Value]


def done(kind: str, **parameters: Value) -> Done:
    """Return a fault of the simulated bench with its parameters."""
    return Done(kind, parameters)


class Picture(NamedTuple):
    """How to show one rule."""

    lines: Tuple[str, ...]  #: rows of the drawing; "A" and "D" are the buses
    cycles: Tuple[str, ...] = STORE  #: the run of machine cycles to show
    faults: Tuple[Done, ...] = ()
    after: str = ""  #: kind of fault that sets in while the picture is drawn
    other_program: Literal["", "halts", "only-nops"] = ""  #: what runs in the faulty run instead
    sample_hz: Optional[int] = None  #: the analyser's rate in the faulty run
    pull_ups: bool = True  #: on the data bus in the faulty run
    machine: Literal["", "paged", "nmi-pressed", "bus-shared"] = ""  #: what both runs have beside the bare machine
    by_time: bool = False  #: the faulty run is drawn at the healthy one's moment, whatever the machine does then
    long_t: Optional[int] = None  #: T-states to draw when the cycles are not all that there is to see

    @property
    def has_faulty_run(self) -> bool:
        """Say whether anything is done to the machine."""
        return bool(self.faults or self.after or self.other_program or self.sample_hz or not self.pull_ups)
