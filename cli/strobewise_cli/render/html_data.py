"""What a page needs of a capture beyond the diagnosis: windows around the findings, and the course of things over the whole capture.

The capture is read a second time, when the moments worth showing are known; only these windows are kept, so that the page stays small
whatever the size of the capture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from strobewise.bus.lines import LINE, bar
from strobewise.bus.model import KIND_INDEX, KINDS, NOTES, Finding
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import ChannelMap
from strobewise.capture.clocked.view import as_clocked
from strobewise.capture.followed import Followed
from strobewise.capture.records import Block
from strobewise.cycles.engine import Batch
from strobewise.cycles.pipeline import Onlooker
from strobewise.cycles.rebuild import Rebuild
from strobewise.cycles.requests import BlockEvents
from strobewise.cycles.table import CycleTable
from strobewise.diagnosis.examined import Examined
from strobewise.diagnosis.facade import Diagnosis
from strobewise.profile.options import Options
from strobewise.rules import find_rule, run
from strobewise_cli.render.html_memory import Contradiction, LastWrites

Int = npt.NDArray[np.int64]
Volts = npt.NDArray[np.float64]

BINS = 96  #: stretches of the capture in the charts over time
COLUMNS = 480  #: stretches in the timeline of held lines
WINDOW_T = (80, 160)  #: T-states shown before and after a finding's moment
WINDOWS_MAX = 24
WINDOW_EVENTS_MAX = 4000  #: events of one window; beyond them it ends early
WINDOW_WITHOUT_CLOCK = 1 / 400  #: share of the capture before and after a moment, where no T-state is known
TIMELINE = ("RESET", "WAIT", "BUSREQ", "BUSACK", "HALT", "INT", "NMI", "ROMDIS")
WITNESSES = ("M1", "MREQ", "RD")  #: without them a cycle lacks its strobe because nobody clipped it
_ACKNOWLEDGE = KIND_INDEX["interrupt_acknowledge"]
_UNKNOWN = KIND_INDEX["unknown"]
_NMI = NOTES.index("nmi_response")


@dataclass
class Window:
    """One stretch of a capture, complete."""

    key: str
    title: str
    start: int  #: ticks
    end: int
    moment: int  #: what it is about, ticks
    lines: tuple[str, ...] = ()  #: lines to mark
    times: Int = field(default_factory=lambda: np.empty(0, np.int64))
    words: npt.NDArray[np.uint64] = field(default_factory=lambda: np.empty(0, np.uint64))
    cycles: CycleTable = field(default_factory=CycleTable.empty)
    volts: dict[str, list[tuple[Int, Volts]]] = field(default_factory=dict)  #: line -> times in ticks and volts, piece by piece
    contradiction: Contradiction | None = None  #: of a read at the moment that gave back another byte than was written


@dataclass
class Course:
    """The whole capture in few numbers."""

    edges_s: list[float]  #: BINS + 1 borders of the stretches, seconds
    kinds: list[list[int]]  #: machine cycles in each stretch, by kind
    period: list[tuple[float, float, float] | None]  #: shortest, mean and longest clock period of each stretch, seconds
    held: dict[str, list[float]]  #: line -> share of each of COLUMNS stretches in which it was active
    marks: dict[str, list[bool]]  #: events -> whether one fell into each of COLUMNS stretches
    #: machine cycles in each stretch that lacked their own strobe, or fitted none; empty where that says nothing
    failed: list[int] = field(default_factory=list)


@dataclass
class PageData:
    """One capture as a page shows it."""

    examined: Examined
    t_ticks: float | None
    windows: list[Window]
    course: Course
    named: set[str]  #: lines of the moments, which get a row of their own


class Moment(NamedTuple):
    """Something that a page shows in the waveform."""

    key: str  #: name of its window
    title: str
    time_s: float
    lines: tuple[str, ...] = ()  #: lines to mark


def finding_key(number: int) -> str:
    """Return the name of a finding's window and of its place on the page."""
    return f"finding-{number}"


def title_of(finding: Finding) -> str:
    """Return what a finding is called, with its lines where the title does not say them."""
    rule = find_rule(finding.rule)
    title = finding.title or (rule.title if rule is not None else finding.rule)
    names = [bar(name) for name in finding.lines]
    if 0 < len(names) <= 2 and not any(name in title for name in names):
        title += f": {' and '.join(names)}"
    return title[0].upper() + title[1:]


def moments_of(diagnosis: Diagnosis) -> list[list[Moment]]:
    """Return the moments of the findings for each capture: each finding in every capture that shows it, first by its plain name.

    A finding that speaks of the whole capture is shown where the bus is first at work.
    """
    alone = len(diagnosis.captures) == 1
    each = [diagnosis.findings if alone else run(examined.evidence) for examined in diagnosis.captures]
    moments: list[list[Moment]] = [[] for _ in diagnosis.captures]
    for number, finding in enumerate(diagnosis.findings):
        known = 0
        for place, own in enumerate(each):
            same = next((f for f in own if (f.rule, f.lines) == (finding.rule, finding.lines)), None)
            if same is None:
                continue
            key = finding_key(number) + (f"-{known + 1}" if known else "")
            title = title_of(finding) if alone else f"{title_of(finding)} ({Path(diagnosis.captures[place].path).name})"
            moments[place].append(Moment(key, title, moment_of(same, diagnosis.captures[place]), finding.lines))
            known += 1
    return moments


def moment_of(finding: Finding, examined: Examined) -> float:
    """Return when to show a finding, seconds: where it begins, else where the bus is first at work, else where the capture begins."""
    first = examined.evidence.first_request_s
    begins = examined.evidence.start_s if first is None else first
    return begins if finding.first_s is None else finding.first_s


def collect_all(diagnosis: Diagnosis, options: Options, own: Mapping[str, Options] | None = None) -> list[PageData]:
    """Read the captures of a diagnosis again and keep what a page shows of them. Raises CaptureError, OSError.

    own: of captures that are read otherwise than the others, by path.
    """
    several = len(diagnosis.captures) > 1
    return [
        collect(
            examined, (own or {}).get(examined.path, options), moments, "" if number == 0 else f"-{number + 1}",
            Path(examined.path).name if several else "",
        )
        for number, (examined, moments) in enumerate(zip(diagnosis.captures, moments_of(diagnosis), strict=True))
    ]


def collect(examined: Examined, options: Options, moments: Sequence[Moment], suffix: str = "", name: str = "") -> PageData:
    """Read a capture again and keep what the page shows of it: these moments, its first request and its middle.

    suffix: of the keys of the last two. name: what their titles call the capture, nothing if empty.
    Raises CaptureError, OSError.
    """
    clock = examined.evidence.clock.hz
    t_ticks = 1.0 / (clock * examined.tick_s) if clock else None
    windows = _windows(moments, examined, t_ticks, suffix, f" ({name})" if name else "")
    watch = _Watch(examined, _timeline_lines(examined))
    _read_again(examined, options, [watch, _Cutter(windows), LastWrites(windows)], windows)
    writes = _writes(windows, examined, t_ticks)
    if writes:
        _read_again(examined, options, [_Cutter(writes)], writes)
    windows = [*windows, *writes]
    for window in windows:
        _close(window)
    kept = [window for window in windows if len(window.times)]
    return PageData(examined, t_ticks, kept, watch.course(), {line for moment in moments for line in moment.lines})


def _read_again(examined: Examined, options: Options, onlookers: Sequence[Onlooker], windows: Sequence[Window]) -> None:
    channels = examined.channels
    with open_capture(examined.path, options.raw, options.one_a_clock) as opened:
        if isinstance(opened, Followed) and any(channel.is_volts for channel in opened.header.channels):
            opened.volts_watch = _VoltsCutter(windows, channels)
        capture, _ = as_clocked(opened, channels, examined.evidence.clocked or "no", options.nominal_hz)
        rebuild = Rebuild.of(capture.header, channels, options.nominal_hz, onlookers)
        rebuild.run(capture.blocks(channels.assignments))


def write_key(key: str) -> str:
    """Return the name of the window with the write that the read in another one contradicts."""
    return f"{key}-write"


def _writes(windows: Sequence[Window], examined: Examined, t_ticks: float | None) -> list[Window]:
    """Return windows around the writes that wrong reads contradict."""
    before, after = _around(examined, t_ticks)
    found = []
    for window in windows:
        if window.contradiction is not None:
            at = window.contradiction.write_at
            start, end = max(examined.start_tick, at - before), min(examined.end_tick, at + after)
            found.append(Window(write_key(window.key), f"{window.title}: what was written", start, end, at, window.lines))
    return found


def _around(examined: Examined, t_ticks: float | None) -> list[int]:
    """Return how much a window shows before and after its moment, in whole ticks: late ones are more than a float holds exactly."""
    span = examined.end_tick - examined.start_tick
    wide = [n * t_ticks for n in WINDOW_T] if t_ticks else [span * WINDOW_WITHOUT_CLOCK, span * WINDOW_WITHOUT_CLOCK * 2]
    return [round(min(ticks, span)) for ticks in wide]


def _windows(moments: Sequence[Moment], examined: Examined, t_ticks: float | None, suffix: str, where: str) -> list[Window]:
    tick, start, end = examined.tick_s, examined.start_tick, examined.end_tick
    span = end - start
    before, after = _around(examined, t_ticks)

    def window(key: str, title: str, moment: float, lines: tuple[str, ...] = ()) -> Window:
        at = min(max(round(moment), start), end)
        return Window(key, title, max(start, at - before), min(end, at + after), at, lines)

    first = examined.evidence.first_request_s
    return [
        *(window(moment.key, moment.title, moment.time_s / tick, moment.lines) for moment in moments[: WINDOWS_MAX - 2]),
        window(f"start{suffix}", f"first request{where}", first / tick if first is not None else start),
        window(f"middle{suffix}", f"middle of the capture{where}", start + span // 2),
    ]


class _Cutter(Onlooker):
    """Fills the windows."""

    def __init__(self, windows: Sequence[Window]) -> None:
        self._windows = windows

    def block(self, block: Block) -> None:
        for window in self._windows:
            _cut(window, block)

    def feed(self, batch: Batch) -> None:
        cycles = batch.cycles
        for window in self._windows:
            inside = np.flatnonzero((cycles.end >= window.start) & (cycles.start <= window.end))
            if len(inside):
                window.cycles = CycleTable.concatenate([window.cycles, cycles[inside]])


def _cut(window: Window, block: Block) -> None:
    """Add a block's share to a window; its first event is the level before it."""
    if not len(block.times) or int(block.times[0]) > window.end or len(window.times) > WINDOW_EVENTS_MAX:
        return
    first, last = np.searchsorted(block.times, [window.start, window.end], "right").tolist()
    first = max(first - 1, 0)
    if last <= first:
        return
    if int(block.times[-1]) < window.start:  # only its last level matters
        window.times, window.words = block.times[-1:].copy(), block.words[-1:].copy()
        return
    if len(window.times) == 1 and int(block.times[first]) <= window.start:
        window.times, window.words = window.times[:0], window.words[:0]
    last = min(last, first + WINDOW_EVENTS_MAX + 1)
    window.times = np.concatenate([window.times, block.times[first:last]])
    window.words = np.concatenate([window.words, block.words[first:last]])


class _VoltsCutter:
    """Puts the volts of the lines into the windows, as they are read."""

    def __init__(self, windows: Sequence[Window], channels: ChannelMap) -> None:
        lines = {use.target_bit: use.line for use in channels.uses if use.line is not None}
        self._windows, self._lines = windows, {each.code: lines.get(each.target_bit) for each in channels.assignments}

    def __call__(self, code: str, times: Int, volts: Volts) -> None:
        line = self._lines.get(code)
        if line is None or not len(times):
            return
        for window in self._windows:
            first, last = np.searchsorted(times, [window.start, window.end], "right").tolist()
            pieces = window.volts.setdefault(line, [])
            room = WINDOW_EVENTS_MAX - sum(len(piece) for piece, _ in pieces)
            taken = slice(first, min(last, first + room))
            if taken.stop > taken.start:
                pieces.append((times[taken].copy(), volts[taken].copy()))


def _close(window: Window) -> None:
    """End a window that is full where its events end."""
    if len(window.times) > WINDOW_EVENTS_MAX:
        window.times, window.words = window.times[:WINDOW_EVENTS_MAX], window.words[:WINDOW_EVENTS_MAX]
        window.end = int(window.times[-1])
        window.cycles = window.cycles[window.cycles.start <= window.end]


def _timeline_lines(examined: Examined) -> dict[str, tuple[int, int]]:
    """Return the lines of the timeline that were captured: name -> (bit, active level)."""
    profile = examined.evidence.profile
    lines = {}
    for name in (*TIMELINE, *examined.channels.extra_bits):
        bit = examined.channels.bit(name)
        if bit is None:
            continue
        level = profile.active_level(name) if profile is not None else None
        default = LINE[name].active_level if name in LINE else 1
        lines[name] = (bit, default if level is None else level)
    return lines


class _Watch(Onlooker):
    """Follows the course of the whole capture."""

    def __init__(self, examined: Examined, lines: dict[str, tuple[int, int]]) -> None:
        self._start, self._span = examined.start_tick, max(examined.end_tick - examined.start_tick, 1)
        self._tick_s = examined.tick_s
        self._lines = lines
        self._captured = examined.channels.captured
        self._kinds = np.zeros((BINS, len(KINDS)), np.int64)
        self._failed = np.zeros(BINS, np.int64)
        self._low, self._high = np.full(BINS, np.inf), np.zeros(BINS)
        self._sum, self._count = np.zeros(BINS), np.zeros(BINS, np.int64)
        self._last_rise: int | None = None
        self._moves: dict[str, list[Int]] = {name: [] for name in lines}  #: ticks at which a line becomes active, inactive, active ...
        self._level = dict.fromkeys(lines, False)
        self._marks = {"acknowledge": np.zeros(COLUMNS, np.bool_), "NMI response": np.zeros(COLUMNS, np.bool_)}

    def _place(self, ticks: Int, count: int) -> npt.NDArray[np.intp]:
        share = (ticks - self._start).astype(np.float64) / self._span
        return np.clip((share * count).astype(np.intp), 0, count - 1)

    def feed(self, batch: Batch) -> None:
        cycles = batch.cycles
        if not len(cycles):
            return
        place = self._place(cycles.start, BINS) * len(KINDS) + cycles.kind
        self._kinds += np.bincount(place, minlength=BINS * len(KINDS)).reshape(BINS, len(KINDS))
        failed = cycles.inferred.astype(np.bool_) | (cycles.kind == _UNKNOWN)
        self._failed += np.bincount(self._place(cycles.start[failed], BINS), minlength=BINS)
        for name, mask in (("acknowledge", cycles.kind == _ACKNOWLEDGE), ("NMI response", cycles.note == _NMI)):
            self._marks[name][self._place(cycles.start[mask], COLUMNS)] = True

    def events(self, events: BlockEvents) -> None:
        rises = events.clock_rises
        if not len(rises):
            return
        if self._last_rise is not None:
            rises = np.r_[self._last_rise, rises]
        self._last_rise = int(rises[-1])
        periods = np.diff(rises).astype(np.float64)
        place = self._place(rises[1:], BINS)
        np.minimum.at(self._low, place, periods)
        np.maximum.at(self._high, place, periods)
        self._sum += np.bincount(place, periods, BINS)
        self._count += np.bincount(place, minlength=BINS)

    def block(self, block: Block) -> None:
        for name, (bit, active) in self._lines.items():
            on = (block.words >> np.uint64(bit) & np.uint64(1)).astype(np.bool_) == bool(active)
            if not len(on):
                continue
            moved = np.flatnonzero(on != np.r_[self._level[name], on[:-1]])
            if len(moved):
                self._moves[name].append(block.times[moved])
            self._level[name] = bool(on[-1])

    def _shares(self, name: str) -> list[float]:
        """Return the share of each column in which a line was active."""
        moves = np.concatenate([*self._moves[name], np.empty(0, np.int64)]) - self._start
        begins, ends = moves[0::2], moves[1::2]
        if len(begins) > len(ends):
            ends = np.r_[ends, self._span]
        borders = np.linspace(0, self._span, COLUMNS + 1)
        held = np.r_[0, np.cumsum(ends - begins)].astype(np.float64)  #: ticks active in the first n stretches
        count = np.searchsorted(begins, borders, "right")
        until = held[count]
        inside = count > 0
        until[inside] -= np.maximum(0, ends[count[inside] - 1] - borders[inside])
        return [float(share) for share in np.diff(until) * COLUMNS / self._span]

    def course(self) -> Course:
        tick = self._tick_s
        edges = [(self._start + self._span * n / BINS) * tick for n in range(BINS + 1)]
        period = [
            (float(low) * tick, float(total) / int(n) * tick, float(high) * tick) if n else None
            for low, total, high, n in zip(self._low, self._sum, self._high, self._count, strict=True)
        ]
        held = {name: self._shares(name) for name in self._lines}
        marks = {name: flags.tolist() for name, flags in self._marks.items() if flags.any()}
        told = set(WITNESSES) <= self._captured and bool(self._failed.any())
        return Course(edges, self._kinds.tolist(), period, held, marks, self._failed.tolist() if told else [])
