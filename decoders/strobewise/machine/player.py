"""Plays templates: the moving part of the waveform, from one machine cycle to the next."""

from __future__ import annotations

import random
from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.lines import FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from .board import ALL_HIGH, Board
from .pins import OWN, PREVIOUS, REFRESHING, RELEASED, SHAPES, PinTiming, Template, compile_cycle, compile_idle
from .waveform import Edge, NoiseFilter, Timed, jittered, merge_edges

_PLAYED = RELEASED | MASK["CLK"]
STATIC = ALL_HIGH & ~_PLAYED  #: the lines that no template drives, at rest
SOURCE_DELAY = 30_000  #: of a pulled input after the clock edge that made it, picoseconds
_AT_REST = RELEASED | MASK["HALT"] | MASK["BUSACK"]  #: the CPU's outputs during reset


class Player:
    """The pins over time. Whoever inherits says which input edges fall into a stretch, and what a cut cycle means."""

    masks: Tuple[int, int] = (0, 0)  #: the lines that the leads see held high, and low
    noise_filter: Optional[NoiseFilter] = None

    def __init__(self, board: Board, timing: PinTiming, jitter: int, record_from: int, rng: random.Random) -> None:
        """jitter: largest displacement of a clock edge; record_from: when the first word is wanted; both picoseconds."""
        self.board = board
        self.timing = timing
        self.jitter = jitter
        self.record_from = record_from
        self.rng = rng
        self.t = 0  #: T-states since power-on
        self.now = 0  #: picoseconds since power-on: T1's rising clock edge of the next cycle
        self.attention = 0  #: T-state at which something beside the program is due
        self.events: List[Timed] = []  #: what was played and not yet fetched
        self.static = STATIC
        self.address = 0
        self.data = 0xFF
        self.refreshing = False  #: /RFSH is low and rises with the next T-state
        self.pending: List[Edge] = []  #: edges due in the coming template
        self.tail: Sequence[Edge] = ()  #: edges of the template before that its delays carry into the coming one
        self.cut_at: Optional[int] = None  #: the T-state at which RESET ends the cycle that runs
        self.templates: Dict[Tuple[str, int, bool, bool], Template] = {}

    def inputs_until(self, t_states: int) -> List[Edge]:
        """Let everybody who pulls an input do what is due in the coming T-states; return the edges."""
        raise NotImplementedError

    def cycle_cut(self) -> None:
        """Take note that RESET has ended the running cycle."""
        raise NotImplementedError

    def hold_static(self) -> None:
        """Put what is held on the lines that no template drives; on those of a template it stays no longer than it is held."""
        high, low = self.masks
        self.static = (self.static | high & 0xFFFF & ~_PLAYED) & ~(low & ~_PLAYED)

    def snapshot(self) -> int:
        """Return the levels of this moment, between two machine cycles, clock high."""
        control = RELEASED & ~(MASK["RFSH"] if self.refreshing else 0) | MASK["CLK"] | self.static
        high, low = self.masks
        return (control | self.address << FIRST_ADDRESS_BIT | self.data << FIRST_DATA_BIT | high) & ~low

    def template(self, key: Tuple[str, int, bool, bool]) -> Template:
        kind, waits, refresh_before, late = key
        wait_line = not self.masks[0] & MASK["WAIT"]
        template = compile_cycle(kind, waits, refresh_before, late, self.timing, wait_line)
        self.templates[key] = template = self._masked(template)
        return template

    def _masked(self, template: Template) -> Template:
        high, low = self.masks
        keep = ~low
        events = tuple((o, (c | high & 0xFFFF) & keep, a, d) for o, c, a, d in template.events)
        return template._replace(events=events)

    def long_cycle(self, kind: str, waits: int, address: int, refresh: int, data: int) -> None:
        """Emit a cycle with very many wait states: its beginning, the clock alone, its end."""
        whole = self.template((kind, 8, self.refreshing, False))
        cut_t = SHAPES[kind].waits_after + 4
        cut = cut_t * self.timing.period
        split = sum(1 for event in whole.events if event[0] < cut)
        head = whole._replace(t_states=cut_t, events=whole.events[:split], clocked=whole.clocked[:split], tail=())
        rest = whole._replace(
            t_states=whole.t_states - cut_t,
            events=tuple((o - cut, c, a, d) for o, c, a, d in whole.events[split:]),
            clocked=tuple((edge - 2 * cut_t, delay) for edge, delay in whole.clocked[split:]),
        )
        self.emit(head, address, refresh, data)
        self.refreshing = False
        held = head.events[-1][1]
        self.idle(waits - 8, held, (self.address, refresh, data))
        self.emit(rest, address, refresh, data)
        self.refreshing = kind in REFRESHING

    def idle(self, t_states: int, control: int, buses: Optional[Tuple[int, int, int]] = None) -> None:
        """Let the clock run for some T-states with the strobes as they are."""
        while t_states > 0:
            piece = min(t_states, 64)
            key = ("idle", piece << 16 | control & 0xFFFE, self.refreshing, buses is not None)
            template = self.templates.get(key)
            if template is None:
                timing = self.timing if buses is None else self.timing._replace(pull_up=None)
                template = compile_idle(piece, control & ~MASK["CLK"], self.refreshing, timing)
                self.templates[key] = template = self._masked(template)
            self.refreshing = False
            self.emit(template, self.address, self.address, self.data)
            t_states -= piece

    def emit(self, template: Template, address: int, other: int, data: int) -> None:
        """Play a template. other: the address in its second half. data: what is driven on the data bus."""
        start = self.now
        t_states = template.t_states
        late, self.tail = self.tail, template.tail
        extra = self.pending
        if self.t + t_states > self.attention:
            extra = extra + self.inputs_until(t_states)
        undriven = self.board.undriven if self.board.keeps_level else 0xFF
        final = template.final_data
        if start >= self.record_from:
            piece = self._levels(template, address, other, data, undriven)
            for edge in late:
                piece = self._late(piece, edge)
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
            self.hold_static()
            self.pending = []
        self.address = other
        self.data = self.data if final == PREVIOUS else data if final == OWN else undriven
        if self.cut_at is not None and self.cut_at < self.t + t_states:
            self._stop_cycle()
        self.t += t_states
        self.now = start + t_states * self.timing.period

    def _levels(self, template: Template, address: int, other: int, data: int, undriven: int) -> List[Timed]:
        """Return a template's waveform with its address and data put in, the lines that are held, and the clock's jitter."""
        start, static = self.now, self.static
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
            shifts = [0, *(round(self.rng.uniform(-self.jitter, self.jitter)) for _ in range(2 * template.t_states))]
            return jittered(template, start, self.timing, shifts, addresses, levels)
        return [(start + o, c | addresses[a] | levels[d]) for o, c, a, d in template.events]

    def _late(self, piece: List[Timed], edge: Edge) -> List[Timed]:
        """Let a strobe of the template before move only now, as far into this one as its delay reaches."""
        offset, mask, level = edge
        at = self.now + offset
        high, low = self.masks
        was = (mask & ~level | high & mask) & ~low
        before = [(time, word & ~mask | was) for time, word in piece if time < at]
        after = [event for event in piece if event[0] >= at]
        if before and (not after or after[0][0] > at):
            after.insert(0, (at, [word for time, word in piece if time < at][-1]))
        return before + after

    def _cut(self, piece: List[Timed]) -> List[Timed]:
        """End a template early because RESET fell: the outputs go to rest, the clock runs on."""
        assert self.cut_at is not None
        at = self.now + (self.cut_at - self.t) * self.timing.period + SOURCE_DELAY
        high, low = self.masks
        before = [event for event in piece if event[0] < at]
        after = [(time, (word | _AT_REST) & ~low | high & _AT_REST) for time, word in piece if time >= at]
        if before:
            after.insert(0, (at, (before[-1][1] | _AT_REST) & ~low | high & _AT_REST))
        return before + after

    def _stop_cycle(self) -> None:
        """Forget what is left of a cycle that RESET has ended."""
        self.cycle_cut()
        self.cut_at = None
        self.refreshing = False
        self.pending, self.tail = [], ()
