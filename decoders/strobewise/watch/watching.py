"""Following an endless capture: the stream is cut into windows, and each is judged as a capture of its own.

So a fault that shows after hours of health is as plain as in a capture of that moment alone, and what is saved around it says the same to
``strobewise diagnose``. Each window begins with the state in which the one before ended: no time falls between two windows. Memory stays
flat: what is held is one window, a margin before it, and the blocks read ahead.
"""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import IO, NamedTuple

from ..bus.lines import STROBES
from ..bus.model import KINDS, Finding, Verdict
from ..bus.units import FEMTOSECOND
from ..capture import Capture
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..capture.rewrite import Changes, Plan, outputs_of, write
from ..diagnosis.examined import Examined
from ..diagnosis.gathering import gather
from ..profile.options import Options
from ..rules import run
from ..rules.base import ids, too_coarse
from ..verdict.judge import judge, without_consequences
from .stream import Piece, StreamReader
from .stretch import Statistics, Stretch, counted, cut_out, since

WINDOW_S = 0.1  #: holds several interrupts of a machine that is interrupted fifty times a second
MOST_EVENTS = 1 << 21  #: a window ends here at the latest: 32 MiB of words and times
AROUND_S = 0.005  #: saved before and after a fault
REQUESTS_SEEN = 1000  #: requests of a window in which every strobe had its place, from which the labels are believed
SLICE_S = 0.005  #: a window in which strobes are missing is looked at again in slices: a short fault drowns in a long window
MOST_SLICES = 24  #: slices of a window that are looked at closer, so that the watch keeps up with the stream
SHORTEST_S = 0.0005  #: what is left behind the last window is judged from this length on: a few samples would say that nothing moves
WAIT_S = 0.5  #: how long to wait for the stream before the caller is asked whether to go on


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
        self._options, self._ignored = replace(options, window=True), ignored
        self._tick_s = capture.header.timescale_fs * FEMTOSECOND
        self._window_ticks = max(1, round(window_s / self._tick_s))
        self._around_ticks = max(1, round(AROUND_S / self._tick_s))
        self._source = StreamReader(capture, channels, apart)
        self._before: deque[Block] = deque()  #: the margin before the window, then the window
        self._carry: Block | None = None  #: the last row of the window before
        self._statistics: Statistics = {}  #: where they stood at the end of the window before
        self._taken = 0
        self._labels_seen = False  #: in a window without a fault: nobody moves leads unseen, since a strobe is out of place then

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
            if self.totals.windows and stretch.end_time - stretch.start_time < SHORTEST_S / self._tick_s:
                self.totals.end_s, self.totals.taken = stretch.end_time * self._tick_s, self._taken
            else:
                yield self._close(stretch, last)
        if self._source.error is not None:
            raise self._source.error

    def _next(self, waiting: Callable[[], None] | None) -> Piece | None:
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
        stretch.statistics = self._counted(stretch, statistics)
        stretch.taken = self._taken
        self._statistics = statistics
        self._keep(stretch)
        blocks = stretch.blocks(self._channels.assignments)
        examined = gather(self._path, stretch, self._channels, blocks, self._options, labels_trusted=self._labels_seen)
        window = self._judge(examined, stretch)
        self._labels_seen = window.verdict.state == "no_fault_found" and examined.evidence.requests >= REQUESTS_SEEN
        if window.verdict.state != "fault":
            window = self._look_closer(window, examined, stretch)
        self.totals.add(window)
        end = stretch.pieces[-1]
        self._carry = Block(end.times[-1:], end.words[-1:], None if end.unknown is None else end.unknown[-1:])
        return window

    def _counted(self, stretch: Stretch, statistics: Statistics) -> Statistics:
        """Return what the bits did in a window; readers count levels in a part of a long stream, of a short window perhaps in none."""
        counts = since(self._statistics, statistics)
        if all(count.known_ticks > count.untimed_ticks for count in counts.values()):
            return counts
        return counted(cut_out(stretch.pieces, stretch.start_time, stretch.end_time), self._channels)

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
        missing = ((count.first_missing_s, count.last_missing_s) for count in examined.evidence.strobes.values())
        times = [(first, last) for first, last in missing if first is not None and last is not None]
        if not times or too_coarse(examined.evidence):  # of strobes sampled too slowly none can be said to be missing
            return window
        begin, last = min(first for first, _ in times) - SLICE_S / 4, max(last for _, last in times)
        for number in range(MOST_SLICES):
            start = begin + number * SLICE_S
            if start > last:
                break
            rows = cut_out(stretch.pieces, round(start / self._tick_s), round((start + SLICE_S) / self._tick_s))
            part = Stretch(self._path, self._header, [rows], statistics=counted(rows, self._channels), taken=self._taken)
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
        rows = cut_out(pieces, begin - self._around_ticks, end)
        stretch = Stretch(self._path, self._header, [rows])
        made = Plan(*outputs_of(self._channels), self._header.timescale_fs, None, Changes(last=stretch.end_time + 1))
        write(stretch, self._channels, made, out, "strobewise watch")  # type: ignore[arg-type]  # answers like a capture
