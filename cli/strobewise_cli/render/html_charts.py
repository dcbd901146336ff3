"""The charts of a page as plain shapes: a template writes them as SVG, so that they show without scripts and in print."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from strobewise.bus.lines import bar
from strobewise.bus.model import KINDS
from strobewise.bus.units import time_words
from strobewise.records.memory import MemoryRecord
from strobewise_cli.render.html_data import COLUMNS, Course

WIDTH, HEIGHT = 720, 150
LEFT, RIGHT, TOP, BOTTOM = 56, 8, 8, 24
FAILURES_HEIGHT = 90
ROW = 20
PAGE = 256  #: bytes in a cell of the memory map
MAP_CELL = 22
MAP_KINDS = ("fetched", "read", "written", "mismatched")
LEAST_HEIGHT = 0.2  #: of a row of the timeline, for what is active for a moment only
MAP_LETTERS = {"fetched": "F", "read": "R", "written": "W", "mismatched": "!"}


class Rect(NamedTuple):
    """One rectangle; `kind` is its CSS class."""

    x: float
    y: float
    width: float
    height: float
    kind: str
    title: str = ""
    text: str = ""


class Label(NamedTuple):
    """One text."""

    x: float
    y: float
    text: str
    anchor: str = "middle"


class Chart(NamedTuple):
    """A chart ready to write."""

    title: str
    width: int
    height: int
    rects: tuple[Rect, ...]
    labels: tuple[Label, ...]
    paths: tuple[tuple[str, str], ...] = ()  #: (CSS class, path)
    legend: tuple[tuple[str, str], ...] = ()  #: (CSS class, words)
    summary: str = ""  #: what it says, for readers who do not see it


def _x(share: float) -> float:
    return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)


def _time_labels(start_s: float, end_s: float, y: float) -> list[Label]:
    anchors = ("start", "middle", "middle", "middle", "end")
    return [
        Label(_x(n / 4), y, time_words(start_s + (end_s - start_s) * n / 4) if start_s or n else "0", anchor)
        for n, anchor in enumerate(anchors)
    ]


def cycle_mix(course: Course) -> Chart | None:
    """Return the machine cycles over time, stacked by kind; None where there were none."""
    most = max((sum(row) for row in course.kinds), default=0)
    if not most:
        return None
    rects = []
    wide = (WIDTH - LEFT - RIGHT) / len(course.kinds)
    room = HEIGHT - TOP - BOTTOM
    for number, row in enumerate(course.kinds):
        y = float(HEIGHT - BOTTOM)
        for kind, count in enumerate(row):
            if not count:
                continue
            high = count / most * room
            y -= high
            title = f"{count} {KINDS[kind].replace('_', ' ')} from {time_words(course.edges_s[number])}"
            rects.append(Rect(_x(number / len(course.kinds)), round(y, 1), round(wide, 1), round(high, 1), KINDS[kind], title))
    totals = [sum(column) for column in zip(*course.kinds, strict=True)]
    legend = tuple((KINDS[k], f"{KINDS[k].replace('_', ' ')} ({n})") for k, n in enumerate(totals) if n)
    labels = [*_time_labels(course.edges_s[0], course.edges_s[-1], HEIGHT - 6), Label(LEFT - 6, TOP + 10, str(most), "end")]
    labels.append(Label(LEFT - 6, HEIGHT - BOTTOM, "0", "end"))
    summary = ", ".join(words for _, words in legend)
    step = time_words((course.edges_s[-1] - course.edges_s[0]) / len(course.kinds))
    title = f"Machine cycles over time, counted in stretches of {step}"
    return Chart(title, WIDTH, HEIGHT, tuple(rects), tuple(labels), (), legend, summary)


def failures(course: Course) -> Chart | None:
    """Return when machine cycles lacked their own strobe or fitted none: a fault that begins late or comes and goes; None without one."""
    most = max(course.failed, default=0)
    if not most:
        return None
    count = len(course.failed)
    wide, room = (WIDTH - LEFT - RIGHT) / count, FAILURES_HEIGHT - TOP - BOTTOM
    rects = []
    for number, failed in enumerate(course.failed):
        if failed:
            high = max(2.0, failed / most * room)
            title = f"{failed} of {sum(course.kinds[number])} from {time_words(course.edges_s[number])}"
            x = _x(number / count)
            rects.append(Rect(x, round(FAILURES_HEIGHT - BOTTOM - high, 1), round(wide, 1), round(high, 1), "failed", title))
    labels = [*_time_labels(course.edges_s[0], course.edges_s[-1], FAILURES_HEIGHT - 6), Label(LEFT - 6, TOP + 10, str(most), "end")]
    labels.append(Label(LEFT - 6, FAILURES_HEIGHT - BOTTOM, "0", "end"))
    hit = [number for number, failed in enumerate(course.failed) if failed]
    begins, ends = time_words(course.edges_s[hit[0]]), time_words(course.edges_s[hit[-1] + 1])
    total, cycles = sum(course.failed), sum(map(sum, course.kinds))
    summary = f"{total} of {cycles} machine cycles lacked their own strobe or fitted none, between {begins} and {ends}"
    return Chart("Failures over time", WIDTH, FAILURES_HEIGHT, tuple(rects), tuple(labels), (), (), summary)


def clock_stability(course: Course, sample_s: float | None = None) -> Chart | None:
    """Return the clock period over time, shortest to longest with the mean; None where CLK was not captured.

    sample_s: the sample interval, by which each period may seem longer or shorter.
    """
    known = [(n, row) for n, row in enumerate(course.period) if row is not None]
    if not known:
        return None
    low, high = min(row[0] for _, row in known), max(row[2] for _, row in known)
    mean = sum(row[1] for _, row in known) / len(known)
    low, high = min(low, mean * 0.9), max(high, mean * 1.1)
    capped = min(high, mean * 4)  # a pause must not flatten all the rest
    room = HEIGHT - TOP - BOTTOM

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - (min(value, capped) - low) / (capped - low) * room, 1)

    wide = (WIDTH - LEFT - RIGHT) / len(course.period)
    rects: list[Rect] = []
    line: list[str] = []
    for number, (shortest, middle, longest) in known:
        title = f"{shortest * 1e9:.0f} to {longest * 1e9:.0f} ns, mean {middle * 1e9:.1f} ns, from {time_words(course.edges_s[number])}"
        x = _x(number / len(course.period))
        rects.append(Rect(x, y(longest), round(wide, 1), round(max(1.5, y(shortest) - y(longest)), 1), "period", title))
        line.append(f"{'M' if not line else 'L'}{x + wide / 2:.1f} {y(middle)}")
    labels = [
        *_time_labels(course.edges_s[0], course.edges_s[-1], HEIGHT - 6),
        Label(LEFT - 6, TOP + 10, f"{capped * 1e9:.0f} ns", "end"), Label(LEFT - 6, HEIGHT - BOTTOM, f"{low * 1e9:.0f} ns", "end"),
    ]  # fmt: skip
    least, most = min(row[0] for _, row in known), max(row[2] for _, row in known)
    summary = f"period {least * 1e9:.0f} to {most * 1e9:.0f} ns (band), mean {mean * 1e9:.1f} ns (line)"
    if sample_s:
        summary += f"; one sample is {sample_s * 1e9:.3g} ns, and a band of one sample is the sampling's own"
    return Chart("Clock period over time", WIDTH, HEIGHT, tuple(rects), tuple(labels), (("mean", "".join(line)),), (), summary)


def timeline(course: Course, triggers: Sequence[tuple[str, Sequence[float]]]) -> Chart | None:
    """Return when lines were held and events fell. triggers: (name, times in seconds) of paging events."""
    start, end = course.edges_s[0], course.edges_s[-1]
    rows: list[tuple[str, Sequence[float], str]] = [(bar(name), shares, "held") for name, shares in course.held.items() if any(shares)]
    rows += [(name, flags, "event") for name, flags in course.marks.items()]
    columns = len(next((shares for _, shares, _ in rows), [])) or COLUMNS
    for name, times in triggers:
        flags = [False] * columns
        for time in times:
            flags[min(columns - 1, max(0, int((time - start) / max(end - start, 1e-30) * columns)))] = True
        if any(flags):
            rows.append((name, flags, "event"))
    if not rows:
        return None
    rects, labels = [], []
    left, wide = 110, WIDTH - 110 - RIGHT
    for number, (name, shares, kind) in enumerate(rows):
        y = TOP + number * ROW
        labels.append(Label(left - 6, y + 13, name, "end"))
        rects.append(Rect(left, y + ROW - 5, wide, 1, "rule"))
        for first, last, level in _levels(shares):
            width, high = max(1.5, (last - first + 1) / columns * wide), level * (ROW - 7)
            active = sum(shares[first : last + 1]) * (end - start) / columns
            title = f"{name}: {time_words(active)}" if kind == "held" else name
            x = round(left + first / columns * wide, 1)
            rects.append(Rect(x, round(y + ROW - 5 - high, 1), round(width, 1), round(high, 1), kind, title))
    height = TOP + len(rows) * ROW + BOTTOM
    moments = (start, start + (end - start) / 2, end)
    anchors = ("start", "middle", "end")
    for number, (moment, anchor) in enumerate(zip(moments, anchors, strict=True)):
        labels.append(Label(left + wide * number / 2, height - 6, time_words(moment) if moment else "0", anchor))
    summary = "; ".join(_row_words(name, shares, kind) for name, shares, kind in rows)
    legend = (("held", "line at its active level, the higher the more of the time"), ("event", "event"))
    return Chart("Interrupts, paging and held lines", WIDTH, height, tuple(rects), tuple(labels), (), legend, summary)


def _levels(shares: Sequence[float]) -> list[tuple[int, int, float]]:
    """Return the stretches of one height as (first, last, height); what is seldom still shows."""
    levels: list[tuple[int, int, float]] = []
    for number, share in enumerate(shares):
        height = max(LEAST_HEIGHT, round(float(share), 1)) if share > 0 else 0.0
        if height and levels and levels[-1][1] == number - 1 and levels[-1][2] == height:
            levels[-1] = levels[-1][0], number, height
        elif height:
            levels.append((number, number, height))
    return levels


def _row_words(name: str, shares: Sequence[float], kind: str) -> str:
    active = [number for number, share in enumerate(shares) if share > 0]
    count = sum(1 for n, number in enumerate(active) if not n or active[n - 1] != number - 1)
    stretches = f"{name}: {count} stretch{'es' if count != 1 else ''}"
    return f"{stretches}, {sum(shares) / len(shares) * 100:.1f} % of the time" if kind == "held" else stretches


def memory_map(memory: MemoryRecord | None) -> Chart | None:
    """Return the 64 K in cells of 256 bytes: fetched, read, written, mismatched; None without a record."""
    if memory is None:
        return None
    maps = {"fetched": memory.fetched, "read": memory.read, "written": memory.written, "mismatched": memory.mismatched}
    rects, labels = [], []
    left, top = 60, 24
    counts = dict.fromkeys(MAP_KINDS, 0)
    for page in range(65536 // PAGE):
        shares = {kind: maps[kind][page * PAGE : (page + 1) * PAGE].count() for kind in MAP_KINDS}
        x, y = left + page % 16 * MAP_CELL * 2, top + page // 16 * MAP_CELL
        used = [kind for kind in MAP_KINDS if shares[kind]]
        letters = "".join(MAP_LETTERS[kind] for kind in used)
        for kind in used:
            counts[kind] += shares[kind]
        main = "mismatched" if shares["mismatched"] else next(iter(used), "untouched")
        first = page * PAGE
        told = ", ".join(f"{shares[kind]} {kind}" for kind in used) or "untouched"
        title = f"0x{first:04x}-0x{first + PAGE - 1:04x}: {told}"
        rects.append(Rect(x, y, MAP_CELL * 2 - 2, MAP_CELL - 2, f"map-{main}", title, letters))
    for row in range(16):
        labels.append(Label(left - 6, top + row * MAP_CELL + 14, f"0x{row << 12:04x}", "end"))
        labels.append(Label(left + row * MAP_CELL * 2 + MAP_CELL, top - 8, f"+{row:x}00"))
    words = {**dict(zip(MAP_KINDS, MAP_KINDS, strict=True)), "mismatched": "mismatched: read another byte than last written"}
    legend = tuple((f"map-{kind}", f"{MAP_LETTERS[kind]} {words[kind]} ({counts[kind]} addresses)") for kind in MAP_KINDS)
    summary = ", ".join(f"{counts[kind]} addresses {kind}" for kind in MAP_KINDS)
    return Chart("Memory map", left + 16 * MAP_CELL * 2 + 4, top + 16 * MAP_CELL + 4, tuple(rects), tuple(labels), (), legend, summary)
