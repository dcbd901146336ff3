"""The machine on the bench: the CPU model runs on a board, and what its pins do comes out as timed levels."""

from __future__ import annotations

import random
from typing import Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from ..cpu.model import Z80
from .board import ALL_HIGH, Board, FaultyBoard
from .pins import OWN, REFRESHING, RELEASED, SHAPES, PinTiming, Template, compile_cycle, compile_idle
from .sources import NEVER, BusMaster, Source
from .waveform import Edge, NoiseFilter, Timed, jittered, merge_edges
from .wiring import CONNECTOR, DIE, IN, OUT, LineCondition, Wiring, probe_masks

_STATIC = ALL_HIGH & ~RELEASED & ~MASK["CLK"]  #: the lines that no template drives, at rest
_OUTPUT_DELAY = 60_000  #: of /HALT and /BUSACK after the clock, picoseconds; no row of the AC table is at hand for them
_SOURCE_DELAY = 30_000  #: of a pulled input after the clock edge that made it, picoseconds
_DEVICE_DELAY = 60_000  #: of ROMDIS after the strobe that the device answers, picoseconds
_LONG_WAIT = 16  #: more wait states than this are made of a head, idle T-states and a rest


class TrueCycle(NamedTuple):
    """One machine cycle as it really was. Times in picoseconds since power-on."""

    kind: str
    start: int
    t_states: Optional[int]  #: None when something cut it short
    wait_states: int
    address: int  #: as the CPU's pins show it
    data: int
    note: str
    bus_granted: bool  #: the bus was given away before the next cycle


class Activity(NamedTuple):
    """A line condition and when it holds."""

    condition: LineCondition
    intervals: Optional[Tuple[Tuple[int, int], ...]]  #: T-states from, to; None: always

    def holds(self, now: int) -> bool:
        return self.intervals is None or any(start <= now < end for start, end in self.intervals)


class _Finished(Exception):
    """The run's time is over."""


class _Restarted(Exception):
    """RESET has taken the CPU out of whatever it was doing."""


class Bench:
    """One run of a machine. Iterate `run` for its waveform; `cycles` is complete when the iteration ends."""

    def __init__(
        self,
        board: Board,
        sources: Sequence[Source],
        timing: PinTiming,
        activities: Sequence[Activity],
        shorts: Sequence[Tuple[str, str]],
        probe_at: Dict[str, str],
        jitter: int,
        end: int,
        record_from: int,
        rng: random.Random,
    ) -> None:
        """jitter: largest displacement of a clock edge, picoseconds. end, record_from: T-states, picoseconds."""
        self.board = board
        self.sources = list(sources)
        self.timing = timing
        self.activities = list(activities)
        self.shorts = list(shorts)
        self.probe_at = probe_at
        self.jitter = jitter
        self.end = end
        self.record_from = record_from
        self.rng = rng
        self.cpu = Z80()
        self.t = 0  #: T-states since power-on
        self.now = 0  #: picoseconds since power-on: T1's rising clock edge of the next cycle
        self.events: List[Timed] = []
        self.records: List[List[int]] = []
        self.notes: Dict[int, str] = {}
        self.kinds: List[str] = []
        self.pulls = {"WAIT": 0, "INT": 0, "NMI": 0, "RESET": 0, "BUSREQ": 0}
        self.changed_at = dict.fromkeys(self.pulls, -NEVER)
        self.static = _STATIC
        self.address = 0
        self.data = 0xFF
        self.refreshing = False
        self.special = False
        self.halt_shown = False
        self.pending: List[Edge] = []  #: edges due in the coming template
        self.nmi_at: Optional[int] = None
        self.in_reset = False
        self.cut_at: Optional[int] = None  #: the T-state at which RESET ends the cycle that runs
        self.attention = 0
        self.rewire_at = NEVER
        self._templates: Dict[Tuple[str, int, bool, bool], Template] = {}
        self._rewire()
        for source in self.sources:  # what is pulled at power-on has no edge: the machine comes up like that
            while source.due <= 0:
                self.pulls[source.line] += 1 if source.fire() else -1
        for line, pulls in self.pulls.items():
            if pulls:
                self.static &= ~MASK[line]
        self.static = (self.static | self.masks[0] & 0xFFFF) & ~self.masks[1]
        self._check_special()

    # --- the run ------------------------------------------------------------------------------------------------

    def run(self) -> Iterator[List[Timed]]:
        """Yield the waveform in pieces: levels in time order, a word for each moment at which the pins may change."""
        cpu = self.cpu
        step = cpu.step
        self._look_ahead()
        yield [(self.now, self.snapshot())]
        while True:
            try:
                self._reset_if_asked()
                while True:
                    if self.nmi_at is not None and self.nmi_at <= self.t - 2:
                        cpu.nmi_pending, self.nmi_at = True, None
                    cpu.interrupt_line = self._sampled("INT")
                    first = len(self.kinds)
                    result = step(self)
                    if result is not None and result != "interrupt" and first < len(self.kinds):
                        self.notes[first] = result
                    if cpu.halted is not self.halt_shown:
                        self._show_halt()
                    if len(self.events) > 2000:
                        yield self.events
                        self.events = []
            except _Restarted:
                continue
            except _Finished:
                break
        yield self.events
        self.events = []

    def snapshot(self) -> int:
        """Return the levels of this moment, between two machine cycles, clock high."""
        control = RELEASED & ~(MASK["RFSH"] if self.refreshing else 0) | MASK["CLK"] | self.static
        high, low = self.masks
        return (control | self.address << FIRST_ADDRESS_BIT | self.data << FIRST_DATA_BIT | high) & ~low

    @property
    def cycles(self) -> List[TrueCycle]:
        """The machine cycles so far, with their lengths; the last one's is not known."""
        result = []
        for index, (t, start, waits, address, data, granted) in enumerate(self.records):
            length = self.records[index + 1][0] - t if index + 1 < len(self.records) else None
            note = self.notes.get(index, "")
            if note == "cut_short":
                length = None
            result.append(TrueCycle(self.kinds[index], start, length, waits, address, data, note, bool(granted)))
        return result

    def _rewire(self) -> None:
        """Build the wiring of this moment from the conditions that hold now."""
        active = [activity.condition for activity in self.activities if activity.holds(self.t)]
        self.wiring = Wiring(active, self.shorts)
        if isinstance(self.board, FaultyBoard):
            self.board.wiring = self.wiring
        high, low, floating, shorts = probe_masks(self.wiring, self.probe_at)
        if (high, low) != getattr(self, "masks", (0, 0)):
            self._templates.clear()
        self.masks = (high, low)
        self.noise_filter = NoiseFilter(floating, shorts, self.rng) if floating or shorts else None
        edges = [
            edge
            for activity in self.activities
            if activity.intervals is not None
            for interval in activity.intervals
            for edge in interval
            if edge > self.t
        ]
        self.rewire_at = min(edges, default=NEVER)
        wait_view = self.wiring.views[DIE, IN]
        self.wait_held = bool(wait_view.low & MASK["WAIT"])
        self.wait_ignored = not self.wiring.input_level("WAIT", True)
        self._check_special()

    def _check_special(self) -> None:
        asserted = self.wiring.input_level
        self.special = (
            asserted("BUSREQ", self.pulls["BUSREQ"] > 0)
            or asserted("RESET", self.pulls["RESET"] > 0)
            or self.t >= self.end
            or self.t >= self.rewire_at
        )

    def _look_ahead(self) -> None:
        self.attention = min(self.end, self.rewire_at, min((s.due for s in self.sources), default=NEVER))

    def _sampled(self, line: str) -> bool:
        """Return an input as the CPU sampled it on the rising edge of the T-state before this one."""
        pulled = self.pulls[line] > 0
        if self.changed_at[line] > self.t - 2:
            pulled = not pulled
        return self.wiring.input_level(line, pulled)

    # --- the CPU's bus ------------------------------------------------------------------------------------------

    def fetch(self, address: int, refresh: int) -> int:
        return self._cycle("opcode_fetch", address, refresh, None)

    def read(self, address: int) -> int:
        return self._cycle("memory_read", address, address, None)

    def write(self, address: int, value: int) -> None:
        self._cycle("memory_write", address, address, value)

    def io_read(self, port: int) -> int:
        return self._cycle("io_read", port, port, None)

    def io_write(self, port: int, value: int) -> None:
        self._cycle("io_write", port, port, value)

    def acknowledge(self, address: int, refresh: int) -> int:
        return self._cycle("interrupt_acknowledge", address, refresh, None)

    def internal(self, t_states: int) -> None:
        self._idle(t_states, RELEASED)

    def _cycle(self, kind: str, address: int, refresh: int, value: Optional[int]) -> int:
        if self.special:
            self._attend()
        board = self.board
        board.now = self.t
        answer = board.transfer(kind, address, value)
        waits = board.waits(kind, address) if board.wait_rules or self.wait_held or self.wait_ignored else 0
        if waits and self.wait_ignored:
            answer, waits = answer._replace(die=board.undriven, late=value is None), 0
        if self.wait_held:
            waits = max(waits, min(self.end, self.rewire_at) - self.t + 4)
        shown = board.pin_address(address)
        self.kinds.append(kind)
        self.records.append([self.t, self.now, waits, shown, answer.pin, 0])
        if waits > _LONG_WAIT:
            self._long_cycle(kind, waits, shown, board.pin_address(refresh), answer.pin)
            return answer.die
        key = (kind, waits, self.refreshing, answer.late)
        template = self._templates.get(key)
        if template is None:
            template = self._template(key)
        pager = board.pager
        if pager is not None:
            self._show_paging(kind, template)
        self.refreshing = kind in REFRESHING
        if self.refreshing:
            board.refresh(refresh)
            refresh = board.pin_address(refresh)
        self._emit(template, shown, refresh, answer.pin)
        return answer.die

    def _template(self, key: Tuple[str, int, bool, bool]) -> Template:
        kind, waits, refresh_before, late = key
        wait_line = not self.masks[0] & MASK["WAIT"]
        template = compile_cycle(kind, waits, refresh_before, late, self.timing, wait_line)
        self._templates[key] = template = self._masked(template)
        return template

    def _masked(self, template: Template) -> Template:
        high, low = self.masks
        keep = ~low
        events = tuple((o, (c | high & 0xFFFF) & keep, a, d) for o, c, a, d in template.events)
        return template._replace(events=events)

    def _long_cycle(self, kind: str, waits: int, address: int, refresh: int, data: int) -> None:
        """Emit a cycle with very many wait states: its beginning, the clock alone, its end."""
        whole = self._template((kind, 8, self.refreshing, False))
        cut_t = SHAPES[kind].waits_after + 4
        cut = cut_t * self.timing.period
        split = sum(1 for event in whole.events if event[0] < cut)
        head = whole._replace(t_states=cut_t, events=whole.events[:split], clocked=whole.clocked[:split], tail=())
        rest = whole._replace(
            t_states=whole.t_states - cut_t,
            events=tuple((o - cut, c, a, d) for o, c, a, d in whole.events[split:]),
            clocked=tuple((edge - 2 * cut_t, delay) for edge, delay in whole.clocked[split:]),
        )
        self._emit(head, address, refresh, data)
        self.refreshing = False
        held = head.events[-1][1]
        self._idle(waits - 8, held, (self.address, refresh, data))
        self._emit(rest, address, refresh, data)
        self.refreshing = kind in REFRESHING

    def _idle(self, t_states: int, control: int, buses: Optional[Tuple[int, int, int]] = None) -> None:
        """Let the clock run for some T-states with the strobes as they are."""
        while t_states > 0:
            piece = min(t_states, 64)
            key = ("idle", piece << 16 | control & 0xFFFE, self.refreshing, buses is not None)
            template = self._templates.get(key)
            if template is None:
                timing = self.timing if buses is None else self.timing._replace(pull_up=None)
                template = compile_idle(piece, control & ~MASK["CLK"], self.refreshing, timing)
                self._templates[key] = template = self._masked(template)
            self.refreshing = False
            self._emit(template, self.address, self.address, self.data)
            t_states -= piece

    # --- what happens beside the program ------------------------------------------------------------------------

    def _attend(self) -> None:
        """Deal with what must happen between two machine cycles: the end, new faults, RESET, a bus request."""
        if self.t >= self.end:
            raise _Finished
        if self.t >= self.rewire_at:
            self._rewire()
            self._look_ahead()
        self._reset_if_asked()
        if self._sampled("BUSREQ"):
            self._grant()
        self._check_special()

    def _grant(self) -> None:
        """Give the bus away until the request ends. Address, data and strobes float; the pull-ups keep the strobes high."""
        mask = MASK["BUSACK"]
        self.pending.append((_OUTPUT_DELAY, mask, 0))
        seen = self.wiring.views[CONNECTOR, OUT]
        if self.records:
            self.records[-1][5] = 1
        if not seen.apply(ALL_HIGH & ~mask, 0) & mask:
            for source in self.sources:
                if isinstance(source, BusMaster):
                    source.granted(self.t + 1)
            self._look_ahead()
        while True:
            self._idle(64 if self.attention - self.t > 65 else 1, RELEASED)
            if self.t >= self.end:
                raise _Finished
            if self.t >= self.rewire_at:
                self._rewire()
                self._look_ahead()
            self._reset_if_asked()
            if not self.wiring.input_level("BUSREQ", self.pulls["BUSREQ"] > 0):  # seen on this rising edge
                break
        self.pending.append((_OUTPUT_DELAY, mask, mask))
        self._idle(1, RELEASED)

    def _reset_if_asked(self) -> None:
        """Hold the CPU while RESET is asserted; raise _Restarted when it may run again."""
        if not self.wiring.input_level("RESET", self.pulls["RESET"] > 0):
            return
        self._release_outputs()
        self.in_reset = True
        while self.wiring.input_level("RESET", self.pulls["RESET"] > 0):
            self._idle(64 if self.attention - self.t > 65 else 1, RELEASED)
            if self.t >= self.end:
                raise _Finished
            if self.t >= self.rewire_at:
                self._rewire()
                self._look_ahead()
        self._idle(1, RELEASED)  # the first fetch begins two T-states after the line has risen
        self.in_reset = False
        self.cpu.reset()
        self.nmi_at = None
        if self.board.pager is not None:
            self.board.pager.reset()
        self._check_special()
        raise _Restarted

    def _release_outputs(self) -> None:
        self.static |= MASK["HALT"] | MASK["BUSACK"]
        self.static = (self.static | self.masks[0] & 0xFFFF) & ~self.masks[1]
        if self.board.pager is not None and self.static & MASK["ROMDIS"]:
            self.static &= ~MASK["ROMDIS"]
        self.halt_shown = False
        self.cpu.halted = False

    def _show_halt(self) -> None:
        self.halt_shown = self.cpu.halted
        self.pending.append((_OUTPUT_DELAY, MASK["HALT"], 0 if self.halt_shown else MASK["HALT"]))

    def _show_paging(self, kind: str, template: Template) -> None:
        """Put the device's answer on ROMDIS."""
        pager = self.board.pager
        mask = MASK["ROMDIS"]
        if pager is None or kind != "opcode_fetch":
            return
        if pager.paged and not self.static & mask:
            self.pending.append((template.strobe + _DEVICE_DELAY, mask, mask))
        pager.settle()
        if not pager.paged and (self.static & mask or self.pending):
            self.pending.append((template.release + _DEVICE_DELAY, mask, 0))

    # --- the waveform -------------------------------------------------------------------------------------------

    def _emit(self, template: Template, address: int, other: int, data: int) -> None:
        """Play a template. other: the address in its second half. data: what is driven on the data bus."""
        start = self.now
        t_states = template.t_states
        extra = self.pending
        if self.t + t_states > self.attention:
            extra = extra + self._inputs(t_states)
        undriven = self.board.undriven if self.board.keeps_level else 0xFF
        final = template.final_data
        if start >= self.record_from:
            static = self.static
            high, low = self.masks
            addresses: Tuple[int, int, int]
            levels: Tuple[int, int, int]
            before, own, later = self.address << 16 | static, address << 16 | static, other << 16 | static
            if high or low:
                keep = ~low
                addresses = ((before | high) & keep, (own | high) & keep, (later | high) & keep)
                levels = (self.data << 32 & keep, data << 32 & keep, undriven << 32 & keep)
            else:
                addresses = (before, own, later)
                levels = (self.data << 32, data << 32, undriven << 32)
            if self.jitter:
                shifts = [0, *(round(self.rng.uniform(-self.jitter, self.jitter)) for _ in range(2 * t_states))]
                piece = jittered(template, start, self.timing, shifts, addresses, levels)
            else:
                piece = [(start + o, c | addresses[a] | levels[d]) for o, c, a, d in template.events]
            if extra:
                piece = merge_edges(piece, start, extra, self.masks)
            if self.cut_at is not None:
                piece = self._cut(piece)
            if self.noise_filter is not None:
                piece = self.noise_filter.apply(piece)
            self.events += piece
        for _, mask, level in extra:
            self.static = self.static & ~mask | level
        if extra:
            self.static = (self.static | self.masks[0] & 0xFFFF) & ~self.masks[1]
            self.pending = []
        if template.tail:
            self.pending = list(template.tail)
        self.address = other
        self.data = self.data if final == 0 else data if final == OWN else undriven
        if self.cut_at is not None and self.cut_at < self.t + t_states:
            self._stop_cycle()
        self.t += t_states
        self.now = start + t_states * self.timing.period

    def _inputs(self, t_states: int) -> List[Edge]:
        """Let the sources do what is due before the template's end; return the edges that they make."""
        end = self.t + t_states
        edges = []
        for source in self.sources:
            while source.due < end:
                at = max(source.due, self.t)
                mask = MASK[source.line]
                before = self.pulls[source.line] > 0
                self.pulls[source.line] += 1 if source.fire() else -1
                pulled = self.pulls[source.line] > 0
                if pulled == before:
                    continue
                self.changed_at[source.line] = at
                edges.append(((at - self.t) * self.timing.period + _SOURCE_DELAY, mask, 0 if pulled else mask))
                if pulled and self._moves(source.line):
                    if source.line == "NMI":
                        self.nmi_at = at
                    elif source.line == "RESET" and not self.in_reset:
                        self.cut_at = at + 2
        self._look_ahead()
        self._check_special()
        if end > self.end or end > self.rewire_at:
            self.special = True
        return edges

    def _moves(self, line: str) -> bool:
        """Return whether the CPU's die sees an input fall when it is pulled."""
        return self.wiring.input_level(line, True) and not self.wiring.input_level(line, False)

    def _cut(self, piece: List[Timed]) -> List[Timed]:
        """End a template early because RESET fell: the outputs go to rest, the clock runs on."""
        assert self.cut_at is not None
        at = self.now + (self.cut_at - self.t) * self.timing.period + _SOURCE_DELAY
        rest = RELEASED | MASK["HALT"] | MASK["BUSACK"]
        high, low = self.masks
        before = [event for event in piece if event[0] < at]
        after = [(time, (word | rest) & ~low | high & rest) for time, word in piece if time >= at]
        if before:
            after.insert(0, (at, (before[-1][1] | rest) & ~low | high & rest))
        return before + after

    def _stop_cycle(self) -> None:
        """Note that RESET has ended the cycle that was running; nothing of it is left to be done."""
        if self.kinds:
            self.notes[len(self.kinds) - 1] = "cut_short"
        self.cut_at = None
        self.refreshing = False
        self.pending = []
