"""Mend an order of the buses, exchange by exchange, until none makes more of the program agree.

Two judges: how many instructions agree with what follows them (:mod:`program_fit`, fast, sees whatever an instruction alone says), and, for
the exchanges about which it says nothing, the CPU model run on the capture (strobewise.program.prediction, which knows the registers).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from ..bus.model import KINDS, NOTE_INDEX
from ..bus.semantics import SPEC
from ..capture.distinct import distinct
from ..program.capture_bus import BREAK, FLAG_SHIFT, IN_HALT, NMI_RESPONSE, PredictionRows
from ..program.prediction import Predictor
from .program_fit import Fit
from .raw import Int
from .sample import Sample

ROUNDS = 40  #: improvements of one start: each turns a pair of 24 lines, and few starts need as many
MODEL_ROUNDS = 8  #: exchanges made by the CPU model's word; which is asked last, when few bits are wrong
MODEL_CYCLES = 3_000  #: cycles that the model follows for each exchange that is tried: some hundred instructions, a moment's work
MODEL_STRIDE = 500  #: cycles followed before the count is looked at
ANEW = 12  #: starts from other guesses where the first comes to nothing
CONTENT = 0.95  #: share of instructions that agree at which no further start is tried
VARIED = 16  #: different instructions below which the program says too little
SURE = 3  #: contradictions against every exchange that make a bit sure

Columns = dict[int, Int]
Move = tuple[str, tuple[int, ...], int | None]  #: bus, two bits to exchange or one to invert, or one to give another channel

_COMPARABLE = np.array([kind in SPEC for kind in KINDS])


@dataclass
class Order:
    """An order of the buses: which channel is which bit; a position without a channel holds a constant level."""

    address: list[int | None] = field(default_factory=lambda: [None] * 16)
    data: list[int | None] = field(default_factory=lambda: [None] * 8)
    constant: dict[tuple[str, int], int] = field(default_factory=dict)  #: level of ("A", 15) and the like, 0 where nothing is said

    def copy(self) -> Order:
        """Return an order that can be changed by itself."""
        return Order(list(self.address), list(self.data), dict(self.constant))


def contradictions(kind: Int, note: Int, data: Int, address: Int, enough: int = 1 << 30) -> int:
    """Return how often the CPU model is contradicted by some of the machine cycles of a stretch; counting ends above `enough`.

    kind, note, data, address: integers, shape (n,), as in a cycle table but for bus grants.
    """
    rows = _spread(len(kind))
    kind, note, data, address = kind[rows].astype(np.int64), note[rows], data[rows], address[rows]
    flags = np.zeros(len(kind), np.int64)
    for name, flag in (("nmi_response", NMI_RESPONSE), ("halt", IN_HALT), ("cut_short", BREAK), ("after_reset", BREAK)):
        flags[note == NOTE_INDEX[name]] = flag
    flags[np.flatnonzero(np.diff(rows) > 1) + 1] |= BREAK
    key = np.where(_COMPARABLE[kind], address | kind << 16 | flags << FLAG_SHIFT, -1)
    predictor = Predictor(timed=False, has_halt=False)
    for start in range(0, len(key), MODEL_STRIDE):
        part = slice(start, start + MODEL_STRIDE)
        n = len(key[part])
        predictor.feed(PredictionRows(key[part].tolist(), data[part].tolist(), [0] * n, [True] * n, [0] * n))
        if predictor.total > enough + SURE:
            break
    return predictor.total


def _spread(cycles: int) -> Int:
    """Return the rows that the model follows: the first half of its budget from the start, the rest from further on."""
    if cycles <= MODEL_CYCLES:
        return np.arange(cycles)
    first, later = MODEL_CYCLES // 2, MODEL_CYCLES // 4
    middle = max(first, (cycles + first) // 2 - later)
    return np.concatenate([np.arange(first), np.arange(middle, middle + later), np.arange(cycles - later, cycles)])


class Search:
    """An order under test."""

    def __init__(self, sample: Sample, address: Columns, data: Columns, order: Order, fixed: int = 0) -> None:
        """fixed: so many of the lowest address lines are known, and not moved."""
        self.sample, self.order, self._fixed = sample, order, fixed
        self._columns = {"A": address, "D": data}
        self._known: dict[tuple[object, ...], int] = {}  #: contradictions of orders that were tried

    def fit(self, move: Move | None = None) -> Fit:
        """Return the fit of the order, with a move made."""
        data, address = self._buses(move)
        return self.sample.program.fit(data, address)

    def _buses(self, move: Move | None) -> tuple[Int, Int | None]:
        data = self._changed(move) if move is not None and move[0] == "D" else self._bus("D")
        if not self._columns["A"]:
            return data, None
        return data, self._changed(move) if move is not None and move[0] == "A" else self._bus("A")

    def _slots(self, bus: str) -> list[int | None]:
        return self.order.address if bus == "A" else self.order.data

    def _bus(self, bus: str) -> Int:
        columns = self._columns[bus]
        value = np.zeros(len(self.sample.kind), np.int64)
        for bit, channel in enumerate(self._slots(bus)):
            if channel is not None:
                value |= columns[channel] << bit
            elif self.order.constant.get((bus, bit)):
                value |= 1 << bit
        return value

    def _open_moves(self) -> Iterator[Move]:
        return (move for move in self._moves() if move[0] == "D" or min(move[1]) >= self._fixed)

    def _moves(self) -> Iterator[Move]:
        for bus in "DA":
            slots = self._slots(bus)
            if not self._columns[bus]:
                continue
            yield from ((bus, pair, None) for pair in combinations(range(len(slots)), 2) if any(slots[k] is not None for k in pair))
            yield from ((bus, (k,), None) for k in range(len(slots)) if slots[k] is None)
            spare = [channel for channel in self._columns[bus] if channel not in slots]
            yield from ((bus, (k,), channel) for channel in spare for k in range(len(slots)))

    def _make(self, move: Move) -> None:
        bus, bits, channel = move
        slots, constant = self._slots(bus), self.order.constant
        if channel is not None:
            slots[bits[0]] = channel
        elif len(bits) == 1:
            constant[bus, bits[0]] = 1 - constant.get((bus, bits[0]), 0)
        else:
            i, j = bits
            slots[i], slots[j] = slots[j], slots[i]
            held = constant.pop((bus, i), 0), constant.pop((bus, j), 0)
            constant[bus, i], constant[bus, j] = held[1], held[0]

    def _changed(self, move: Move) -> Int:
        """Return the bus of a move with the move made."""
        bus, bits, channel = move
        value = self._bus(bus)
        if channel is not None:
            return value & ~(1 << bits[0]) | self._columns[bus][channel] << bits[0]
        if len(bits) == 1:
            return value ^ (1 << bits[0])
        unlike = (value >> bits[0] ^ value >> bits[1]) & 1
        return value ^ (unlike << bits[0] | unlike << bits[1])

    def climb(self) -> None:
        """Make the best move again and again, until none makes more instructions agree."""
        best = self.fit().agreed
        for _ in range(ROUNDS):
            agreed, move = max(((self.fit(move).agreed, move) for move in self._open_moves()), key=lambda item: item[0], default=(0, None))
            if move is None or agreed <= best:
                return
            self._make(move)
            best = agreed

    def climb_anew(self, name_address: Callable[[Order], None]) -> None:
        """Climb from other orders of the data lines, those that the cycles alone are content with, and keep the best end of all.

        name_address: names the address lines of an order by its data lines.
        """
        best_order, best = self.order, self.fit().agreed
        rng = random.Random(1)
        alone = Search(self.sample, {}, self._columns["D"], Order())
        for _ in range(ANEW):
            order = best_order.copy()
            rng.shuffle(order.data)
            alone.order = order
            alone.climb()
            name_address(order)
            self.order = order
            self.climb()
            agreed = self.fit().agreed
            if agreed > best:
                best_order, best = order, agreed
            if self.fit().share >= CONTENT:
                break
        self.order = best_order

    def climb_by_model(self) -> None:
        """Make those moves about which the instructions alone say nothing, as long as the CPU model finds less to contradict."""
        if not self._columns["A"]:
            return
        best = self._contradictions(None, 1 << 30)
        for _ in range(MODEL_ROUNDS):
            agreed = self.fit().agreed
            open_moves = [move for move in self._open_moves() if move[0] == "A" and self.fit(move).agreed >= agreed]
            fewest, move = best, None
            for candidate in open_moves:
                count = self._contradictions(candidate, fewest)
                if count < fewest:
                    fewest, move = count, candidate
            if move is None:
                return
            self._make(move)
            best = fewest

    def _contradictions(self, move: Move | None, enough: int) -> int:
        """Return how often the CPU model is contradicted under the order, with a move made; counting ends above `enough`."""
        data, address = self._buses(move)
        assert address is not None
        known = (move, tuple(self.order.address), tuple(self.order.data), tuple(sorted(self.order.constant.items())))
        if self._known.get(known, -1) >= 0 and (self._known[known] <= enough or enough < 1 << 20):
            return self._known[known]
        total = contradictions(self.sample.kind, self.sample.note, data, address, enough)
        self._known[known] = total
        return total

    def confidence(self) -> dict[str, float]:
        """Return how sure each bit is: by how many instructions, or contradictions of the model, speak against every move of it.

        Instructions count once for each address, so that a loop of few instructions proves little.
        """
        good = self.fit()
        best = self._contradictions(None, 1 << 30) if self._columns["A"] else 0
        against: dict[str, int] = {}
        for move in self._moves():
            lost = good.speaks_against(self.fit(move))
            if lost < SURE and move[0] == "A":
                lost = max(lost, self._contradictions(move, best) - best)
            for bit in move[1]:
                if self._slots(move[0])[bit] is not None:
                    name = f"{move[0]}{bit}"
                    against[name] = min(against.get(name, 1 << 30), lost)
        varied = min(1.0, len(distinct(good.row if not self._columns["A"] else good.address[good.good])) / VARIED)
        return {name: _sureness(count) * good.share * varied for name, count in against.items()}


def _sureness(against: int) -> float:
    return 0.5 if against <= 0 else 0.97 if against >= SURE else 0.72 + 0.08 * against
