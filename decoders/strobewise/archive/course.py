"""What changes over time, as the columns of a survey hold it: one capture's counts into its row, and the rows of a case into a series."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..bus.lines import STROBES
from ..case.trend import Trend, TrendPoint, trend_of_points
from ..compare.edges import CAUSED_BY
from .columns import Value, missing_column, timing_column

READS = "READS"
DELAYS = tuple(f"{line} {'fall' if edge == 'assert' else 'rise'}" for line, edge, _ in CAUSED_BY)


def counted(point: TrendPoint) -> dict[str, Value]:
    """Return the columns of one capture."""
    compared, wrong = point.wrong_reads
    parts = {**{line: point.within[line] for line in sorted(point.within)}, **({READS: point.reads_within} if point.reads_within else {})}
    course = "; ".join(f"{name}:" + ",".join(f"{whole}/{failed}" for whole, failed in row) for name, row in parts.items() if row)
    return {
        **{missing_column(line): point.share(line) for line in sorted(STROBES)},
        "reads_compared": compared, "reads_wrong": wrong, "holds_ms": point.holds_ms, "course": course or None,
    }  # fmt: skip


def _parts(course: str) -> dict[str, list[tuple[int, int]]]:
    rows = (row.partition(":") for row in course.split("; ") if row)
    return {name: [(int(whole), int(failed)) for whole, failed in (each.split("/") for each in told.split(","))] for name, _, told in rows}


def series_of(rows: Iterable[Mapping[str, Value]]) -> dict[str, Trend]:
    """Return the series of each case, by its folder: of the captures that stand on its sheet and count."""
    points: dict[str, list[tuple[int, TrendPoint]]] = {}
    for row in rows:
        number = row["entry"]
        if row["status"] == "examined" and isinstance(number, int) and row["withdrawn"] is None:
            points.setdefault(str(row["case_folder"]), []).append((number, _point(number, row)))
    found = {folder: trend_of_points([point for _, point in sorted(each, key=lambda pair: pair[0])]) for folder, each in points.items()}
    return {folder: trend for folder, trend in found.items() if trend is not None}


def _point(number: int, row: Mapping[str, Value]) -> TrendPoint:
    parts = _parts(str(row["course"] or ""))
    reads = parts.pop(READS, [])
    totals = {line: (sum(whole for whole, _ in each), sum(failed for _, failed in each)) for line, each in parts.items()}
    delays = {name: float(value) for name in DELAYS if isinstance(value := row[timing_column(name)], (int, float))}
    return TrendPoint(
        number, _number(row["minutes_on"]), totals, parts, (int(row["reads_compared"] or 0), int(row["reads_wrong"] or 0)), delays,
        _number(row["timing_known_to_ns"]), reads, _number(row["holds_ms"]),
    )  # fmt: skip


def _number(value: Value) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
