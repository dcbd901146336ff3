"""Which channel is which bit of the address and data bus.

First guesses: the refresh counter orders A0 to A6 and the program counter's carries go on from there (UM0080, refresh); a jump or return
that was taken puts the two bytes just read on the address bus, a call or restart stores the address behind it, and so ties each data line
to two address lines. The guesses are then mended, exchange by exchange, until no other order makes more instructions agree with what they
do (:mod:`search`); how many instructions speak against each exchange is the confidence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..bus.model import KIND_INDEX
from .program_fit import FETCH, READ, WRITE, Program
from .raw import Flags, Int, Words
from .roles import GROUPS, Role
from .sample import Sample
from .search import Columns, Order, Search

ACK = KIND_INDEX["interrupt_acknowledge"]
COUNTS = 0.95  #: share of the steps of a counter's bit that must be as the lower bits call for
#: Changes of a line inside requests for each change from one to the next: an address stands before its request begins, data come later.
ADDRESS_INSIDE, DATA_INSIDE = 0.12, 0.2
FEWER_STEPS = 0.1  #: off that, where only some of the steps are looked at: fewer of them, so each spoilt one weighs more
COUNTED = 0.9  #: how sure a bit is that counts
GUESS_MIN = 0.75  #: agreement from which a tie between two lines is a first guess
MAKES_SENSE = 0.9  #: share of the instructions that must agree before the order is believed
MOVES_MIN = 4  #: changes of a line from which something follows from when it changes
INSTRUCTIONS_MIN = 24  #: instructions that must make sense together: of fewer, one that was cut off is a large share
NAMED = 0.65  #: confidence from which a bit is named

FindSlow = Callable[[list[int], list[int]], list[Role]]


@dataclass
class Solved:
    """The order that makes most sense, and how sure each bit is."""

    order: Order
    slow: list[Role]
    address_channels: list[int]  #: all channels that behave like address lines
    data_channels: list[int]
    confidence: dict[str, float]  #: by line
    share: float = 0.0  #: of the instructions that agree, 0 where it could not be tried
    instructions: int = 0

    def roles(self) -> list[Role]:
        """Return the bits that are sure enough by name, the other channels of the buses by their group."""
        found = {}
        for bus, slots in (("A", self.order.address), ("D", self.order.data)):
            for bit, channel in enumerate(slots):
                sure = self.confidence.get(f"{bus}{bit}", 0.0)
                if channel is not None and sure >= NAMED:
                    found[channel] = Role(channel, f"{bus}{bit}", round(sure, 3))
        groups = (self.address_channels, self.order.address), (self.data_channels, self.order.data)
        for group, (channels, slots) in zip(GROUPS, groups, strict=True):
            for channel in channels if len(channels) <= len(slots) else [k for k in channels if k in slots]:
                found.setdefault(channel, Role(channel, group, 0.7))
        return list(found.values())


def split_buses(sample: Sample, free: list[int]) -> tuple[list[int], list[int]]:
    """Return the channels that behave like address lines (they stand when a request begins) and like data lines (they come later)."""
    address, data = [], []
    transfer = sample.kind != ACK
    for k in free:
        early, late = (words[transfer] >> np.uint64(k) & np.uint64(1) for words in (sample.early, sample.at_data))
        moves = int(np.count_nonzero(late[1:] != late[:-1]))
        if moves < MOVES_MIN:
            continue
        inside = int(np.count_nonzero(early != late)) / moves
        if inside <= ADDRESS_INSIDE:
            address.append(k)
        elif inside >= DATA_INSIDE:
            data.append(k)
    return address, data


def solve_buses(sample: Sample, free: list[int], find_slow: FindSlow) -> Solved:
    """Find the order of the buses among the channels that carry no strobe.

    find_slow: given the channels of A0, A1, ... as far as the counters show them, and the others, names the lines that move seldom.
    """
    candidates, _ = split_buses(sample, free)
    order = Order()
    refreshed = _count_bits(sample, sample.columns(candidates)[0], order)
    counters = [channel for channel in order.address if channel is not None]
    slow = find_slow(counters, [k for k in free if k not in counters])
    address, data = split_buses(sample, [k for k in free if k not in {role.channel for role in slow}])
    at_address, at_data = sample.columns(address)[0], sample.columns(data)[1]
    _leave_out_halts(sample, at_address, counters)
    ties = _Ties(sample, at_address, at_data, counters)
    if ties.events >= MOVES_MIN:
        ties.name_data(order)
    _fill(order.data, data)
    ties.name_address(order)
    solved = Solved(order, slow, address, data, _without_program(order))
    if sum(k is not None for k in order.data) < 6 or (address and len(counters) < 3):
        return solved
    search = Search(sample, at_address if counters else {}, at_data, order.copy(), fixed=refreshed)
    search.climb()
    if search.fit().share < MAKES_SENSE:
        search.climb_anew(ties.name_address)
    fit = search.fit()
    solved.share, solved.instructions = fit.share, fit.asked
    if fit.share >= MAKES_SENSE and fit.asked >= INSTRUCTIONS_MIN:
        search.climb_by_model()
        solved.order = search.order
        counted = {f"A{bit}": COUNTED for bit in range(refreshed)}
        solved.confidence = {name: max(sure, counted.get(name, 0.0)) for name, sure in search.confidence().items()}
    return solved


def _leave_out_halts(sample: Sample, columns: Columns, counters: list[int]) -> None:
    """Take fetches of one address in a row, as a halted CPU makes them, for no instructions."""
    if len(counters) < 3:
        return
    same = (sample.kind[1:] == FETCH) & (sample.kind[:-1] == FETCH)
    for channel in counters:
        same &= columns[channel][1:] == columns[channel][:-1]
    repeated = np.r_[same, False] | np.r_[False, same]
    if repeated.any():
        sample.program = Program(sample.kind, repeated | (sample.note != 0))


def _without_program(order: Order) -> dict[str, float]:
    """Return what the counters alone are worth."""
    return {f"A{bit}": COUNTED if bit < 7 else 0.4 for bit, channel in enumerate(order.address) if channel is not None} | {
        f"D{bit}": 0.3 for bit, channel in enumerate(order.data) if channel is not None
    }


# --- first guesses ------------------------------------------------------------------------------------------------------


def _count_bits(sample: Sample, columns: Columns, order: Order) -> int:
    """Order the low address lines by the counters: the next bit changes exactly when all lower ones go from 1 to 0.

    Returns how many of them the refresh counter gave."""
    refresh = _columns_of(sample.refresh, list(columns))
    left = set(columns)
    carry = np.ones(max(0, len(sample.refresh) - 1), np.bool_)
    for bit in range(7):
        best = _best_counter(refresh, left, carry)
        if best is None:
            break
        order.address[bit] = best
        left.discard(best)
        carry = carry & (refresh[best][:-1] == 1)
    refreshed = sum(channel is not None for channel in order.address)
    for bit in range(refreshed, 16 if refreshed >= 3 else 0):
        low = _value(columns, order.address[:bit], len(sample.kind))
        size = 1 << bit
        # An operand stands behind its opcode: the low bits say where.
        steps = (sample.kind[:-1] == FETCH) & ((low[1:] - low[:-1]) % size == 1)
        best = _best_counter({k: columns[k] for k in sorted(left)}, left, low[:-1] == size - 1, steps)
        if best is None:
            break
        order.address[bit] = best
        left.discard(best)
    return refreshed


def _value(columns: Columns, channels: Sequence[int | None], rows: int) -> Int:
    """Return the number that channels show in each row, the lowest bit first."""
    value = np.zeros(rows, np.int64)
    for bit, channel in enumerate(channels):
        if channel is not None:
            value |= columns[channel] << bit
    return value


def _columns_of(words: Words, channels: list[int]) -> Columns:
    return {k: (words >> np.uint64(k) & np.uint64(1)).astype(np.int64) for k in channels}


def _best_counter(columns: Columns, left: set[int], carry: Flags, which: Flags | None = None) -> int | None:
    """Return the channel that changes where `carry` says and only there; None when none does or too little shows it."""
    where = slice(None) if which is None else which
    wanted = carry[where]
    if int(np.count_nonzero(wanted)) < 2:
        return None
    best, fit = None, 0.0
    for k in sorted(left):
        steps = (columns[k][1:] != columns[k][:-1])[where]
        # The few steps with a carry count as much as the many without.
        agrees = min(float(np.mean(steps[wanted])), float(np.mean(~steps[~wanted])) if (~wanted).any() else 1.0)
        if agrees > fit:
            best, fit = k, agrees
    return best if fit >= COUNTS - (FEWER_STEPS if which is not None else 0.0) else None


class _Ties:
    """How well data lines agree with address lines where the program puts the same byte on both."""

    def __init__(self, sample: Sample, address: Columns, data: Columns, counters: list[int]) -> None:
        self.counters, self.address, self.data = counters, address, data
        low = _value(address, counters, len(sample.kind))
        self._low, self._program = low, sample.program
        low_rows, high_rows = _events(sample.kind, low, 1 << len(counters))
        self.events = len(low_rows[0])
        self.low = {(d, a): _agreement(data[d][low_rows[0]], address[a][low_rows[1]]) for d in data for a in address}
        self.high = {(d, a): _agreement(data[d][high_rows[0]], address[a][high_rows[1]]) for d in data for a in address}

    def name_data(self, order: Order) -> None:
        """Name data lines by the address lines that are known."""
        for bit, d in _greedy({(bit, d): self.low[d, a] for bit, a in enumerate(self.counters[:8]) for d in self.data}):
            order.data[bit] = d
        unnamed = [d for d in self.data if d not in order.data]
        if len(unnamed) == 1 and order.data.count(None) == 1:
            order.data[order.data.index(None)] = unnamed[0]

    def name_address(self, order: Order) -> None:
        """Name the address lines above the counters by the data lines as they are named."""
        bits = len(self.counters)
        order.address[bits:] = [None] * (16 - bits)
        rows, places = self._words(order)
        scores: dict[tuple[int, int], float] = {}
        for bit in range(bits, 16):
            d = order.data[bit % 8]
            for a in self.address:
                if d is None or a in self.counters:
                    continue
                if len(rows) >= MOVES_MIN:
                    scores[bit, a] = _agreement(self.data[d][rows + bit // 8], self.address[a][places])
                else:
                    scores[bit, a] = (self.low if bit < 8 else self.high)[d, a]
        for bit, a in _greedy(scores):
            order.address[bit] = a
        _fill(order.address, list(self.address))

    def _words(self, order: Order) -> tuple[Int, Int]:
        """Return the words and addresses that must be alike under the order of the data lines, but for those whose known bits differ."""
        data = _value(self.data, order.data, len(self._low))
        rows, places = self._program.words(data)
        mask = (1 << min(8, len(self.counters))) - 1
        alike = (data[rows] ^ self._low[places]) & mask == 0
        return rows[alike], places[alike]


def _events(kind: Int, low: Int, size: int) -> tuple[tuple[Int, Int], tuple[Int, Int]]:
    """Find cycles whose data another cycle's address repeats: (data rows, address rows) of the low byte and of the high byte."""
    n = len(kind) - 6
    if n < 1:
        empty = np.empty(0, np.int64)
        return (empty, empty), (empty, empty)
    at = [kind[k : n + k] for k in range(6)]
    step = [(low[k : n + k] - low[:n]) % size for k in range(6)]
    fetch = (at[0] == FETCH) & (at[1] == READ) & (at[2] == READ)
    taken = np.flatnonzero(fetch & (at[3] == FETCH) & (step[3] != 1) & (step[3] != 3 % size))
    called = np.flatnonzero(fetch & (at[3] == WRITE) & (at[4] == WRITE) & (at[5] == FETCH) & (step[5] != 3 % size))
    pushed = np.flatnonzero((at[0] == FETCH) & (at[1] == WRITE) & (at[2] == WRITE) & (at[3] == FETCH) & (step[3] != 1))
    low_rows = np.r_[taken + 1, called + 1], np.r_[taken + 3, called + 5]
    # The high byte of the address behind a call or restart is nearly always that of the instruction itself.
    high_rows = np.r_[taken + 2, called + 2, called + 3, pushed + 1], np.r_[taken + 3, called + 5, called, pushed]
    return low_rows, high_rows


def _agreement(first: Int, second: Int) -> float:
    """Return how often two lines are alike, high and low counting the same."""
    if not len(first):
        return 0.0
    ones = second == 1
    shares = [float(np.mean(first[which] == second[which])) for which in (ones, ~ones) if which.any()]
    return sum(shares) / len(shares) - (0.2 if len(shares) < 2 else 0.0)


def _greedy(scores: dict[tuple[int, int], float]) -> Iterator[tuple[int, int]]:
    """Yield (position, channel), the best first, each once."""
    used_rows: set[int] = set()
    used_columns: set[int] = set()
    for (row, column), score in sorted(scores.items(), key=lambda item: -item[1]):
        if score < GUESS_MIN:
            return
        if row not in used_rows and column not in used_columns:
            used_rows.add(row)
            used_columns.add(column)
            yield row, column


def _fill(slots: list[int | None], channels: list[int]) -> None:
    """Put the channels that nothing named anywhere: the search will move them."""
    for k in channels:
        if k not in slots and None in slots:
            slots[len(slots) - 1 - slots[::-1].index(None)] = k
