"""Fetches of which the bus shows only /M1, or only /RFSH, because /MREQ did not come: no request tells of them."""

from __future__ import annotations

from ..bus.lines import FETCH_LINES
from ..bus.semantics import TIMING_SAMPLES_MIN
from ..records.evidence import REFRESH_CLASS, BusEvidence
from ..records.strobes import healthy

PULSES_MIN = 16  #: pulses of the line from which a share of them means something
LOST_MIN = 8  #: pulses without a request that need explaining: a reset and a bus grant break off a cycle each
LOST_SHARE = 0.05  #: of the pulses without a request that must be lost: fewer may be spikes that looked like pulses
WHOLE_T = 1.0  #: a pulse of /M1 or /RFSH lasts 2 T (UM0080); one shorter than this is a spike


def add_lost_requests(evidence: BusEvidence) -> None:
    """Count what /MREQ owes to pulses of /M1 and /RFSH that came without any request: a fetch and a refresh each.

    Where /IORQ was not captured, a pulse of /M1 without /MREQ may be an acknowledge: then those count that nothing of /MREQ follows at all.
    """
    count = evidence.strobes.get("MREQ")
    if count is None or evidence.framed_by != "MREQ" or not evidence.samples_at_least(TIMING_SAMPLES_MIN) or evidence.has("RD"):
        return
    if evidence.line("MREQ").known_fraction < 1.0:
        return  # it may have come while nobody could see it
    refreshes = sum(evidence.histogram[REFRESH_CLASS])
    lost = [number for name in FETCH_LINES if (number := _lost(evidence, name, refreshes)) is not None]
    if evidence.bare_fetches is not None and "RFSH" not in evidence.captured:
        lost.append(evidence.bare_fetches)
    if lost and min(lost) >= LOST_MIN:
        count.expected += 2 * min(lost)


def _lost(evidence: BusEvidence, name: str, refreshes: int) -> int | None:
    """Return how many pulses of a strobe came without a request, None where it does not tell."""
    line, seen = evidence.line(name), evidence.strobes.get(name)
    pulses = line.edges // 2
    if seen is None or not healthy(seen) or line.known_fraction < 1.0 or pulses < PULSES_MIN:
        return None
    if line.shortest_pulse_s is None or line.shortest_pulse_s * (evidence.clock.hz or 0.0) < WHOLE_T:
        return None
    lost = pulses - max(refreshes, seen.seen)
    return lost if lost > LOST_SHARE * pulses else 0
