"""What a replay gave, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, NamedTuple, Optional, Tuple

from ..bus.model import Suspect

COMPLETE, PARTED, LOST, GAVE_UP = "complete", "parted", "lost", "gave up"  #: how a comparison with the known program ends


class Candidate(NamedTuple):
    """A fault that would have given what the capture shows, as far as `matched` says."""

    group: int  #: 1: explains it best; candidates of one group cannot be told apart by this capture
    fault: str  #: kind, of the simulator's table
    place: str  #: where: line, cpu, socket, rom, ram, board, port, connector, probe
    lines: Tuple[str, ...]
    region: Optional[Tuple[int, int]]  #: of memory, both ends included
    chips: Tuple[str, ...]  #: as the profile calls them
    suspect: Suspect
    suspects: Tuple[Suspect, ...]  #: the likeliest first
    matched: int  #: cycles


class Split(NamedTuple):
    """A line that would tell candidates of the first group apart."""

    line: str
    first_s: float  #: when their predictions differ on it first


class PortAnswer(NamedTuple):
    """What a port always answered in a healthy capture of the same machine."""

    address: int  #: all sixteen lines: many boards put more than the port's number on them
    value: int
    unknown: int  #: data bits that were not the same in every read


class StripCycle(NamedTuple):
    """A machine cycle in a stretch that is shown; what is not known is None, a kind that is not known is empty."""

    kind: str
    t_states: Optional[int]  #: without wait states
    address: Optional[int]
    data: Optional[int]


class Strip(NamedTuple):
    """The cycles around the place where the healthy machine parts from the capture."""

    first: int  #: number of the first cycle shown, from where the program begins
    first_s: float
    differs: Optional[int]  #: the first of these that is not what was due
    captured: Tuple[StripCycle, ...]
    due: Tuple[StripCycle, ...]  #: what a healthy machine does
    fault: Tuple[StripCycle, ...]  #: what one with a fault of the first group does, empty where none is named


@dataclass
class ReplayRecord:
    """The known program beside one capture."""

    program: str
    begin_s: float
    found_by: str  #: how the program's begin was found: reset, silence, rhythm, bus
    cycles: int  #: captured cycles that were compared
    healthy_matched: int
    healthy_ended: str  #: COMPLETE, PARTED, LOST (its way hangs on what nobody knows) or GAVE_UP
    healthy_guessed: int = 0  #: bits that the healthy machine had to take from the capture on its way
    hypotheses: int = 0  #: faults that were tried
    candidates: List[Candidate] = field(default_factory=list)
    split_by: List[Split] = field(default_factory=list)
    runner_up: int = 0  #: cycles that the best fault outside the first group explains
    parted_s: Optional[float] = None  #: where the healthy machine parts from the capture
    explains_all: bool = False
    dead_leads: Tuple[str, ...] = ()  #: strobes that the program must have moved and that the capture shows otherwise
    stopped_s: Optional[float] = None  #: when the machine fell silent although its program goes on
    memory_without: Optional[Tuple[int, int]] = None  #: no profile speaks of it, and the machine behaves as if no RAM of its own were there
    misread: Optional[int] = None  #: reading the byte there once otherwise explains it all: a bit of ROM, or a moment
    device_s: Optional[float] = None  #: when the expansion device failed first although the program runs as it should
    like: int = 0  #: different parts that would do the same, too many to name any
    alike: Tuple[Candidate, ...] = ()  #: those
    uncontradicted: Tuple[Candidate, ...] = ()  #: who leads into memory of unknown content, where all others part from the capture
    strip: Optional[Strip] = None  #: where the healthy machine parts
    versions: Tuple[str, ...] = ()  #: the other versions of the ROM that were given; `program` is the one that leads furthest
    together: bool = False  #: the candidates of the first group are two faults at once, and none of them explains it alone
    since_s: Optional[float] = None  #: when the fault of the first group began, where it was not there from the begin on

    @property
    def healthy(self) -> bool:
        """Whether the capture is what a healthy machine with this program does."""
        return self.healthy_matched >= self.cycles and not self.candidates

