"""What passes between the layers of the streaming engine: requests in, two items for each machine cycle out. Times are in ticks."""

from __future__ import annotations

from typing import NamedTuple, Optional, Tuple

from ..bus.lines import MASK

LINE_MREQ, LINE_IORQ, LINE_BARE = 0, 1, 2  #: which strobe framed a request

CLK, M1, MREQ, IORQ, RD, WR, RFSH, HALT, BUSACK, RESET = (
    MASK[name] for name in ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "BUSACK", "RESET")
)

#: A pattern says which of bus.evidence.PATTERN_LINES are asserted; those lines stand side by side in the control word.
PATTERN_SHIFT, PATTERN_MASK = 1, 0x7F


class Request(NamedTuple):
    """One asserted pulse of /MREQ or /IORQ, or of /RD or /WR outside them."""

    line: int  #: LINE_*
    fall: int
    rise: int
    control: int  #: control word at the sample point, idle lines filled in
    after: int  #: control word 1 T behind the release; only looked at for a bare request
    address: int  #: at the sample point, -1 where a bit of it was not known
    data: int  #: just before the release, -1 where a bit of it was not known
    hidden: int = 0  #: control lines whose level was not known at the sample point


class Begun(NamedTuple):
    """First item of a cycle: its strobes have ended."""

    number: int  #: running number of the cycle, from 0
    kind: str  #: one of bus.model.KINDS
    start: int  #: rising clock edge of T1, or the best estimate
    release: int  #: where its last strobe was released, that of the refresh included
    address: Optional[int]
    data: Optional[int]
    wait_states: Optional[int]
    inferred: bool
    control: int  #: levels of the control lines at the sample point, bits as in bus.lines; lines that were not captured read idle
    refresh: Optional[int]  #: the same in the refresh that belongs to the cycle, None where none was seen


class Ended(NamedTuple):
    """Second item of a cycle: where it ended, and what only that showed."""

    number: int
    kind: str
    start: int
    end: int
    t_states: Optional[int]
    note: str


#: Both as they pass through the engine and in batches of messages: bare tuples, a third of what named ones cost.
BegunItem = Tuple[int, str, int, int, Optional[int], Optional[int], Optional[int], bool, int, Optional[int]]
EndedItem = Tuple[int, str, int, int, Optional[int], str]


class Bus(NamedTuple):
    """What the first stretch of the capture settled."""

    captured: Tuple[str, ...]  #: lines that were mapped, in the order of the channels
    rate: Optional[int]  #: samples a second, None when the host does not know
    t_samples: Optional[float]  #: length of a T-state, None when nothing shows it
    t_source: str  #: "CLK", "given", "clocked" (a sample is one), the strobe that it was learned from, or "none"
    sample_ticks: float  #: the analyser's own sample interval, in the host's samples
    counts_clock: bool  #: T-states are counted by clock edges
    mreq_frames: bool  #: /MREQ frames the requests, else /RD and /WR do
    pulses: Tuple[Tuple[str, int], ...] = ()  #: pulses of each strobe, and rising edges of CLK, in that stretch
    clocked: str = ""  #: the clock edge at which its one sample a clock was taken: "falling", "rising"; else nothing
