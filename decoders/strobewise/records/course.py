"""The course that the program took to the end of the capture: what it came to, and where it began anew."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import List, NamedTuple, Optional


class LastRead(NamedTuple):
    """A read, and the fetch that it follows or is."""

    address: int
    data: int
    fetched_at: int  #: address of the last fetch, -1 where there was none
    opcode: int  #: its byte


@dataclass
class Tail:
    """Cycles that go on alike to the end of the capture, from some moment on."""

    count: int = 0
    start_s: Optional[float] = None


@dataclass
class AlikeReads(Tail):
    """Reads that all gave the same byte, or what the cycle before had left on the data bus. Addresses are -1 and 0 where not captured."""

    value: int = -1  #: the byte of the last of them
    addresses: int = 0  #: different addresses read
    fetches: int = 0  #: of the count, the opcode fetches
    fetches_at_38: int = 0
    before: Optional[LastRead] = None  #: the last read before them


class Walk(NamedTuple):
    """Fetches of one byte from one address behind the other."""

    fetches: int = 0
    start_s: Optional[float] = None
    value: int = -1
    first: int = -1  #: address


@dataclass
class CourseRecord:
    """What the cycles came to at the end of the capture, and the starts at 0000h that nothing in the program led to."""

    reads: int = 0  #: all reads of memory, those of a halted CPU left out
    values: int = 0  #: different bytes read
    same: AlikeReads = field(default_factory=AlikeReads)
    echo: AlikeReads = field(default_factory=AlikeReads)
    only_fetches: Tail = field(default_factory=Tail)  #: fetches of a CPU that is not known to be halted, and nothing else
    only_pushes: Tail = field(default_factory=Tail)  #: fetches with two writes behind each, and nothing else; counts the fetches
    pushes_restart: int = 0  #: of these, the fetches of a restart (RST), where data were captured
    fetches: int = 0
    starts_s: List[float] = field(default_factory=list)  #: fetches of 0000h to which neither an instruction nor the count of PC leads
    returns_s: List[float] = field(default_factory=list)  #: fetches of 0000h to which a return from the stack led
    walk: Walk = field(default_factory=Walk)  #: the longest over a byte that is not 00h
    walk_00: Walk = field(default_factory=Walk)  #: the longest over 00h
