"""The machine on the bench: the CPU model runs on a board, and what its pins do comes out as timed levels."""

from __future__ import annotations

import random
from typing import Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import MASK
from ..bus.units import NEVER
from ..cpu.model import Z80
from .board import ALL_HIGH, Board, FaultyBoard
from .halts import Opcodes
from .pins import REFRESHING, RELEASED, PinTiming, Template
from .player import SOURCE_DELAY, Player
from .sources import BusMaster, Source
from .waveform import Edge, NoiseFilter, Timed
from .wiring import CONNECTOR, DIE, IN, OUT, LineCondition, Wiring, probe_masks

_OUTPUT_DELAY = 60_000  #: of /HALT and /BUSACK after the clock, picoseconds; no row of the AC table is at hand for them
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


class Bench(Player):
    """One run of a machine. Iterate `run` for its waveform; `cycles` is complete when the iteration ends."""

    nmi_low = False  #: as the CPU saw it when the wiring changed last
    halt_ended = False  #: /HALT has risen already, and the response comes next
    halt_shown = False
    in_reset = False

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
        cmos: bool = False,
    ) -> None:
        """cmos: the make of the CPU. jitter: largest displacement of a clock edge, picoseconds. end, record_from: T-states, picoseconds."""
        super().__init__(board, timing, jitter, record_from, rng)
        self.sources = list(sources)
        self.activities = list(activities)
        self.shorts = list(shorts)
        self.probe_at = probe_at
        self.end = end
        self.cpu = Z80(cmos)
        self.records: List[List[int]] = []  #: of each cycle: T-state, picosecond, wait states, address, data, bus granted
        self.kinds: List[str] = []
        self.notes: Dict[int, str] = {}
        self.pulls = {"WAIT": 0, "INT": 0, "NMI": 0, "RESET": 0, "BUSREQ": 0}  #: how many pull each input low
        self.changed_at = dict.fromkeys(self.pulls, -NEVER)
        self.special = False  #: something must be dealt with before the next machine cycle
        self.nmi_at: Optional[int] = None
        self.opcodes = Opcodes()
        self.rewire_at = NEVER
        self._rewire()
        for source in self.sources:  # what is pulled at power-on has no edge: the machine comes up like that
            while source.due <= 0:
                self.pulls[source.line] += 1 if source.fire() else -1
        for line, pulls in self.pulls.items():
            if pulls:
                self.static &= ~MASK[line]
        self.hold_static()
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
                    if cpu.halted is not self.halt_shown and not self.halt_ended:
                        self._show_halt()
                    self.halt_ended = False
                    if len(self.events) > 2000:
                        yield self.events
                        self.events = []
            except _Restarted:
                continue
            except _Finished:
                break
        yield self.events
        self.events = []

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
        if (high, low) != self.masks:
            self.templates.clear()
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
        low = self.wiring.input_level("NMI", self.pulls["NMI"] > 0)
        if low and not self.nmi_low and self.t > 0:  # what pulls it is an edge for the CPU, whoever does
            self.nmi_at = self.t
        self.nmi_low = low
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
        self.idle(t_states, RELEASED)

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
            self.long_cycle(kind, waits, shown, board.pin_address(refresh), answer.pin)
            return answer.die
        key = (kind, waits, self.refreshing, answer.late)
        template = self.templates.get(key)
        if template is None:
            template = self.template(key)
        pager = board.pager
        if pager is not None:
            self._show_paging(kind, template)
        self.refreshing = kind in REFRESHING
        if self.refreshing:
            board.refresh(refresh)
            refresh = board.pin_address(refresh)
        if kind == "opcode_fetch" and not self.cpu.halted and self.opcodes.halts(answer.die) and not self.halt_shown:
            self.halt_shown = True
            self.pending.append(((template.t_states - 1) * self.timing.period + self.timing.high + _OUTPUT_DELAY, MASK["HALT"], 0))
        self.emit(template, shown, refresh, answer.pin)
        if self.cpu.halted and self.halt_shown and self._will_answer():
            self._end_halt()
        return answer.die

    def _will_answer(self) -> bool:
        """Return whether the CPU leaves HALT with its next step, by what it sampled in the cycle that was just played."""
        return (self.cpu.iff1 and self._sampled("INT")) or (self.nmi_at is not None and self.nmi_at <= self.t - 2)

    def _end_halt(self) -> None:
        """Let /HALT rise with the last falling clock edge before the response, in what was just played."""
        mask = MASK["HALT"]
        self.halt_shown, self.halt_ended = False, True
        at = self.now - self.timing.period + self.timing.high + _OUTPUT_DELAY
        if at >= self.now or mask & (self.masks[0] | self.masks[1]):
            self.pending.append((max(0, at - self.now), mask, mask))
            return
        first = len(self.events)
        while first and self.events[first - 1][0] >= at:
            first -= 1
        later = [(time, word | mask) for time, word in self.events[first:]]
        if first and (not later or later[0][0] > at):
            later.insert(0, (at, self.events[first - 1][1] | mask))
        self.events[first:] = later
        self.static |= mask

    # --- what happens beside the program ------------------------------------------------------------------------

    def _attend(self) -> None:
        """Deal with what must happen between two machine cycles: the end, new faults, RESET, a bus request."""
        self._keep_up()
        if self._sampled("BUSREQ"):
            self._grant()
        self._check_special()

    def _keep_up(self) -> None:
        """Deal with what the clock alone brings about: the end, faults that begin or leave, a reset."""
        if self.t >= self.end:
            raise _Finished
        if self.t >= self.rewire_at:
            self._rewire()
            self._look_ahead()
        self._reset_if_asked()

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
            self.idle(64 if self.attention - self.t > 65 else 1, RELEASED)
            self._keep_up()
            if not self.wiring.input_level("BUSREQ", self.pulls["BUSREQ"] > 0):  # seen on this rising edge
                break
        self.pending.append((self.timing.high + _OUTPUT_DELAY, mask, mask))  # with the falling edge, where it fell with a rising one
        self.idle(1, RELEASED)

    def _reset_if_asked(self) -> None:
        """Hold the CPU while RESET is asserted; raise _Restarted when it may run again."""
        if not self.wiring.input_level("RESET", self.pulls["RESET"] > 0):
            return
        self._release_outputs()
        self.in_reset = True
        while self.wiring.input_level("RESET", self.pulls["RESET"] > 0):
            self.idle(64 if self.attention - self.t > 65 else 1, RELEASED)
            if self.t >= self.end:
                raise _Finished
            if self.t >= self.rewire_at:
                self._rewire()
                self._look_ahead()
        self.idle(1, RELEASED)  # the first fetch begins two T-states after the line has risen
        self.in_reset = False
        self.cpu.reset()
        self.nmi_at, self.opcodes = None, Opcodes()
        if self.board.pager is not None:
            self.board.pager.reset()
        self._check_special()
        raise _Restarted

    def _release_outputs(self) -> None:
        self.static |= MASK["HALT"] | MASK["BUSACK"]
        self.hold_static()
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

    # --- the inputs ---------------------------------------------------------------------------------------------

    def inputs_until(self, t_states: int) -> List[Edge]:
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
                edges.append(((at - self.t) * self.timing.period + SOURCE_DELAY, mask, 0 if pulled else mask))
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

    def cycle_cut(self) -> None:
        if self.kinds:
            self.notes[len(self.kinds) - 1] = "cut_short"
