"""What changes from capture to capture, and within one, as pictures: strobes, reads, delays, and how long memory holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from strobewise.bus.lines import bar
from strobewise.bus.units import per_cent
from strobewise.case.trend import Trend, TrendPoint
from strobewise_cli.render.html_charts import Chart, Label

MARKS = ("●", "■", "▲", "◆", "○", "□", "△", "◇")  #: no series by its colour alone
WIDTH, HEIGHT, LEFT, TOP, BOTTOM, RIGHT = 380, 170, 66, 14, 30, 30  #: a telephone shows it whole
WITHIN_SHOWN = 3  #: captures whose inside is drawn, the last ones: before them nothing is to be seen that the series does not show
BARS = "▁▂▃▄▅▆▇█"
READS = "wrong reads"
Row = Sequence[float | None]


def trend_charts(trend: Trend | None) -> list[Chart]:
    """Return the pictures: over the captures where there are two or more, and within those in which something fails."""
    points = trend.points if trend is not None else ()
    charts = [*_over_captures(points), *(_within(point) for point in _failing(points)[-WITHIN_SHOWN:])]
    return [chart for chart in charts if chart is not None]


def _over_captures(points: Sequence[TrendPoint]) -> list[Chart | None]:
    if len(points) < 2:
        return []
    timed = all(point.minutes_on is not None for point in points)
    where = [
        (point.minutes_on or 0.0 if timed else float(n), f"{point.minutes_on:g} min" if timed else f"no. {point.number}")
        for n, point in enumerate(points)
    ]
    lines = dict.fromkeys(line for point in points for line, (_, missed) in point.missing.items() if missed)
    symbols = dict.fromkeys(symbol for point in points for symbol in point.delays_ns)
    missing = {bar(line): [point.share(line) for point in points] for line in lines}
    reads: dict[str, Row] = {READS: [wrong / compared if compared else None for compared, wrong in (p.wrong_reads for p in points)]}
    delays: dict[str, Row] = {symbol: [point.delays_ns.get(symbol) for point in points] for symbol in symbols}
    delays = {symbol: row for symbol, row in delays.items() if sum(value is not None for value in row) > 1}
    holds: dict[str, Row] = {"time": [point.holds_ms for point in points]}
    return [
        series_chart("Missing strobes from capture to capture", where, missing, _share_words),
        series_chart("Wrong reads from capture to capture", where, reads, _share_words),
        series_chart("Delays behind the clock from capture to capture", where, dict(list(delays.items())[: len(MARKS)]), _ns_words, True),
        series_chart("How long memory held what was written, where it lost some", where, holds, _ms_words),
    ]


def _failing(points: Sequence[TrendPoint]) -> list[TrendPoint]:
    return [point for point in points if within_rows(point)]


def within_rows(point: TrendPoint) -> dict[str, Row]:
    """Return for each strobe that fails, and for the reads, the share that failed in each stretch of a capture.

    What is the same from begin to end has no course: a strobe that is dead throughout.
    """
    rows = {bar(line): _shares(parts) for line, parts in point.within.items() if any(missed for _, missed in parts)}
    if any(wrong for _, wrong in point.reads_within):
        rows[READS] = _shares(point.reads_within)
    return {name: row for name, row in rows.items() if len(set(row)) > 1}


def _shares(parts: Sequence[tuple[int, int]]) -> Row:
    return [failed / whole if whole else None for whole, failed in parts]


def _within(point: TrendPoint) -> Chart | None:
    rows = within_rows(point)
    count = max(map(len, rows.values()))
    where = [(float(n), "begin" if n == 0 else "end" if n == count - 1 else "") for n in range(count)]
    warm = f", on for {point.minutes_on:g} min" if point.minutes_on is not None else ""
    return series_chart(f"Within capture {point.number}{warm}: missing strobes and wrong reads", where, rows, _share_words)


def series_chart(
    title: str, where: Sequence[tuple[float, str]], rows: Mapping[str, Row], words: Callable[[float], str], from_least: bool = False
) -> Chart | None:
    """Return a picture of series, each with its own mark; None where nothing is to be seen.

    where: of each value its place on the axis and its label. from_least: the axis begins at the least value, not at 0.
    """
    known = [value for row in rows.values() for value in row if value is not None]
    if not known or not max(known):
        return None
    least, most = min(known) if from_least else 0.0, max(known)
    begin, end = where[0][0], where[-1][0]

    def x(number: int) -> float:
        return round(LEFT + (where[number][0] - begin) / max(end - begin, 1e-9) * (WIDTH - LEFT - RIGHT), 1)

    def y(value: float) -> float:
        share = (value - least) / (most - least) if most > least else 0.5
        return round(HEIGHT - BOTTOM - share * (HEIGHT - BOTTOM - TOP), 1)

    labels = [Label(LEFT - 8, TOP + 5, words(most), "end"), Label(LEFT - 8, HEIGHT - BOTTOM, words(least), "end")]
    labels += [Label(x(n), HEIGHT - 8, text) for n, (_, text) in enumerate(where) if text]
    paths, told = [], []
    for mark, (name, row) in zip(MARKS, rows.items(), strict=False):
        spots = [(x(n), y(value)) for n, value in enumerate(row) if value is not None]
        paths.append(("trend", "M" + "L".join(f"{px} {py}" for px, py in spots)))
        labels += [Label(px, py + 4, mark) for px, py in spots]
        told.append(f"{mark} {name} " + ", ".join("-" if value is None else words(value) for value in row))
    return Chart(title, WIDTH, HEIGHT, (), tuple(labels), tuple(paths), (), "; ".join(told))


def within_lines(trend: Trend) -> list[str]:
    """Return what fails within captures as lines of fixed type, a bar for each stretch; delays and retention, where known, behind it."""
    told = []
    for point in _failing(trend.points)[-WITHIN_SHOWN:]:
        for name, row in within_rows(point).items():
            known = [value for value in row if value is not None]
            told.append(f"within {point.number}: {name:<11} {bars(row)} {per_cent(known[0])} % .. {per_cent(known[-1])} %")
    return told


def bars(row: Row) -> str:
    """Return a row of shares as a row of bars, the largest as high as they go."""
    most = max((value for value in row if value is not None), default=0.0) or 1.0
    return "".join(" " if value is None else BARS[round(value / most * (len(BARS) - 1))] for value in row)


def more_lines(trend: Trend) -> list[str]:
    """Return the delays behind the clock, and how long memory held, of each capture: rows of fixed type, empty where nobody knows any."""
    symbols = list(dict.fromkeys(symbol for point in trend.points for symbol in point.delays_ns))
    told = []
    for symbol in symbols:
        known = [point for point in trend.points if symbol in point.delays_ns]
        told.append(f"{symbol:<9} " + ", ".join(f"{point.delays_ns[symbol]:.0f} ns in {point.number}" for point in known))
    holds = [f"{point.holds_ms:.3g} ms in {point.number}" for point in trend.points if point.holds_ms is not None]
    return [*told, *([f"held for  {', '.join(holds)}"] if holds else [])]


def _share_words(value: float) -> str:
    return f"{per_cent(value)} %" if value else "0"


def _ns_words(value: float) -> str:
    return f"{value:.0f} ns"


def _ms_words(value: float) -> str:
    return f"{value:.3g} ms" if value else "0"
