"""What a capture shows, as plain lists: machine cycles with their levels, from the first reset on."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Dict, FrozenSet, List, Optional, Tuple

from ..bus.model import KIND_INDEX
from ..records.replay import PortAnswer

FETCH, READ, WRITE, ACCESS, IO_READ, IO_WRITE, ACKNOWLEDGE, GRANTED, UNKNOWN_KIND = (
    KIND_INDEX[kind]
    for kind in (
        "opcode_fetch", "memory_read", "memory_write", "memory_access", "io_read", "io_write", "interrupt_acknowledge", "bus_granted",
        "unknown",
    )
)  # fmt: skip
ANY = -1  #: a cycle that was broken off, or that another master's cycles hide: it says nothing
NOT_KNOWN = -1  #: no address, no byte and no length

#: How the begin of the program was found.
RESET, SILENCE, PAUSE, RHYTHM, BUS = "reset", "silence", "pause", "rhythm", "bus"


@dataclass
class Observed:
    """Cycles of a capture; the lists are of one length."""

    captured: FrozenSet[str]
    kinds: List[int] = field(default_factory=list)  #: index into KINDS, ANY
    t_states: List[int] = field(default_factory=list)  #: less the wait states, NOT_KNOWN where not told
    waits: List[int] = field(default_factory=list)
    address: List[int] = field(default_factory=list)
    data: List[int] = field(default_factory=list)
    data_mask: List[int] = field(default_factory=list)  #: data lines that had a known level
    control: List[int] = field(default_factory=list)  #: levels of the control lines in the middle of the strobe
    after: List[int] = field(default_factory=list)  #: the same one T-state behind the strobe: in a fetch, the refresh
    start_s: List[float] = field(default_factory=list)
    address_mask: int = 0  #: address lines that were captured
    resets: List[int] = field(default_factory=list)  #: cycles with which the program starts anew
    grants: List[int] = field(default_factory=list)  #: cycles before which the bus was granted to another master
    found_by: Optional[str] = None  #: how the begin was found, None where it was not
    coarse: bool = False  #: T-states are measured to about one only
    last_s: float = 0.0  #: end of the last cycle
    truncated: bool = False  #: there is more in the capture than was kept
    ports: Tuple[PortAnswer, ...] = ()  #: what they answered in a healthy capture of the same machine
    asserted: Dict[str, bool] = field(default_factory=dict)  #: captured inputs: were they ever asserted

    @cached_property
    def shown(self) -> FrozenSet[int]:
        """The kinds of cycles that the capture shows at all."""
        return frozenset(self.kinds)

    def __len__(self) -> int:
        return len(self.kinds)

    def input_idle(self, line: str) -> bool:
        """Whether an input was captured and never asserted."""
        return line in self.captured and not self.asserted.get(line, True)
