"""The rhythm of instructions, as strobes alone tell it: which cycles follow each fetch, and what is repeated to the end."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Optional, Tuple


@dataclass(frozen=True)
class Repeated:
    """Instructions that are repeated to the end of the capture, told by their cycles. A prefix counts as one of its own."""

    cycles: Tuple[str, ...] = ()  #: of each: "F" or "A" (acknowledge), then r, w (memory), i, o (ports), ?
    times: int = 0
    start_s: Optional[float] = None  #: of the first time that was kept
    before: int = 0  #: instructions kept before it; 0: it may have begun earlier
    behind_reset: Optional[int] = None  #: instructions from the reset to it, 0 where it has the first; None where no reset was seen
    jumps: int = 0  #: instructions of one turn that may be a relative jump that is taken
    calls: int = 0  #: those that are CALL
    restarts: int = 0  #: those of two writes whose byte is RST, where data were captured
    answered_behind_returns: bool = False  #: whether a turn has acknowledges, and a fetch with two reads comes before each

    @property
    def pushes(self) -> int:
        """Instructions of one turn that put something on the stack: PUSH, RST, CALL, and acknowledges."""
        return sum(each[0] == "A" or each == "Fww" for each in self.cycles) + self.calls

    @property
    def returns(self) -> int:
        """Those that may be a return, a POP, or a jump: a fetch and two reads."""
        return self.cycles.count("Frr")

    @property
    def acknowledges(self) -> int:
        """Those that are an interrupt acknowledge."""
        return sum(each[0] == "A" for each in self.cycles)

    @property
    def instructions(self) -> int:
        """All of all turns."""
        return len(self.cycles) * self.times


@dataclass(frozen=True)
class Pushing:
    """Instructions one behind the other of which none may be a jump or a return, or take anything from the stack."""

    pushes: int = 0  #: of them, those with two writes
    restarts: int = 0  #: of these, where data were captured, those whose byte is RST
    instructions: int = 0
    start_s: Optional[float] = None


@dataclass(frozen=True)
class Growing:
    """The stretch over which the stack grew most: a fetch with two writes puts two bytes on it, one with two reads may take two off."""

    net: int = 0  #: pushes that none of the instructions behind them can have taken back
    pushes: int = 0  #: instructions with two writes, but for those of a loop that may fill memory so, and acknowledges
    restarts: int = 0  #: of these, where data were captured, those whose byte is RST
    instructions: int = 0
    start_s: Optional[float] = None


@dataclass(frozen=True)
class RhythmRecord:
    """What the last instructions of the capture come to."""

    repeated: Repeated = field(default_factory=Repeated)
    pushing: Pushing = field(default_factory=Pushing)  #: where most were pushed
    growing: Growing = field(default_factory=Growing)
