"""Labels that the machine contradicts: which exchange of leads, or which inverted one, makes the bus consistent?

The buses are judged by a sample of cycles (strobewise.identify.bus_leads), the strobes and what they were exchanged with on the kept
stretch of the raw capture (:mod:`strobe_leads`). Nothing is tried while the labels agree with the machine.
"""

from __future__ import annotations

from ..bus.lines import ADDRESS, DATA
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..identify.bus_leads import Buses, relabel_buses
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.leads import LeadsRecord, Relabelling
from .part import Part
from .slow_leads import relabel_slow_lines
from .strobe_leads import Columns, Stretch, columns_of, join_buses, odd_strobes, relabel_strobes, strobes_elsewhere

FIRST_CYCLES = 12_000  #: cycles kept from the start of the capture on
LATER_CYCLES = 3_000  #: cycles kept of later batches, the 8th, the 16th, the 32nd ...
LOOK_ALIKE = (*ADDRESS[7:], *DATA)  #: lines that a short loop may move in time with the cycles; the refresh counter moves the others
LATER_FROM = 8  #: batch from which later cycles are kept too: the start-up lies before it, another part of the program behind


class LeadsPart(Part):
    """Keeps the sample of cycles on which the labels of the buses are tried."""

    def __init__(self, captured: frozenset[str]) -> None:
        self._has_address, self._has_data = captured.issuperset(ADDRESS), captured.issuperset(DATA)
        self._parts: list[Columns] = []
        self._kept = self._batches = 0

    def feed(self, batch: Batch) -> None:
        """Keep what the sample lacks."""
        self._batches += 1
        room = FIRST_CYCLES - self._kept
        if room <= 0:
            power_of_two = self._batches & (self._batches - 1) == 0
            room = LATER_CYCLES if power_of_two and self._batches >= LATER_FROM else 0
        if room and len(batch.cycles):
            self._parts.append(columns_of(batch, room))
            self._kept += min(room, len(batch.cycles))

    def sample(self) -> Buses | None:
        """Return the cycles kept, None where there are none."""
        return join_buses(self._parts, self._has_address, self._has_data) if self._parts else None


def judge_leads(
    evidence: BusEvidence, stretch: Stretch, channels: ChannelMap, buses: Buses | None, trusted: bool = False
) -> LeadsRecord:
    """Say what the labels should be. stretch: the kept part of the raw capture. buses: the sample of a :class:`LeadsPart`.

    trusted: those of the strobes were seen to be right.
    """
    change = relabel_strobes(evidence, stretch, trusted)
    lookalike = _by_chance(evidence, change)
    if lookalike is not None:
        return LeadsRecord(lookalike=lookalike)
    if change is None and buses is not None and not odd_strobes(evidence):
        change = relabel_buses(buses, _crossed(evidence))
    if change is None:
        change = relabel_slow_lines(evidence, stretch)
    if change is not None:
        return LeadsRecord(change, _maps(change, channels))
    return LeadsRecord(elsewhere=strobes_elsewhere(evidence, stretch))


def _by_chance(evidence: BusEvidence, change: Relabelling | None) -> tuple[str, str] | None:
    """Return a strobe that does not do its work and the bus line that stands in for it, where the program alone may make that line look so.

    In a refresh A7 is bit 7 of the refresh register, which counts in the bits below it, and A8 to A15 are the interrupt register (UM0080):
    they stay as they are, and a short loop elsewhere moves them in step with the refreshes. A data line that is pulled up, and low in each
    byte of the loop, falls in each read. Where both buses were captured whole, program and refresh addresses say which it is.
    """
    if change is None or change.inverted or evidence.captured.issuperset((*ADDRESS, *DATA)):
        return None
    # No other line makes two pulses a fetch, as /MREQ does.
    strobes = [name for name in change.lines if name != "MREQ" and name in odd_strobes(evidence)]
    others = [name for name in change.lines if name in LOOK_ALIKE]
    return (strobes[0], others[0]) if strobes and others else None


def _maps(change: Relabelling, channels: ChannelMap) -> tuple[str, ...]:
    """Return what to give with --map: each line with the channel that carries it."""
    names = [("!" if (line in channels.inverted) != change.inverted else "") + channels.channels[line] for line in change.lines]
    return tuple(f"{line}={name}" for line, name in zip(change.lines, names if change.inverted else names[::-1], strict=True))


def _crossed(evidence: BusEvidence) -> list[tuple[int, int]]:
    """Return the pairs of address lines that showed each other's level where the CPU model foretold an address, the most frequent first."""
    exchanged = evidence.prediction.exchanged if evidence.prediction is not None else {}
    return sorted(exchanged, key=lambda pair: -exchanged[pair])


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> LeadsPart | None:
    """Return the part when one of the buses was captured whole."""
    return LeadsPart(captured) if captured.issuperset(ADDRESS) or captured.issuperset(DATA) else None
