"""What a strobe should have done beside what it did: drawn thinly over the waveform of a finding.

Positions come from the table of machine cycles (bus/semantics.py, source UM0080), shifted by the wait states that /WAIT asked for; that
of /WR in a memory write begins one T-state later than the request.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from strobewise.bus.lines import STROBES
from strobewise.bus.model import KINDS
from strobewise.bus.semantics import REFRESH_GAP, REFRESH_WIDTH, SPEC
from strobewise.cycles.table import NOT_KNOWN, CycleTable

Span = tuple[float, float]  #: T-states from the start of T1
WRITE_LATER = 1.0  #: T-states from /MREQ to /WR in a memory write (UM0080, memory read or write)
REFRESHED = ("opcode_fetch", "interrupt_acknowledge")


def expected(line: str, kind: str) -> Iterator[Span]:
    """Yield when a strobe is asserted in a machine cycle without wait states."""
    spec = SPEC.get(kind)
    if spec is None:
        return
    begins, ends = spec.asserts_at, spec.asserts_at + spec.width
    if line == "RFSH":
        if kind in REFRESHED:
            yield ends, float(spec.t_min)
        return
    if line == "M1" and line in spec.strobes:
        yield 0.0, ends
    elif line in spec.strobes:
        yield begins + (WRITE_LATER if line == "WR" and kind == "memory_write" else 0.0), ends
    if line == "MREQ" and kind in REFRESHED:
        yield ends + REFRESH_GAP, ends + REFRESH_GAP + REFRESH_WIDTH


def ghosts(lines: Iterable[str], cycles: CycleTable, t_ticks: float | None, start: int) -> dict[str, list[int]]:
    """Return for each strobe among the lines when it should have been asserted: begin, end, begin, end ... in ticks from `start`."""
    if t_ticks is None:
        return {}
    found: dict[str, list[int]] = {}
    for line in lines:
        if line not in STROBES:
            continue
        spans: list[int] = []
        for at, kind, waits in zip(cycles.start.tolist(), cycles.kind.tolist(), cycles.wait_states.tolist(), strict=True):
            longer = 0 if waits == NOT_KNOWN else waits
            for begins, ends in expected(line, KINDS[kind]):
                late = longer if begins > 1.5 else 0  # what begins behind the wait states moves with them
                spans += [round(at + (begins + late) * t_ticks) - start, round(at + (ends + longer) * t_ticks) - start]
        found[line] = spans
    return found
