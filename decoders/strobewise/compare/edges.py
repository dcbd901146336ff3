"""A capture read for comparison: what was executed, and when the strobes move after their clock edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, BIT, LINE
from ..capture import open_capture
from ..cycles.pipeline import Pipeline
from ..cycles.table import CycleTable
from ..diagnosis.examined import Examined
from ..profile.options import Options
from .flow import Flow, make_flow

Int = npt.NDArray[np.int64]

KEPT_EVENTS = 400_000  #: events of the raw capture that the delays are measured on
FEW_EDGES = 16  #: edges below which a delay is not worth a word
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
    edges: int


def read_run(examined: Examined, options: Options) -> Run:
    """Read a capture once more, for comparison. Raises CaptureError, OSError."""
    channels, tick_s = examined.channels, examined.tick_s
    captured = frozenset(name for name in channels.channels if name in BIT)
    with open_capture(examined.path) as capture:
        given = 1.0 / (options.nominal_hz * tick_s) if options.nominal_hz else None
        pipeline = Pipeline(captured, given, capture.header.timescale_fs)
        times, words, kept = [], [], 0
        tables: list[CycleTable] = []
        addresses = captured.issuperset(ADDRESS)
        for block in capture.blocks(channels.assignments):
            if kept < KEPT_EVENTS:
                times.append(block.times)
                words.append(block.words)
                kept += len(block.times)
            elif not addresses:
                break
            tables.extend(batch.cycles for batch in pipeline.feed(block))
        tables.extend(batch.cycles for batch in pipeline.finish())
        t_ticks = pipeline.calibration.t_ticks if pipeline.calibration is not None else None
        flow = make_flow(CycleTable.concatenate(tables), tick_s, t_ticks, "IORQ" in captured) if addresses else None
        all_times = np.concatenate(times) if times else np.empty(0, np.int64)
        all_words = np.concatenate(words) if words else np.empty(0, np.uint64)
        return Run(captured, tick_s, examined.sample_interval_s, all_times, all_words, flow)


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
            delays[line, edge] = EdgeDelay(name, delay, len(own))
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
        delay[delay > 0.75 * period] -= period  # an edge that skew shows just before its clock edge
    if not len(delay):
        return None
    middle = float(np.median(delay))
    if np.mean(np.abs(delay - middle) <= 1.1 * run.sample_interval_s / run.tick_s) < AGREEMENT:
        return None
    near = delay[np.abs(delay - middle) <= 1.1 * run.sample_interval_s / run.tick_s]
    return float(near.mean()) * run.tick_s
