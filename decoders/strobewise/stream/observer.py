"""The plain evidence record, filled from the items of the cycle stream as far as they go: what the rules judge in a capture host.

Lines are known at the sample points of the requests only. So the edges of a strobe are taken as two for each request in which it was
asserted, if it ever moved; stretches at an active level are known to a cycle. The address and data buses are not judged here.
"""

from __future__ import annotations

from typing import Dict, Optional, Tuple

from ..bus.clocked import TICKS_PER_T
from ..bus.lines import LINE, MASK, STROBES
from ..records.evidence import BusEvidence, ClockEvidence, LineEvidence, Span, count_strobes
from .counts import Counts
from .records import BegunItem, Bus, EndedItem

_FRAMING = MASK["MREQ"] | MASK["IORQ"]
HELD_LINES = ("HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK", "ROMDIS")


class _Held:
    """How long one line was seen at its active level."""

    def __init__(self, name: str) -> None:
        self.mask = MASK[name]
        self.active = LINE[name].active_level
        self.since: Optional[int] = None
        self.first = False
        self.known = False
        self.count = self.total = self.changes = 0
        self.longest: Optional[Tuple[int, int]] = None

    def level(self, time: int, asserted: bool) -> None:
        if not self.known:
            self.known, self.first = True, asserted
            if asserted:
                self.since, self.count = 0, 1
        elif asserted and self.since is None:
            self.since = time
            self.count += 1
            self.changes += 1
        elif not asserted and self.since is not None:
            self.changes += 1
            self.total += time - self.since
            self._keep(self.since, time)
            self.since = None

    def _keep(self, start: int, end: int) -> None:
        if self.longest is None or end - start > self.longest[1] - self.longest[0]:
            self.longest = (start, end)

    def asserted(self, now: int) -> int:
        """Return for how long it was active up to a time."""
        return self.total + (0 if self.since is None else max(now - self.since, 0))

    def record(self, line: LineEvidence, start: int, end: int, rate: float, before: int) -> None:
        """Fill in what was seen from start to end. before: for how long it was active before that."""
        longest, total = self.longest, min(max(self.asserted(end) - before, 0), end - start)
        if self.since is not None:
            if longest is None or end - self.since > longest[1] - longest[0]:
                longest = (self.since, end)
        line.edges, line.assertions, line.asserted_s = self.changes, self.count, total / rate
        line.asserted_first, line.asserted_last = self.first, self.since is not None
        line.longest = None if longest is None else Span(longest[0] / rate, longest[1] / rate)
        share = total / (end - start) if end > start else float(self.first)
        line.high_fraction = share if self.active else 1.0 - share


class Observer:
    """Counts the items of one cycle stream."""

    def __init__(self, bus: Bus) -> None:
        """bus: the first item of the stream."""
        self.bus = bus
        self.rate = float(bus.rate or 1)
        self._pulses = dict(bus.pulses)
        followed = bus.counts_clock or not self._pulses.get("CLK", 1)
        self.captured = frozenset(bus.captured) - (frozenset() if followed else frozenset(("CLK",)))  # its edges are not seen
        self._last_clock: Optional[int] = None
        self._control = 0  #: levels when nothing moved, last
        self._held = {name: _Held(name) for name in HELD_LINES if name in self.captured}
        self._by_sample = [held for name, held in self._held.items() if name not in ("RESET", "BUSACK")]
        self._mask = sum(held.mask for held in self._by_sample)
        self._before: Dict[str, int] = {}  #: how long each was active before the stretch
        self._levels = -1
        self._asked = 0  #: how often /INT had gone low before the halt that is under way
        self._over = Counts()  #: all stretches before the one under way
        self.stretch = Counts()

    @property
    def whole(self) -> Counts:
        """All that was counted since the beginning."""
        return self._over.followed_by(self.stretch)

    def begun(self, item: BegunItem) -> None:
        """Take a cycle's first item."""
        control = item[8]
        if control & self._mask != self._levels:
            self._levels = control & self._mask
            self._sample(item[2], control)
        self.stretch.begun(item)

    def ended(self, item: EndedItem) -> None:
        """Take a cycle's second item."""
        if item[5]:
            self.stretch.noted(item)

    def line(self, name: str, level: int, time: int) -> None:
        """Take an edge of /RESET or /BUSACK."""
        held = self._held.get(name)
        if held is not None:
            if not held.known and time > 0:
                held.level(0, level != held.active)  # what it comes from
            held.level(time, level == held.active)

    def quiet(self, time: int, control: int, last_clock: int, since: int) -> None:
        """Take the levels of the control lines while nothing moves, and the last rising edge of CLK (-1: not known).

        since: the last edge of a strobe. /WAIT, where it holds a cycle, was low within a clock of that.
        """
        self._last_clock, self._control = last_clock if last_clock >= 0 else None, control
        if "WAIT" in self._held and not control & MASK["WAIT"] and control & _FRAMING != _FRAMING:
            self._held["WAIT"].level(since, True)
        self._sample(time, control)
        for name in ("RESET", "BUSACK"):
            if name in self._held:
                self._held[name].level(time, bool(control & MASK[name]) == bool(self._held[name].active))

    def _sample(self, time: int, control: int) -> None:
        for held in self._by_sample:
            held.level(time, bool(control & held.mask) == bool(held.active))
        if "HALT" in self._held and "INT" in self._held and self._held["HALT"].since is None:
            self._asked = self._held["INT"].count

    def new_stretch(self, start: int) -> None:
        """Begin counting a stretch anew. start: its first sample."""
        self._over, self.stretch = self.whole, self.stretch.next()
        self._before = {name: held.asserted(start) for name, held in self._held.items()}

    def evidence(self, counts: Counts, start: int, end: int) -> BusEvidence:
        """Return the record of what was counted. start, end: samples."""
        rate, bus = self.rate, self.bus
        evidence = BusEvidence(captured=self.captured, start_s=start / rate, end_s=end / rate)
        counts.fill_in(evidence)
        evidence.strobes = count_strobes(evidence.histogram, self.captured)
        evidence.clocked, evidence.timed = bus.clocked, not bus.clocked or bus.rate is not None
        if bus.clocked:
            evidence.samples_per_t = float(TICKS_PER_T)  # each change was put at its clock edge
        else:
            evidence.sample_interval_s = bus.sample_ticks / rate if bus.rate else None
            evidence.samples_per_t = bus.t_samples / max(bus.sample_ticks, 1.0) if bus.t_samples else None
        evidence.framed_by = "MREQ" if bus.mreq_frames else "RD and WR"
        if counts.first is not None and counts.last is not None:
            evidence.first_request_s, evidence.last_request_s = counts.first / rate, counts.last / rate
        evidence.longest_silence = _span(counts.silence, rate)
        evidence.longest_without_refresh = _span(counts.no_refresh, rate)
        evidence.longest_run_without_fetch, run_at = counts.longest_without_fetch
        evidence.run_without_fetch_s = None if run_at is None else run_at / rate
        hz = rate / bus.t_samples if bus.t_samples and bus.rate else None
        evidence.clock = ClockEvidence(hz=hz, source=bus.t_source)
        if self._last_clock is not None:
            evidence.clock.last_edge_s = self._last_clock / rate
        evidence.lines = self._lines(evidence, counts is self.stretch, start, end)
        if evidence.line("HALT").asserted_last and "INT" in self._held:
            evidence.asked_in_halt = self._held["INT"].count - self._asked
        return evidence

    def _lines(self, evidence: BusEvidence, of_stretch: bool, start: int, end: int) -> Dict[str, LineEvidence]:
        lines = {name: LineEvidence(name) for name in sorted(self.captured)}
        bus = self.bus
        seen = [(pattern, number) for row in evidence.histogram for pattern, number in enumerate(row) if number]
        total = sum(number for _, number in seen)
        for bit, name in enumerate(STROBES):
            if name in lines:
                asserted = sum(number for pattern, number in seen if pattern >> bit & 1)
                framed = not bus.mreq_frames and self._pulses.get(name)  # where it frames requests, it is low in each of them and moves
                still = asserted in (0, total) and name != "MREQ" and not (asserted and framed)
                lines[name].edges = 0 if still else 2 * asserted
                lines[name].high_fraction = 1.0 - asserted / total if total else None
        if "CLK" in lines and self._pulses.get("CLK", 1):
            lines["CLK"].edges = 2 * evidence.requests + 1  # it is counted by, so it moved; how often does not matter
        if not evidence.requests:  # what the first stretch showed is all there is
            for name in ("CLK", *STROBES):
                if name in lines:
                    lines[name].edges = 2 * self._pulses.get(name, 0)
                    lines[name].high_fraction = 1.0 if self._control & MASK[name] else 0.0
        for name, held in self._held.items():
            before = self._before.get(name, 0) if of_stretch else 0
            held.record(lines[name], start, end, self.rate, before)
        return lines


def _span(span: Optional[Tuple[int, int]], rate: float) -> Optional[Span]:
    return None if span is None else Span(span[0] / rate, span[1] / rate)
