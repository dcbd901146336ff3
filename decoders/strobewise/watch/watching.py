"""Following an endless capture: the stream is cut into windows, and each is judged as a capture of its own.

So a fault that shows after hours of health is as plain as in a capture of that moment alone, and what is saved around it says the same to
``strobewise diagnose``. Each window begins with the state in which the one before ended: no time falls between two windows. Memory stays
flat: what is held is one window, a margin before it, and the blocks read ahead.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import IO, NamedTuple

import numpy as np

from ..bus.lines import STROBES
from ..bus.model import KINDS, Finding, Verdict
from ..bus.units import FEMTOSECOND
from ..capture import Capture
from ..capture.apart import Apart, possible
from ..capture.channels.mapping import ChannelMap
from ..capture.records import BitAssignment, BitStatistics, Block, Header
from ..capture.rewrite import Changes, Plan, outputs_of, write
from ..diagnosis.examined import Examined
from ..diagnosis.gathering import gather
from ..profile.options import Options
from ..records.volts import AnalogLevels
from ..rules import run
from ..rules.base import ids
from ..verdict.judge import judge, without_consequences

WINDOW_S = 0.1  #: holds several interrupts of a machine that is interrupted fifty times a second
MOST_EVENTS = 1 << 21  #: a window ends here at the latest: 32 MiB of words and times
AROUND_S = 0.005  #: saved before and after a fault
SLICE_S = 0.005  #: a window in which strobes are missing is looked at again in slices: a short fault drowns in a long window
MOST_SLICES = 24
READ_AHEAD = 96  #: blocks: more than a window, so that the next one is read while one is judged
WAIT_S = 0.5  #: how long to wait for the stream before the caller is asked whether to go on

Statistics = Mapping[tuple[str, int], BitStatistics]


class _Piece(NamedTuple):
    """A block, and where the reader stood behind it."""

    block: Block
    statistics: Statistics
    taken: int  #: bytes of the stream


@dataclass
class Stretch:
    """A stretch of a stream that answers like a capture."""

    path: str
    header: Header
    pieces: list[Block] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    statistics: Statistics = field(default_factory=dict)
    taken: int = 0

    @property
    def start_time(self) -> int:
        """First tick."""
        return int(self.pieces[0].times[0])

    @property
    def end_time(self) -> int:
        """Last tick."""
        return int(self.pieces[-1].times[-1])

    def blocks(self, assignments: Iterable[BitAssignment]) -> Iterator[Block]:
        """Yield the blocks; assignments are those that the stream was opened with."""
        return iter(self.pieces)

    def channel_statistics(self) -> Statistics:
        """Return what every bit did in the stretch."""
        return self.statistics

    def analog_levels(self) -> dict[str, AnalogLevels]:
        """Return nothing: a stream of volts is not followed."""
        return {}


class Window(NamedTuple):
    """One judged window of the stream."""

    number: int  #: from 1
    start_s: float
    end_s: float
    cycles: dict[str, int]
    inferred_fetches: int
    clock_hz: float | None
    findings: list[Finding]
    verdict: Verdict
    taken: int  #: bytes of the stream up to its end

    @property
    def faults(self) -> list[Finding]:
        """Return the faults found in it."""
        return [finding for finding in self.findings if finding.severity == "fault"]


@dataclass
class Totals:
    """Counters over the whole stream."""

    windows: int = 0
    undecided: int = 0
    faulty: int = 0
    start_s: float | None = None
    end_s: float = 0.0
    taken: int = 0
    inferred_fetches: int = 0
    cycles: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    first_fault: Finding | None = None

    def add(self, window: Window) -> None:
        """Count a window."""
        self.windows += 1
        self.undecided += window.verdict.state == "cannot_decide"
        self.start_s = window.start_s if self.start_s is None else self.start_s
        self.end_s, self.taken = window.end_s, window.taken
        self.inferred_fetches += window.inferred_fetches
        for kind, count in window.cycles.items():
            self.cycles[kind] += count
        if window.verdict.state == "fault":
            self.faulty += 1
            self.first_fault = self.first_fault or window.faults[0]


class Watch:
    """Follows one open capture. Iterate over ``windows``; ``save`` writes the surroundings of the last one."""

    def __init__(
        self,
        capture: Capture,
        channels: ChannelMap,
        options: Options,
        window_s: float = WINDOW_S,
        ignored: frozenset[str] = frozenset(),
        apart: bool = False,
    ) -> None:
        """window_s: length of a window on the stream's own time axis. ignored: rules whose findings are passed over.

        apart: a process of its own may read the stream; for programs without other threads, see capture.apart.
        """
        self.totals = Totals()
        self.quiet_s = 0.0  #: for how long nothing has come
        self._path, self._header, self._channels = capture.path, capture.header, channels
        self._options, self._ignored = options, ignored
        self._tick_s = capture.header.timescale_fs * FEMTOSECOND
        self._window_ticks = max(1, round(window_s / self._tick_s))
        self._around_ticks = max(1, round(AROUND_S / self._tick_s))
        self._source = _Source(capture, channels, apart)
        self._before: deque[Block] = deque()  #: the margin before the window, then the window
        self._carry: Block | None = None  #: the last row of the window before
        self._statistics: Statistics = {}  #: where they stood at the end of the window before
        self._taken = 0

    def windows(self, waiting: Callable[[], None] | None = None) -> Iterator[Window]:
        """Yield the windows until the stream ends. waiting: called now and then while nothing comes, and between blocks.

        Raises CaptureError for a damaged stream, after the windows before the damage.
        """
        stretch = self._new_stretch()
        last = self._statistics
        try:
            while True:
                piece = self._next(waiting)
                if piece is None:
                    break
                if len(piece.block.times):
                    stretch.pieces.append(piece.block)
                    last, self._taken = piece.statistics, piece.taken
                if self._is_full(stretch):
                    yield self._close(stretch, last)
                    stretch = self._new_stretch()
        finally:
            self._source.stop()
        if sum(len(block.times) for block in stretch.pieces) > 1:
            yield self._close(stretch, last)
        if self._source.error is not None:
            raise self._source.error

    def _next(self, waiting: Callable[[], None] | None) -> _Piece | None:
        """Return the next piece, None at the end."""
        since = time.monotonic()
        while True:
            if waiting is not None:
                waiting()
            try:
                piece = self._source.pieces.get(timeout=WAIT_S)
            except queue.Empty:
                self.quiet_s = time.monotonic() - since
                continue
            self.quiet_s = 0.0
            return piece

    def _new_stretch(self) -> Stretch:
        return Stretch(self._path, self._header, [] if self._carry is None else [self._carry])

    def _is_full(self, stretch: Stretch) -> bool:
        if not stretch.pieces:
            return False
        long = stretch.end_time - stretch.start_time >= self._window_ticks
        return long or sum(len(block.times) for block in stretch.pieces) >= MOST_EVENTS

    def _close(self, stretch: Stretch, statistics: Statistics) -> Window:
        """Judge a window and begin the next one where it ends."""
        stretch.statistics = _since(self._statistics, statistics)
        stretch.taken = self._taken
        self._statistics = statistics
        self._keep(stretch)
        examined = gather(self._path, stretch, self._channels, stretch.blocks(self._channels.assignments), self._options)
        window = self._judge(examined, stretch)
        if window.verdict.state != "fault":
            window = self._look_closer(window, examined, stretch)
        self.totals.add(window)
        end = stretch.pieces[-1]
        self._carry = Block(end.times[-1:], end.words[-1:], None if end.unknown is None else end.unknown[-1:])
        return window

    def _judge(self, examined: Examined, stretch: Stretch) -> Window:
        evidence = examined.evidence
        findings = [finding for finding in without_consequences(run(evidence)) if finding.rule not in self._ignored]
        verdict = judge(findings, evidence)
        start, end = stretch.start_time * self._tick_s, stretch.end_time * self._tick_s
        clock = evidence.clock.hz
        return Window(
            self.totals.windows + 1, start, end, evidence.cycles, evidence.inferred_fetches, clock, findings, verdict, self._taken
        )

    def _look_closer(self, window: Window, examined: Examined, stretch: Stretch) -> Window:
        """Judge slices of a window in which strobes are missing here and there; what they show counts where it is a strobe's fault."""
        counts = [count for count in examined.evidence.strobes.values() if count.seen < count.expected]
        firsts = [count.first_missing_s for count in counts if count.first_missing_s is not None]
        lasts = [count.last_missing_s for count in counts if count.last_missing_s is not None]
        if not firsts or not lasts:
            return window
        begin, last = min(firsts) - SLICE_S / 4, max(lasts)
        for number in range(MOST_SLICES):
            start = begin + number * SLICE_S
            if start > last:
                break
            rows = _cut(stretch.pieces, round(start / self._tick_s), round((start + SLICE_S) / self._tick_s))
            part = Stretch(self._path, self._header, [rows], statistics=_count(rows, self._channels), taken=self._taken)
            judged = self._judge(gather(self._path, part, self._channels, part.blocks(self._channels.assignments), self._options), part)
            lasting = ids(lambda each: each.lasting)
            faults = [f for f in judged.faults if f.lines and set(f.lines) <= set(STROBES) and f.rule not in lasting]
            if faults:
                verdict = judge(faults, examined.evidence)
                return window._replace(findings=[*faults, *window.findings], verdict=verdict)
        return window

    def _keep(self, stretch: Stretch) -> None:
        """Hold the window, and of what came before it the margin that a saved fault needs."""
        oldest = stretch.start_time - self._around_ticks
        while self._before and int(self._before[0].times[-1]) < oldest:
            self._before.popleft()
        self._before.extend(stretch.pieces[0 if self._carry is None else 1 :])

    def save(self, window: Window, out: IO[bytes], waiting: Callable[[], None] | None = None) -> None:
        """Write the first fault of the last window, and what came shortly before and after it, as a VCD on the stream's time axis.

        Reads on where the margin after the fault has not come yet; what is read stays in the stream.
        """
        first = min((f.first_s for f in window.faults if f.first_s is not None), default=window.start_s)
        last = max((f.last_s for f in window.faults if f.last_s is not None), default=window.end_s)
        begin = round(first / self._tick_s)
        end = min(max(begin, round(last / self._tick_s)), begin + 2 * self._around_ticks) + self._around_ticks
        pieces = [*self._before, *self._source.peek(end, waiting)]
        rows = _cut(pieces, begin - self._around_ticks, end)
        stretch = Stretch(self._path, self._header, [rows])
        made = Plan(*outputs_of(self._channels), self._header.timescale_fs, None, Changes(last=stretch.end_time + 1))
        write(stretch, self._channels, made, out, "strobewise watch")  # type: ignore[arg-type]  # answers like a capture


class _Source:
    """Reads the stream in a thread, some blocks ahead; the text of it in a process of its own where that is wanted."""

    def __init__(self, capture: Capture, channels: ChannelMap, apart: bool) -> None:
        blocks = capture.blocks(channels.assignments)
        self._apart = Apart(capture, blocks, informed=True) if apart and possible(capture) else None
        self.pieces = _Pieces(READ_AHEAD)
        self.error: BaseException | None = None
        self._stopped = threading.Event()
        coming: Iterable[Block] = blocks if self._apart is None else self._apart
        self._thread = threading.Thread(target=self._read, args=(capture, coming), name="stream", daemon=True)
        self._thread.start()

    def _read(self, capture: Capture, blocks: Iterable[Block]) -> None:
        try:
            for block in blocks:
                self._hand_over(_Piece(block, capture.channel_statistics(), capture.taken))
                if self._stopped.is_set():
                    return
        except BaseException as error:
            self.error = error
        self._hand_over(None)

    def _hand_over(self, piece: _Piece | None) -> None:
        while not self._stopped.is_set():
            try:
                self.pieces.put(piece, timeout=0.1)
                return
            except queue.Full:
                continue

    def stop(self) -> None:
        """Let the thread end at its next block; it may be waiting for the stream, so nobody waits for it."""
        self._stopped.set()
        if self._apart is not None:
            self._apart.end()  # which wakes the thread
            self._thread.join(timeout=5)
            self._apart.close()

    def peek(self, end: int, waiting: Callable[[], None] | None) -> list[Block]:
        """Return the blocks that come next, up to a tick, without taking them; fewer where the stream ends or pauses."""
        since = time.monotonic()
        while True:
            held = self.pieces.held()
            blocks = [piece.block for piece in held if piece is not None and len(piece.block.times)]
            enough = bool(blocks) and int(blocks[-1].times[-1]) >= end
            if enough or None in held or len(held) >= READ_AHEAD or time.monotonic() - since > 2.0:
                return blocks
            if waiting is not None:
                waiting()
            time.sleep(0.02)


class _Pieces(queue.Queue["_Piece | None"]):
    """A queue that can be looked into."""

    def held(self) -> list[_Piece | None]:
        """Return what is in it, and leave it there."""
        with self.mutex:
            return list(self.queue)


def _since(before: Statistics, now: Statistics) -> Statistics:
    """Return what every bit did between two readings of the counters."""
    zero = BitStatistics(0, 0, 0)
    return {
        key: BitStatistics(*(b - a for a, b in zip(before.get(key, zero), counts, strict=True))) for key, counts in now.items()
    }  # fmt: skip


def _count(rows: Block, channels: ChannelMap) -> Statistics:
    """Return what the bits of a stretch did, counted from its words."""
    lengths = np.diff(rows.times)
    statistics = {}
    for assignment in channels.assignments:
        high = rows.words >> np.uint64(assignment.target_bit) & np.uint64(1) == 1
        known_at = None if rows.unknown is None else rows.unknown[:-1] >> np.uint64(assignment.target_bit) & np.uint64(1) == 0
        edges = int(np.count_nonzero(high[1:] != high[:-1]))
        seen = high[:-1] if known_at is None else high[:-1] & known_at
        on, known = int(lengths[seen].sum()), int(lengths.sum() if known_at is None else lengths[known_at].sum())
        on = known - on if assignment.inverted else on
        statistics[assignment.code, assignment.bit_in_vector] = BitStatistics(edges, on, known)
    return statistics


def _cut(blocks: list[Block], begin: int, end: int) -> Block:
    """Return the rows from a tick to another one as one block; it begins with the state at its first tick."""
    times = np.concatenate([block.times for block in blocks])
    words = np.concatenate([block.words for block in blocks])
    unknown = None
    if any(block.unknown is not None for block in blocks):
        unknown = np.concatenate([np.zeros(len(b.words), np.uint64) if b.unknown is None else b.unknown for b in blocks])
    low = max(0, int(np.searchsorted(times, begin, "right")) - 1)
    high = max(low + 1, int(np.searchsorted(times, end, "right")))
    return Block(times[low:high], words[low:high], None if unknown is None else unknown[low:high])
