"""Limits of what the time base is learned by: pulses and edges in ticks, made by hand. Shapes: UM0080, timing figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import accumulate
from typing import Any

from limits import Limit

from strobewise.bus.calibration import Calibration, TimeBase, _is_alias, _joins_gaps, _longest_t, believes_grant, calibrate
from strobewise.bus.estimates import (
    Pulse,
    Strobes,
    before_reads,
    by_distances,
    clock_period,
    refresh_gaps,
    t_from_mreq,
    t_from_widths,
    torn,
    without_glitches,
)
from strobewise.bus.in_step import _shown_by_clock, sample_interval

T = 100  #: ticks in a T-state, where nothing else is said


def pulses(widths: Sequence[int], gaps: Sequence[int]) -> list[Pulse]:
    """Return pulses of these widths, each with its gap behind it."""
    starts = accumulate((width + gap for width, gap in zip(widths, gaps, strict=True)), initial=0)
    return [(start, start + width) for start, width in zip(starts, widths, strict=False)]


def alike(count: int, width: int, gap: int, others: int = 0, other_width: int = 0, other_gap: int = 0) -> list[Pulse]:
    """Return so many pulses of one shape, and others of another behind them."""
    return pulses([width] * count + [other_width] * others, [gap] * count + [other_gap or gap] * others)


def fetches(count: int = 40) -> list[Pulse]:
    """Return /MREQ of fetches: 1.5 T, half a T released, the refresh of 1 T, and 1 T to the next."""
    return pulses([150, 100] * count, [50, 100] * count)


def edges(steps: Iterable[int]) -> list[int]:
    return list(accumulate(steps, initial=0))


def by_fetches(sample: float, odd: int = 0) -> float:
    """Return the sample interval by a hundred fetches, each edge with that of CLK which causes it, but for /M1 of so many."""
    rises = edges([T] * 404)
    starts = range(0, 400, 4)
    m1 = [(rises[k] + T // 2 * (n < odd), rises[k + 2]) for n, k in enumerate(starts)]
    rfsh = [(rises[k + 2], rises[k + 4]) for k in starts]
    halves = ((rises[k] + at, rises[k] + at + width) for k in starts for at, width in ((50, 150), (250, 100)))
    return sample_interval(rises, Strobes(list(halves), rfsh, m1, [], []), sample)


def by_m1(rises: Sequence[int], late: int, count: int | None = None) -> float:
    """Return the sample interval by pulses of /M1 alone, the n-th behind the n-th edge of CLK, where the times tell one tick."""
    return sample_interval(rises, Strobes([], [], [(at + late, at + late + 1) for at in rises[:-1][:count]], [], []), 1.0)


def settled(
    given: float | None = None, mreq: Sequence[Pulse] = (), m1: Sequence[Pulse] = (), rd: Sequence[Pulse] = (), **more: Any
) -> Calibration:
    """Return the calibration of a row of pulses; rises, rfsh, sample and the shares as `calibrate` takes them."""
    rises, rfsh, sample = more.pop("rises", ()), more.pop("rfsh", ()), more.pop("sample", 1.0)
    return calibrate(rises, mreq, rfsh, m1, rd, sample, TimeBase(None, given), **more)


def counts(**more: Any) -> bool:
    return settled(**more).counts_clock


def counted_apart(fraction: float) -> bool:
    """Say whether one distance that lies so far off whole T-states counts among forty of 4 T."""
    return by_distances(edges([400] * 40 + [round(T * (4 + fraction))]), T) != T


def found_apart(t: int) -> bool:
    """Say whether a T-state so long is found by distances of 5 and 3 T, estimated at 100,000 ticks."""
    return by_distances(edges([5 * t, 3 * t] * 20), 100_000) != 100_000


def one_step_counts(step: int) -> bool:
    """Say whether one step so long counts among many of 100."""
    return clock_period(edges([T] * 20 + [step] + [T] * 20)) != T


def calibration_of(t_ticks: float, sample: float) -> Calibration:
    return Calibration(t_ticks, "CLK", sample, True, True)


def mixed_steps(short: int, longer: int) -> list[int]:
    """Return a hundred edges, `longer` of their steps a tick longer than the others."""
    return edges(short + (k * longer // 100 != (k + 1) * longer // 100) for k in range(100))


def odd_refreshes(odd: int, by: int, sample: float, count: int = 20) -> bool:
    """Say whether /RFSH of 200 ticks, of which so many are longer, is taken for what it should be."""
    return _longest_t((), alike(count - odd, 200, 200, odd, 200 + by), (), sample) is not None


def same(function: Callable[..., Any], *arguments: Any) -> bool:
    return function(*arguments) is not None


FOUND_APART = Limit("", found_apart, 78_545, 78_485)

CALIBRATION = [
    # --- estimates ---
    Limit("estimates.FEW_PULSES", lambda n: same(t_from_widths, alike(n, 20, 80), 2.0, 1.0), 8, 7),
    Limit("estimates.CLOCK_EDGES_MIN", lambda n: same(clock_period, list(range(0, 10 * n, 10))), 5, 4),
    Limit("estimates.PERIOD_SHORT", one_step_counts, 61, 59),
    Limit("estimates.PERIOD_LONG", one_step_counts, 144, 146),
    Limit("estimates.SHORTEST_PART", lambda n: t_from_widths(alike(n, 200, T, 132 - n, 300), 2.0, 1.0), 12, 11, 100.0, 150.0),
    Limit("estimates.SHORT_GAP", lambda gap: gap in refresh_gaps(alike(20, 150, 100, 2, 150, gap), 1.0), 139, 141),
    Limit("estimates.SPANS_PART", lambda n: t_from_mreq(alike(n + 1, 100, 50, 60 - n, 200), 10.0), 16, 15, 100.0, 500 / 3),
    Limit("estimates.ALIKE_SAMPLES", lambda by: t_from_mreq(alike(20, 100, 50, 1, 100 + by), 40.0) != T, 59, 61),
    Limit("estimates.ALIKE_SAMPLES", lambda by: t_from_widths(alike(20, 200, T, 1, 200 + by), 2.0, 40.0) != T, 59, 61),
    Limit("estimates.SPANS_ALIKE", lambda by: t_from_mreq(alike(20, 100, 50, 1, 100 + by), 1.0) != T, 29, 31),
    Limit("estimates.WIDTHS_ALIKE", lambda by: t_from_widths(alike(20, 200, T, 1, 200 + by), 2.0, 1.0) != T, 29, 31),
    Limit("estimates.GAP_SAMPLES_SURE", lambda n: same(t_from_mreq, alike(20, 10 * n, 10 * n), 10.0), 5, 6),
    Limit("estimates.WIDER_THAN_GAP", lambda width: same(t_from_mreq, alike(20, width, 100), 1.0), 126, 124),
    Limit("estimates.COUNTED_T", lambda n: by_distances(edges([n * 101] * 40), T) != T, 11, 12),
    Limit("estimates.DISTANCES_MIN", lambda n: by_distances(edges([412] * n), T) != T, 32, 31),
    *(FOUND_APART._replace(constant=f"estimates.{name}") for name in ("SEARCH_STEP", "SEARCH_STEPS", "DISTANCE_OFF")),
    Limit("estimates.FITTING", counted_apart, 0.39, 0.41),
    Limit("estimates.READ_PARTS", lambda width: before_reads(alike(20, width, T), 1.0), 160, 159, 20, 19),
    Limit("estimates.ONE_SAMPLE", lambda gap: len(without_glitches(alike(20, 1000, 1000, 2, 1000, gap), 100.0)), 119, 121, 21, 22),
    Limit("estimates.TORN_PART", lambda n: torn(alike(n - 4, 100, 100, 4, 100, 10), 10.0), 59, 60),
    Limit("estimates.USUAL_T", lambda width: len(without_glitches(alike(20, 400, 400, 1, width), 1000.0)), 101, 99, 21, 20),
    Limit("estimates.GLITCH_SAMPLES", lambda width: len(without_glitches(alike(20, 400, 400, 1, width), 10.0)), 26, 24, 21, 20),
    Limit("estimates.LONG_SAMPLES", lambda n: len(without_glitches(alike(30, 10 * n, 100, 2, 10 * n, 10), 10.0)), 9, 8, 31, 32),
    # --- in_step ---
    Limit("in_step.ONE_LENGTH", lambda alike: _shown_by_clock(edges([100] * alike + [150] * (100 - alike))), 90, 91, 50, 0),
    Limit("in_step.IN_STEP_TICKS_MIN", lambda steps: by_m1(edges(steps), 2), [4] * 100, [3, *[4] * 9] * 10, 2.0, 1.0),
    Limit("in_step.IN_STEP_EDGES", lambda n: by_m1(edges([T] * 99), 50, n), 16, 15, 50.0, 1.0),
    Limit("in_step.IN_STEP_SHARE", lambda odd: by_fetches(50.0, odd), 8, 9, 1.0, 50.0),
    Limit("in_step.HALF_OF_PERIOD", by_fetches, 54, 56, 1.0, 56),
    Limit("in_step.FINER_THAN_HALF", by_fetches, 44, 46, 44, 1.0),
    Limit("in_step.ROUNDING", lambda n: by_m1(mixed_steps(101, n), 52), 54, 46, 50.77, 1.0),
    Limit("in_step.ROUNDING_ONCE", lambda n: by_m1(mixed_steps(4, n), 3), 82, 78, 2.41, 1.0),
    # --- calibration ---
    Limit("calibration.FRAMED_MIN", lambda share: settled(mreq=fetches(), framed=share).mreq_frames, 0.81, 0.79),
    Limit("calibration.ALIAS_FIT", lambda off: _is_alias(1 / (0.25 + off), 4 / 3, 1.0), 0.0074, 0.0076),
    Limit("calibration.ALIASED", lambda period: counts(rises=edges([period] * 99), rfsh=alike(40, 145, 255), framed=0.5), 115, 117),
    Limit("calibration.PROPER_MIN", lambda share: settled(mreq=fetches(), proper_io=share).iorq_frames, 0.86, 0.84),
    Limit("calibration.PROPER_MIN", lambda share: settled(mreq=fetches(), proper_rd=share).rd_alone, 0.86, 0.84),
    Limit("calibration.PROPER_MIN", lambda share: settled(mreq=fetches(), proper_wr=share).wr_alone, 0.86, 0.84),
    Limit("calibration.TELLING_SAMPLES", lambda n: settled(mreq=fetches(), sample=T / n).strobe_t_ticks is not None, 5.1, 4.9),
    Limit("calibration.GAP_SAMPLES_MIN", lambda gap: _joins_gaps(pulses([150, 100] * 40, [gap, 100] * 40), 10.0), 26, 24),
    Limit("calibration.CLOCK_SAMPLES_MIN", lambda n: counts(rises=edges([T] * 99), sample=T / n), 2.25, 2.15),
    Limit("calibration.LONGER_THAN_ALLOWED", lambda width: settled(mreq=fetches(), m1=alike(40, width, 200)).t_source == "MREQ", 184, 180),
    Limit("calibration.READS_PART", lambda n: settled(100.0, fetches(20), rd=alike(n, 150, 250), sample=40.0).mreq_frames, 9, 10),
    Limit("calibration.CLOCK_SHORT", lambda period: counts(rises=edges([period] * 99), mreq=fetches()), 71, 69),
    Limit("calibration.CLOCK_LONG", lambda period: counts(rises=edges([period] * 99), mreq=fetches()), 139, 141),
    Limit("calibration.RFSH_ALIKE_SAMPLES", lambda by: odd_refreshes(3, by, 100.0), 119, 121),
    Limit("calibration.RFSH_ALIKE", lambda by: odd_refreshes(3, by, 1.0), 39, 41),
    Limit("calibration.RFSH_ALIKE_MIN", lambda odd: odd_refreshes(odd, 60, 1.0, 100), 9, 12),
    Limit("calibration.CLOCK_SPIKE_T", lambda behind: behind < calibration_of(100.0, 1.0).spike_ticks, 49, 51),
    Limit("calibration.CLOCK_SPIKE_SAMPLES", lambda sample: calibration_of(100.0, sample).spike_ticks > 0, 25.0, 26.0),
    Limit("calibration.GRANT_DENIED", lambda n: believes_grant(fetches(n), 100.0), 3, 4),
]  # fmt: skip
