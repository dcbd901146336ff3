"""Fill the plain evidence record from blocks and batches: one pass, memory flat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT, CONTROL, DATA, LINE, LINES, STROBES
from ..bus.model import KIND_INDEX, KINDS, NOTES
from ..bus.semantics import RESET_SEEN_T
from ..capture.distinct import distinct
from ..capture.records import Block
from ..cycles.breaks import lasting
from ..cycles.engine import Batch
from ..cycles.pipeline import Onlooker
from ..cycles.requests import LINE_MREQ, BlockEvents
from ..records.evidence import (
    CLASSES,
    EXPECTED,
    PATTERN_LINES,
    PATTERNS,
    REFRESH_CLASS,
    BusEvidence,
    ClockEvidence,
    LineEvidence,
    Span,
    count_strobes,
)
from .fetchless import FetchlessRuns
from .kept import Events, KeptEvents, longest_known
from .last_edges import LastEdges
from .missing import Missing

Int = npt.NDArray[np.int64]

HELD_LINES = ("HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK", "ROMDIS")  #: lines judged by how long they stay active
SPIKE_SAMPLES = 1.6  #: a stretch no longer than this may be a spike
ANSWER_T = 40.0  #: a request this short before the end of the capture may still be answered: a halted CPU looks every 4 T, and waits
ENABLE_INTERRUPTS, DISABLE_INTERRUPTS = 0xFB, 0xF3  #: the opcodes of EI and DI (UM0080, instruction set)
PHASES_MIN = 50  #: edges of /MREQ from which their place in the clock period is a mean, not a chance
PHASES_AGREE = 0.5  #: length of the mean of their directions, 0 to 1, from which they come at one place: places all over give near 0
PHASES_WANTED = 5_000  #: falling edges of /MREQ that are placed in the clock period
FALLS_KEPT = 64  #: falls of /MREQ that wait for the clock edge behind them: with a clock that runs it comes within a few of them
RISES_KEPT = 8_192  #: clock edges behind which a request may come: more than the longest lasts
KEPT_EVENTS = 120_000  #: events of the raw capture kept for what needs a closer look (shortest pulse, which line a line follows)
_FETCH = KIND_INDEX["opcode_fetch"]
_TELL_FETCHES = np.uint16(sum(1 << STROBES.index(name) for name in ("M1", "MREQ", "RD", "RFSH")))
_SHIFT = np.uint16(BIT["M1"])  # the pattern's lines stand side by side in the control word
assert tuple(line.name for line in LINES if BIT["M1"] <= line.bit <= BIT["HALT"]) == PATTERN_LINES


class _Held:
    """How long one line stays at its active level, block after block."""

    def __init__(self, name: str) -> None:
        self.bit = np.uint16(1 << BIT[name])
        self.active = bool(LINE[name].active_level)
        self.since: int | None = None
        self.count = 0
        self.total = 0
        self.longest: tuple[int, int] | None = None
        self.first = False
        self.recent: list[tuple[int, int]] = []  #: the first spans, for rules that look at single ones

    def begin(self, word: int, time: int) -> None:
        if bool(word & int(self.bit)) == self.active:
            self.since, self.first, self.count = time, True, 1

    def feed(self, times: Int, levels: npt.NDArray[np.uint16]) -> None:
        """Take the events at which this line changed, and the levels behind them."""
        on = (levels & self.bit != 0) == self.active
        starts, ends = times[on], times[~on]
        self.count += len(starts)
        if self.since is not None:
            starts = np.r_[self.since, starts]
        n = min(len(starts), len(ends))
        if n:
            lengths = ends[:n] - starts[:n]
            self.total += int(lengths.sum())
            self._longest(int(starts[k := int(lengths.argmax())]), int(ends[k]))
            if len(self.recent) < 4096:
                self.recent.extend(zip(starts[:n].tolist(), ends[:n].tolist(), strict=True))
        self.since = int(starts[-1]) if len(starts) > n else None

    def _longest(self, start: int, end: int) -> None:
        if self.longest is None or end - start > self.longest[1] - self.longest[0]:
            self.longest = (start, end)

    def lasting(self, least: float) -> int:
        """Return how many stretches were longer than `least` ticks; beyond those kept one by one all are counted."""
        return sum(1 for low, high in self.recent if high - low > least) + max(0, self.count - len(self.recent))

    def begun_behind(self, start: int, least: float, until: int) -> int:
        """Return how many of them began behind a moment, up to another; those not kept one by one are the last, and all counted."""
        return sum(1 for low, high in self.recent if start < low <= until and high - low > least) + max(0, self.count - len(self.recent))

    def close(self, end: int) -> bool:
        """Count a stretch that lasts to the end; returns whether there is one."""
        if self.since is None:
            return False
        self.total += end - self.since
        self._longest(self.since, end)
        self.recent.append((self.since, end))
        return True


class Collector(Onlooker):
    """Gathers the evidence of one capture: an onlooker of one pass, which is then asked for the record."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self.captured = captured
        self.tick_s = tick_s
        self._held = {name: _Held(name) for name in HELD_LINES if name in captured}
        self._last_edges = LastEdges(captured)
        self._last_word: int | None = None
        self._kept = KeptEvents(KEPT_EVENTS)
        self._histogram = np.zeros(CLASSES * PATTERNS, np.int64)
        self._hidden = np.zeros((CLASSES, len(PATTERN_LINES)), np.int64)  # requests of each class in which a line was not known
        self._blind: list[tuple[int, int]] = []  # stretches in which requests, or the clock, could not be seen
        self._blind_now: list[tuple[int, int]] = []  # one that lasts
        self._missing = {name: Missing() for name in STROBES if name in captured}
        self._cycles = np.zeros(len(KINDS), np.int64)
        self._notes = np.zeros(len(NOTES), np.int64)
        self._inferred = self._waits = self._requests = 0
        self._span: list[int | None] = [None, None]  # first assert edge, last release edge
        self._silence: tuple[int, int] | None = None
        self._runs = FetchlessRuns()
        self._refresh_last: int | None = None
        self._no_refresh: tuple[int, int] | None = None
        self._clock = _ClockWatch()
        self._halts: set[int] = set()
        self._enables = self._disables = 0
        self.glitches = 0

    def settle_lines(self, never: frozenset[str], in_volts: frozenset[str]) -> None:
        """Leave out lines whose level was never known.

        in_volts: lines that were captured in volts: between the limits they are not asserted, which is a finding and no ignorance.
        """
        for column, name in enumerate(PATTERN_LINES):
            if name in in_volts:
                self._hidden[:, column] = 0
        self.captured -= never
        self._held = {name: held for name, held in self._held.items() if name not in never}

    def block(self, block: Block) -> None:
        """Take one block of the raw capture."""
        if not len(block.times):
            return
        self._kept.add(block)
        control = np.ascontiguousarray(block.words.view("<u2")[0::4])
        if self._last_word is None:
            self._last_word = int(control[0])
            for held in self._held.values():
                held.begin(self._last_word, int(block.times[0]))
        changed = np.empty_like(control)
        changed[0] = control[0] ^ np.uint16(self._last_word)
        np.bitwise_xor(control[1:], control[:-1], out=changed[1:])
        moved = int(np.bitwise_or.reduce(changed))
        for held in self._held.values():
            if moved & int(held.bit):
                at = np.flatnonzero(changed & held.bit != 0)
                held.feed(block.times[at], control[at])
        hidden = None if block.unknown is None else block.unknown.view("<u2")[0::4]
        self._last_edges.feed(block.times, control, changed, moved, hidden)
        self._last_word = int(control[-1])

    def events(self, events: BlockEvents) -> None:
        """Take what the request finder saw in a block."""
        self.glitches += events.glitches
        self._blind += events.blind
        self._blind_now = lasting(events.blind_since)
        self._clock.feed(events.clock_rises, events.clock_hidden)
        if "CLK" in self.captured and self._clock.phases < PHASES_WANTED:
            requests = events.requests
            self._clock.place(requests.fall[requests.line == LINE_MREQ], events.clock_rises)

    def feed(self, batch: Batch) -> None:
        """Take a settled batch."""
        requests, classes = batch.requests, batch.request_class
        if len(requests):
            pattern = (~requests.control >> _SHIFT) & np.uint16(PATTERNS - 1)
            counts = np.bincount(classes.astype(np.intp) * PATTERNS + pattern, minlength=CLASSES * PATTERNS)
            self._histogram += counts
            hidden = (requests.unknown.view("<u2")[0::4] >> _SHIFT) & np.uint16(PATTERNS - 1)
            for bit in range(len(PATTERN_LINES)) if hidden.any() else ():
                self._hidden[:, bit] += np.bincount(classes[hidden >> np.uint16(bit) & 1 == 1], minlength=CLASSES)
            self._find_missing(requests.fall, classes, pattern, hidden, counts.reshape(CLASSES, PATTERNS))
            self._activity(requests.fall, requests.rise, classes)
            self._runs.feed(requests.fall, classes, hidden & _TELL_FETCHES != 0, self._blind + self._blind_now)
        cycles = batch.cycles
        self._cycles += np.bincount(cycles.kind, minlength=len(KINDS))
        notes = np.bincount(cycles.note, minlength=len(NOTES))
        self._notes += notes
        self._inferred += int(np.count_nonzero(cycles.inferred & (cycles.kind == _FETCH)))
        self._waits += int(np.maximum(cycles.wait_states, 0).sum())
        fetched = cycles.data[cycles.kind == _FETCH]
        self._enables += int(np.count_nonzero(fetched == ENABLE_INTERRUPTS))
        self._disables += int(np.count_nonzero(fetched == DISABLE_INTERRUPTS))
        if notes[1] and len(self._halts) < 64:
            self._halts.update(distinct(cycles.address[cycles.note == 1]).tolist())

    def _find_missing(
        self,
        fall: Int,
        classes: npt.NDArray[np.uint8],
        pattern: npt.NDArray[np.uint16],
        hidden: npt.NDArray[np.uint16],
        counts: Int,
    ) -> None:
        for bit, name in enumerate(STROBES):
            if name not in self.captured:
                continue
            expects = np.array([expected is not None and name in expected for expected in EXPECTED])
            with_it = (np.arange(PATTERNS) >> bit & 1).astype(np.bool_)
            missing = self._missing[name]
            if counts[expects][:, ~with_it].any():
                known = expects[classes] & (hidden >> np.uint16(bit) & 1 == 0)
                missing.feed(fall[known], pattern[known] >> np.uint16(bit) & 1 == 0)
            elif missing.count and counts[expects].any():
                missing.close()

    def _activity(self, fall: Int, rise: Int, classes: npt.NDArray[np.uint8]) -> None:
        last = self._span[1]
        before = rise[:-1] if last is None else np.r_[last, rise[:-1]]
        after = fall[1:] if last is None else fall
        if len(after):
            k = int(self._seen_gaps(before, after).argmax())
            self._silence = _longer(self._silence, int(before[k]), int(after[k]))
        if self._span[0] is None:
            self._span[0] = int(fall[0])
        self._span[1] = int(rise[-1])
        self._requests += len(fall)
        refreshes = fall[classes == REFRESH_CLASS]
        if len(refreshes):
            steps = np.diff(refreshes) if self._refresh_last is None else np.diff(np.r_[self._refresh_last, refreshes])
            if len(steps):
                ends = refreshes[1:] if self._refresh_last is None else refreshes
                k = int(self._seen_gaps(ends - steps, ends).argmax())
                end = int(ends[k])
                self._no_refresh = _longer(self._no_refresh, end - int(steps[k]), end)
            self._refresh_last = int(refreshes[-1])

    def _seen_gaps(self, before: Int, after: Int) -> Int:
        """Return the lengths of gaps, 0 for those in which something could not be seen."""
        gaps = after - before
        for low, high in self._blind:
            gaps[(before < high) & (after > low)] = 0
        return gaps

    def record(self, start: int, end: int, sample_ticks: float = 0.0, t_ticks: float = 0.0) -> BusEvidence:
        """Return the evidence.

        start, end: the capture's first and last ticks. sample_ticks, t_ticks: sample interval and T-state, 0 where not known; stretches
        that a spike of one sample explains, and a reset shorter than the CPU notices, are no assertions.
        """
        histogram = self._histogram.reshape(CLASSES, PATTERNS).tolist()
        evidence = BusEvidence(captured=self.captured, start_s=start * self.tick_s, end_s=end * self.tick_s, histogram=histogram)
        evidence.hidden = self._hidden.tolist()
        evidence.strobes = count_strobes(histogram, self.captured, evidence.hidden)
        for name, count in evidence.strobes.items():
            self._missing[name].fill(count, self.tick_s)
        evidence.cycles = dict(zip(KINDS, self._cycles.tolist(), strict=True))
        evidence.notes = {note: n for note, n in zip(NOTES, self._notes.tolist(), strict=True) if note and n}
        evidence.inferred_fetches, evidence.waits, evidence.requests = self._inferred, self._waits, self._requests
        if self._span[0] is not None and self._span[1] is not None:
            for _, high in self._blind:  # whatever could not be seen was no silence
                self._span[1] = max(self._span[1], min(high, end))
            evidence.first_request_s, evidence.last_request_s = self._span[0] * self.tick_s, self._span[1] * self.tick_s
        evidence.longest_silence = self._seconds(self._silence)
        evidence.longest_without_refresh = self._seconds(self._no_refresh)
        evidence.longest_run_without_fetch = self._runs.longest
        evidence.run_without_fetch_s = None if self._runs.begins is None else self._runs.begins * self.tick_s
        evidence.glitches = self.glitches
        evidence.enables = self._enables if self._disables and self.captured.issuperset(DATA) else None
        evidence.halt_addresses = tuple(sorted(self._halts))
        evidence.clock = self._clock.record(self.tick_s)
        evidence.lines = {name: LineEvidence(name) for name in sorted(self.captured)}
        least = SPIKE_SAMPLES * sample_ticks
        shortest = {"RESET": max(least, RESET_SEEN_T * t_ticks)}
        for name, held in self._held.items():
            line = evidence.lines[name]
            line.asserted_last = held.close(end)
            line.asserted_first, line.assertions = held.first, held.lasting(shortest.get(name, least))
            line.asserted_s, line.longest = held.total * self.tick_s, self._seconds(held.longest)
        for name, stays in self._last_edges.stays(self.tick_s).items():
            if name in evidence.lines:
                evidence.lines[name].stays = stays
        halt, request = self._held.get("HALT"), self._held.get("INT")
        if halt is not None and request is not None and halt.since is not None:
            evidence.asked_in_halt = request.begun_behind(halt.since, least, end - int(ANSWER_T * t_ticks))
        return evidence

    def spans(self, name: str) -> list[Span]:
        """Return the first stretches (some thousand) that a held line spent at its active level."""
        held = self._held.get(name)
        return [] if held is None else [Span(a * self.tick_s, b * self.tick_s) for a, b in held.recent]

    def _seconds(self, span: tuple[int, int] | None) -> Span | None:
        return None if span is None else Span(span[0] * self.tick_s, span[1] * self.tick_s)

    def kept(self, in_volts: frozenset[str]) -> Events:
        """Return the longest stretch, of what was kept of the raw capture, in which the control lines are known.

        Times (int64, ticks) and words (uint64). in_volts: see settle_lines.
        """
        return longest_known(self._kept.blocks, sum(1 << BIT[name] for name in CONTROL if name in self.captured - in_volts))


class _ClockWatch:
    """Running figures of the clock period."""

    def __init__(self) -> None:
        self.count = 0
        self.last: int | None = None  #: the last edge, None where one behind it could not be seen
        self.last_seen: int | None = None
        self.longest: tuple[int, int] | None = None
        self._sum = self._squares = 0.0
        self._steps = 0
        self._phase = 0j
        self._falls, self._rises = np.empty(0, np.int64), np.empty(0, np.int64)  #: not placed yet, and the last clock edges
        self.phases = 0

    def feed(self, rises: Int, blind: Sequence[tuple[int, int]]) -> None:
        """Take rising edges; blind: stretches, ended up to now, in which some could not be seen."""
        for low, high in blind:
            at = int(np.searchsorted(rises, high))
            before = int(np.searchsorted(rises, low))
            self._add(rises[:before])
            rises, self.last = rises[at:], None
        self._add(rises)
        if blind and not len(rises):
            self.last_seen = blind[-1][1]

    def _add(self, rises: Int) -> None:
        if not len(rises):
            return
        steps = np.diff(rises) if self.last is None else np.diff(np.r_[self.last, rises])
        if len(steps):
            k = int(steps.argmax())
            end = int(rises[k + (1 if self.last is None else 0)])
            self.longest = _longer(self.longest, end - int(steps[k]), end)
            self._sum += float(steps.sum())
            self._squares += float(np.square(steps, dtype=np.float64).sum())
            self._steps += len(steps)
        self.count += len(rises)
        self.last = self.last_seen = int(rises[-1])

    def place(self, falls: Int, rises: Int) -> None:
        """Add up where in the clock period the first falls of /MREQ are, as unit vectors: the period is a circle."""
        falls, rises = np.concatenate([self._falls, falls]), np.concatenate([self._rises, rises])
        after = np.searchsorted(rises, falls)
        inside = np.flatnonzero((after > 0) & (after < len(rises)))[: PHASES_WANTED - self.phases]
        low, high = rises[after[inside] - 1], rises[after[inside]]
        self._phase += complex(np.exp(2j * np.pi * (falls[inside] - low) / (high - low)).sum())
        self.phases += len(inside)
        # A request is given out behind the block of its edges: whatever the blocks are, the same falls find the same clock edges.
        # None is waited for without end: a clock that stopped, or was not captured, never comes.
        self._falls, self._rises = falls[after == len(rises)][-FALLS_KEPT:], rises[-RISES_KEPT:]

    def record(self, tick_s: float) -> ClockEvidence:
        clock = ClockEvidence(edges=self.count)
        if self.phases >= PHASES_MIN and abs(self._phase) > PHASES_AGREE * self.phases:
            clock.mreq_phase = float(np.angle(self._phase) / (2 * np.pi) % 1.0)
        if self.longest is not None and self.last_seen is not None:
            clock.longest = Span(self.longest[0] * tick_s, self.longest[1] * tick_s)
            mean = self._sum / self._steps
            clock.mean_s = mean * tick_s
            clock.deviation_s = max(0.0, self._squares / self._steps - mean * mean) ** 0.5 * tick_s
            clock.last_edge_s = self.last_seen * tick_s
        return clock


def _longer(span: tuple[int, int] | None, start: int, end: int) -> tuple[int, int]:
    return (start, end) if span is None or end - start > span[1] - span[0] else span

