"""A capture as a comparison sees it: what was executed, and when the strobes move after their clock edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, BIT, LINE
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..diagnosis.examined import Examined
from ..evidence.kept import KeptCycles, KeptEvents
from ..evidence.part import Part
from ..profile.options import Options
from .flow import Flow, make_flow

Int = npt.NDArray[np.int64]

KEPT_EVENTS = 400_000  #: events of the raw capture that the delays are measured on
FEW_EDGES = 16  #: edges below which a delay is not worth a word
BEFORE_EDGE = 0.75  #: of a period from the edge before, from which an edge belongs to the next: outputs come within half a period of theirs
WITHIN_SAMPLES = 1.1  #: samples: one, and what rounding adds
AGREEMENT = 0.6  #: share of the edges that must lie within one sample of the median: other edges come from other kinds of cycle

#: Which clock edge makes a strobe move: (line, edge, level of CLK after that edge). Source: UM0080, timing figures; symbols as in
#: :mod:`strobewise.bus.timing` (TdCr: from a rising edge, TdCf: from a falling one). Where kinds of cycle differ, memory cycles lead.
CAUSED_BY = (
    ("M1", "assert", 1),  # TdCr(M1f)
    ("M1", "release", 1),  # TdCr(M1r)
    ("MREQ", "assert", 0),  # TdCf(MREQf)
    ("RD", "assert", 0),  # TdCf(RDf)
    ("WR", "assert", 0),  # TdCf(WRf)
    ("WR", "release", 0),  # TdCf(WRr)
    ("RFSH", "assert", 1),  # TdCr(RFSHf)
    ("RFSH", "release", 1),  # TdCr(RFSHr)
    ("IORQ", "release", 0),  # TdCf(IORQr)
)

#: The same of the address bus, which moves with T1 for the address and with T3 for the refresh address. Source: UM0080, TdCr(A).
ADDRESS_MOVES = tuple((line, edge, 1) for line in ADDRESS for edge in ("rise", "fall"))


@dataclass(frozen=True)
class Run:
    """One capture as the comparison sees it."""

    lines: frozenset[str]
    tick_s: float
    sample_interval_s: float | None
    times: Int  #: the first events, ticks
    words: npt.NDArray[np.uint64]  #: packed levels from then on
    flow: Flow | None  #: None where addresses were not captured


class EdgeDelay(NamedTuple):
    """How long after its clock edge a strobe moves."""

    reference: str
    median_s: float


class RunPart(Part):
    """Keeps what the comparison needs of a capture, while it is examined."""

    def __init__(self, with_flow: bool = True) -> None:
        """with_flow: keep the machine cycles as well, where the addresses were captured, to say what was executed."""
        self._with_flow = with_flow
        self._lines: frozenset[str] = frozenset()
        self._t_ticks: float | None = None
        self._events, self._cycles = KeptEvents(KEPT_EVENTS), KeptCycles()

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> RunPart:
        """Take note of the capture that is being opened; a maker of parts."""
        self._lines = captured
        self._with_flow = self._with_flow and captured.issuperset(ADDRESS)
        return self

    def settled(self, calibration: Calibration) -> None:
        """Take the time base."""
        self._t_ticks = calibration.t_ticks

    def block(self, block: Block) -> None:
        """Keep the first blocks."""
        self._events.add(block)

    def feed(self, batch: Batch) -> None:
        """Keep the cycles."""
        if self._with_flow:
            self._cycles.feed(batch)

    def run(self, examined: Examined) -> Run:
        """Return the capture as the comparison sees it, when it was examined."""
        times, words = self._events.joined()
        flow = None
        if self._with_flow and self._lines:
            flow = make_flow(self._cycles.table(), examined.tick_s, self._t_ticks, "IORQ" in self._lines)
        return Run(self._lines, examined.tick_s, examined.sample_interval_s, times, words, flow)


def edge_delays(
    run: Run, common: frozenset[str], caused_by: Sequence[tuple[str, str, int]] = CAUSED_BY
) -> dict[tuple[str, str], EdgeDelay]:
    """Return the delay of each strobe's edges from CLK, by (line, edge); from the assert edge of /MREQ where CLK is not in common.

    caused_by: rows as in CAUSED_BY; those of address lines need CLK, since these move before /MREQ.
    """
    if len(run.times) < 2:
        return {}
    delays = {}
    by_clock = "CLK" in common
    for line, edge, level in caused_by:
        if line not in common or (not by_clock and (line == "MREQ" or line in ADDRESS or "MREQ" not in common)):
            continue
        own = _edges(run, line, _level_after(line, edge))
        reference = _edges(run, "CLK", level) if by_clock else _edges(run, "MREQ", 0)
        name = f"CLK {'rise' if level else 'fall'}" if by_clock else "/MREQ assert"
        delay = _delay(run, own, reference, wraps=by_clock)
        if delay is not None:
            delays[line, edge] = EdgeDelay(name, delay)
    return delays


def _level_after(line: str, edge: str) -> int:
    if edge in ("rise", "fall"):
        return int(edge == "rise")
    return LINE[line].active_level if edge == "assert" else 1 - LINE[line].active_level


def _edges(run: Run, line: str, level: int) -> Int:
    mask = np.uint64(1 << BIT[line])
    on = run.words & mask != 0
    moved = np.flatnonzero(on[1:] != on[:-1]) + 1
    return np.asarray(run.times[moved[on[moved] == bool(level)]])


def _delay(run: Run, own: Int, reference: Int, wraps: bool) -> float | None:
    """Return the median time from the last reference edge, None where the edges do not agree on one."""
    if len(own) < FEW_EDGES or len(reference) < FEW_EDGES or run.sample_interval_s is None:
        return None
    before = np.searchsorted(reference, own, "right") - 1
    delay = (own - reference[np.maximum(before, 0)])[before >= 0].astype(np.float64)
    if wraps:
        period = float(np.median(np.diff(reference)))
        delay[delay > BEFORE_EDGE * period] -= period  # an edge that skew shows just before its clock edge
    if not len(delay):
        return None
    middle = float(np.median(delay))
    if np.mean(np.abs(delay - middle) <= WITHIN_SAMPLES * run.sample_interval_s / run.tick_s) < AGREEMENT:
        return None
    near = delay[np.abs(delay - middle) <= WITHIN_SAMPLES * run.sample_interval_s / run.tick_s]
    return float(near.mean()) * run.tick_s
