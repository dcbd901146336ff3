"""What gets worse from capture to capture, or within one: a warning before it is a fault.

Two shares differ where the difference is more than Z standard errors of it (the test of two proportions; textbook). The captures stand in
the order of the minutes that the machine had been on where all say so, else as they came.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ..bus.lines import bar
from ..bus.units import per_cent
from ..diagnosis.examined import Examined
from ..records.evidence import BusEvidence
from ..records.strobes import FEW_MISSES, held_low
from .records import Item
from .trend_part import TrendPart

Z = 5.0  #: standard errors; one in a few millions by chance
TWICE = 2.0  #: times as large, from which a series is said to worsen
SAMPLES = 2.0  #: of doubt between two delays, each known to one


class TrendPoint(NamedTuple):
    """One capture of the series."""

    number: int  #: of the item
    minutes_on: float | None
    missing: Mapping[str, tuple[int, int]]  #: strobe -> (called for, missing)
    within: Mapping[str, Sequence[tuple[int, int]]]  #: the same in stretches of the capture
    wrong_reads: tuple[int, int]  #: reads that could be held against a write or a ROM image, and those of them that were wrong
    delays_ns: Mapping[str, float]  #: delay of the AC table -> its median
    sample_ns: float | None  #: to which the delays are known
    reads_within: Sequence[tuple[int, int]] = ()  #: compared and wrong reads in stretches of the capture
    holds_ms: float | None = None  #: after which memory lost a byte first; None where it lost none, or where time is not the reason

    def share(self, line: str) -> float | None:
        """Return the share of a strobe's requests in which it was missing, None where it was not captured."""
        called, missing = self.missing.get(line, (0, 0))
        return missing / called if called else None


class Trend(NamedTuple):
    """The series over all captures that count."""

    points: tuple[TrendPoint, ...]
    warnings: tuple[str, ...]  #: what worsens, in sentences


def trend_of(series: Sequence[tuple[Item, Examined, TrendPart]]) -> Trend | None:
    """Return the trend of the captures of a case, None where there are none."""
    return trend_of_points([point_of(item.number, item.minutes_on, examined.evidence, part) for item, examined, part in series])


def trend_of_points(points: list[TrendPoint]) -> Trend | None:
    """Return the trend of captures that were counted already, None where there are none."""
    if all(point.minutes_on is not None for point in points):
        points.sort(key=lambda point: point.minutes_on or 0.0)
    return Trend(tuple(points), tuple(_warnings(points))) if points else None


def point_of(number: int, minutes_on: float | None, evidence: BusEvidence, part: TrendPart) -> TrendPoint:
    """Return one capture of the series."""
    memory, timing = evidence.memory, evidence.timing
    compared = wrong = 0
    for each in (*(memory.pages if memory is not None else ()), *(memory.roms if memory is not None else ())):
        compared, wrong = compared + each.compared, wrong + each.wrong
    slices, holds = part.slices(), part.holds_s()
    for line, count in evidence.strobes.items():
        if line in slices and held_low(evidence.line(line), count):
            slices[line] = [(called, called) for called, _ in slices[line]]
    missing = {line: (sum(called for called, _ in parts), sum(missed for _, missed in parts)) for line, parts in slices.items()}
    return TrendPoint(
        number, minutes_on, missing, slices, (compared, wrong),
        {delay.symbol: delay.median_s * 1e9 for delay in (timing.delays if timing is not None else ())},
        timing.uncertainty_s * 1e9 if timing is not None else None, part.reads(), None if holds is None else holds * 1e3,
    )  # fmt: skip


def _warnings(points: Sequence[TrendPoint]) -> list[str]:
    told = []
    for line in dict.fromkeys(line for point in points for line in point.missing):
        for point in points:
            parts = point.within.get(line, ())
            third = len(parts) // 3
            if third and worse(_sum(parts[:third]), _sum(parts[-third:])):
                first, last = _share(parts[:third]), _share(parts[-third:])
                told.append(f"{bar(line)} fails more and more within capture {point.number}: in {first} of its requests, then in {last}")
        series = [(point, point.missing[line]) for point in points if line in point.missing]
        shares = [missing / called for _, (called, missing) in series if called]
        if len(series) > 1 and worse(series[0][1], series[-1][1]) and rising(shares):
            told.append(f"{bar(line)} fails more and more from capture to capture: {_words(series)}")
    for point in points:
        third = len(point.reads_within) // 3
        if third and worse(_sum(point.reads_within[:third]), _sum(point.reads_within[-third:])):
            first, last = _share(point.reads_within[:third]), _share(point.reads_within[-third:])
            told.append(f"wrong reads become more within capture {point.number}: {first} of them, then {last}")
    reads = [(point, point.wrong_reads) for point in points if point.wrong_reads[0]]
    if len(reads) > 1 and worse(reads[0][1], reads[-1][1]) and rising([wrong / compared for _, (compared, wrong) in reads]):
        told.append(f"wrong reads become more from capture to capture: {_words(reads)}")
    return told + _slower(points) + _forgetful(points)


def _forgetful(points: Sequence[TrendPoint]) -> list[str]:
    """Say where memory holds what was written for less and less time."""
    series = [(point, point.holds_ms) for point in points if point.holds_ms is not None]
    times = [-holds for _, holds in series]
    if len(series) < 2 or not rising(times) or -times[0] < TWICE * -times[-1]:
        return []
    words = ", ".join(f"{holds:.3g} ms in capture {point.number}" for point, holds in series)
    return [f"memory loses what was written sooner and sooner: after {words}"]


def _slower(points: Sequence[TrendPoint]) -> list[str]:
    told = []
    for symbol in dict.fromkeys(symbol for point in points for symbol in point.delays_ns):
        series = [(point, point.delays_ns[symbol]) for point in points if symbol in point.delays_ns and point.sample_ns is not None]
        values = [value for _, value in series]
        doubt = SAMPLES * max((point.sample_ns or 0.0 for point, _ in series), default=0.0)
        if len(series) > 2 and rising(values) and values[-1] - values[0] > doubt:
            words = ", ".join(f"{value:.0f} ns in capture {point.number}" for point, value in series)
            told.append(f"the delay {symbol} grows from capture to capture: {words}")
    return told


def worse(first: tuple[int, int], last: tuple[int, int]) -> bool:
    """Say whether the second share is larger beyond chance, and by enough to speak of. Each: (of how many, how many)."""
    if not first[0] or not last[0] or last[1] < FEW_MISSES:
        return False
    one, other = first[1] / first[0], last[1] / last[0]
    pooled = (first[1] + last[1]) / (first[0] + last[0])
    error = math.sqrt(pooled * (1 - pooled) * (1 / first[0] + 1 / last[0]))
    return other >= TWICE * one and other - one > Z * error


def rising(values: Sequence[float]) -> bool:
    """Say whether no value of a series is below the one before it."""
    return all(later >= earlier for earlier, later in zip(values, values[1:], strict=False))


def _sum(parts: Sequence[tuple[int, int]]) -> tuple[int, int]:
    return sum(called for called, _ in parts), sum(missed for _, missed in parts)


def _share(parts: Sequence[tuple[int, int]]) -> str:
    called, missed = _sum(parts)
    return f"{per_cent(missed / called)} %"


def _words(series: Sequence[tuple[TrendPoint, tuple[int, int]]]) -> str:
    def told(point: TrendPoint, whole: int, part: int) -> str:
        warm = f" (on for {point.minutes_on:g} min)" if point.minutes_on is not None else ""
        return f"{per_cent(part / whole)} % in capture {point.number}{warm}"

    return ", ".join(told(point, *counts) for point, counts in series)
