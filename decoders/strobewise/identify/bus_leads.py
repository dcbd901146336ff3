"""Which exchange of two leads of the buses, or which inverted one, makes the program make sense?

Nothing is tried while it does as the leads are labelled. A single change must then explain nearly all that did not: a fault of the board
(a stuck line, a short, a wrong byte) is mended by no relabelling, so what is found here is a matter of leads and labels alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from ..capture.distinct import distinct
from ..records.leads import Relabelling
from .buses import INSTRUCTIONS_MIN
from .program_fit import Fit, Program
from .raw import Flags, Int
from .search import contradictions

GOOD = 0.99  #: share of the instructions that agree from which nothing is tried
REFRESH_COUNTS = 0.99  #: the same for the refresh counter's steps: the highest bit alone spoils one in 64
REFRESHES_MIN = 64  #: refreshes: half of the counter's round, in which all bits but the highest have moved
REFRESHES_SURE = 128  #: refreshes: the counter's whole round, where they are the only witness
EXPLAINS = 0.8  #: share of what disagreed that a change must explain
AFTER = 0.93  #: share of the instructions that must agree after it
GAIN_MIN = 3  #: different instructions that a change must turn
RIVAL = (0.6, 0.85)  #: share of what the best change mends that the next one may mend, without and with the address bus as a witness
OPCODES_MIN = 8  #: different opcodes that must agree after it
MENDED_MIN = 4  #: different opcodes that it must mend, without the address bus
TRIED_CYCLES = 8_000  #: cycles on which every change is tried first; the best ones are tried on all
MODEL_MIN = 2  #: contradictions of the CPU model from which its witness is asked
MODEL_SURE = 6  #: fewer must all be explained
CANDIDATES = 6  #: exchanges that the model is asked about


class Change(NamedTuple):
    """A change tried: bits 0..15 are address lines, 16..23 data lines."""

    bits: tuple[int, ...]
    inverted: bool

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines."""
        return tuple(f"A{bit}" if bit < 16 else f"D{bit - 16}" for bit in self.bits)


class Buses(NamedTuple):
    """Machine cycles as they are labelled, without bus grants; integer arrays, shape (n,), a bus that was not captured is None."""

    kind: Int
    note: Int
    odd: Flags  #: cycles that belong to no instruction, see Program
    address: Int | None
    data: Int | None
    refresh: Int  #: addresses of the refreshes, shape (m,)

    def head(self, cycles: int) -> Buses:
        """Return the first cycles."""
        address, data = (None if bus is None else bus[:cycles] for bus in (self.address, self.data))
        return Buses(self.kind[:cycles], self.note[:cycles], self.odd[:cycles], address, data, self.refresh)

    def changed(self, change: Change) -> tuple[Int | None, Int | None, Int]:
        """Return data, address and refresh addresses under a change."""
        address = np.zeros(len(self.kind), np.int64) if self.address is None else self.address
        data = np.zeros(len(self.kind), np.int64) if self.data is None else self.data & 0xFF
        both = _change(address | data << 16, change)
        refresh = _change(self.refresh, change) & 0xFFFF if max(change.bits) < 16 else self.refresh
        return (None if self.data is None else both >> 16), (None if self.address is None else both & 0xFFFF), refresh


def _change(values: Int, change: Change) -> Int:
    if change.inverted:
        return values ^ (1 << change.bits[0])
    i, j = change.bits
    unlike = (values >> i ^ values >> j) & 1
    return values ^ (unlike << i | unlike << j)


def counting(refreshes: Int) -> float:
    """Return the share of refresh addresses that are one more than the last, in their low seven bits; 1 where there are too few."""
    if len(refreshes) < REFRESHES_MIN:
        return 1.0
    counter = refreshes & 0x7F
    return float(np.mean((counter[1:] - counter[:-1]) & 0x7F == 1))


def relabel_buses(buses: Buses, crossed: Sequence[tuple[int, int]]) -> Relabelling | None:
    """Return the change of labels that makes the buses consistent, None when they are, or when none does.

    crossed: pairs of address lines that showed each other's level where the CPU model foretold an address, the most frequent first.
    """
    program = now = None
    if buses.data is not None:
        program = Program(buses.kind, buses.odd)
        now = program.fit(*_as_labelled(buses))
        contradicted = now.asked >= INSTRUCTIONS_MIN and now.share < GOOD
        found = _by_program(buses, program, now) if contradicted else None
        if found is None and now.share >= AFTER:
            found = _by_model(buses, program, now, crossed)
        if found is not None:
            return found
    return _by_refresh(buses, program, now) if buses.address is not None else None


def _by_program(buses: Buses, program: Program, now: Fit) -> Relabelling | None:
    """Try every change on the instructions."""
    short = buses.head(TRIED_CYCLES)
    sample = Program(short.kind, short.odd)
    tried = sorted(((_agreed(sample, short, change), change) for change in _changes(buses)), key=lambda item: (-item[0], item[1]))
    best = tried[0][1]
    then = _fit(program, buses, best)
    left = (then.asked - then.agreed) / max(1, now.asked - now.agreed)
    if left > 1.0 - EXPLAINS or then.share < AFTER or then.speaks_against(now) < GAIN_MIN:
        return None
    rivals = [agreed for agreed, _ in tried if agreed < tried[0][0]]
    was = sample.fit(*_as_labelled(short)).agreed
    if rivals and rivals[0] - was > RIVAL[buses.address is not None] * (tried[0][0] - was):
        return None  # what many changes mend nearly as well is no matter of leads
    data, mended = buses.changed(best)[0], np.setdiff1d(then.row[then.good], now.row[now.good])
    if data is None or len(distinct(data[then.row[then.good]])) < OPCODES_MIN:
        return None  # a CPU that runs through empty memory agrees with anything
    if buses.address is None and len(distinct(data[mended])) < MENDED_MIN:
        return None
    if best.inverted and not _shown_both_ways(buses, best.bits[0], now, then):
        return None  # a stuck line, or a bit that the CPU takes for always the same, is mended just so
    same = tuple(change.lines for agreed, change in tried[1:] if agreed == tried[0][0])
    return Relabelling(best.lines, best.inverted, now.share, then.share, then.asked, "instructions", same)


def _as_labelled(buses: Buses) -> tuple[Int, Int | None]:
    assert buses.data is not None
    return buses.data & 0xFF, buses.address


def _changes(buses: Buses) -> Iterator[Change]:
    bits = [*(range(16) if buses.address is not None else ()), *(range(16, 24) if buses.data is not None else ())]
    yield from (Change(pair, False) for pair in combinations(bits, 2))
    yield from (Change((bit,), True) for bit in bits)


def _shown_both_ways(buses: Buses, bit: int, now: Fit, then: Fit) -> bool:
    """Say whether a line shows both its levels: an address line at all, a data line in the opcodes that its inversion mends."""
    assert buses.data is not None
    if bit < 16:
        assert buses.address is not None
        levels = buses.address >> bit & 1
    else:
        mended = np.setdiff1d(then.row[then.good], now.row[now.good])
        levels = buses.data[mended] >> (bit - 16) & 1
    return int(np.count_nonzero(levels)) >= GAIN_MIN and int(np.count_nonzero(levels == 0)) >= GAIN_MIN


def _fit(program: Program, buses: Buses, change: Change) -> Fit:
    data, address, _ = buses.changed(change)
    assert data is not None
    return program.fit(data, address)


def _agreed(program: Program, buses: Buses, change: Change) -> int:
    """Return how many instructions agree under a change, the refresh counter's opinion included."""
    agreed = _fit(program, buses, change).agreed
    if min(change.bits) < 7 and counting(buses.refresh) < REFRESH_COUNTS <= counting(buses.changed(change)[2]):
        agreed += 1  # of two exchanges that the program likes alike, the one that the counter likes
    return agreed


def _by_model(buses: Buses, program: Program, now: Fit, crossed: Sequence[tuple[int, int]]) -> Relabelling | None:
    """Ask the CPU model about lines of which the instructions alone say nothing."""
    if buses.address is None or buses.data is None or not crossed:
        return None
    before = contradictions(buses.kind, buses.note, buses.data, buses.address)
    if before < MODEL_MIN:
        return None
    results = []
    for pair in crossed[:CANDIDATES]:
        change = Change(pair, False)
        data, address, _ = buses.changed(change)
        assert data is not None and address is not None
        if program.fit(data, address).agreed >= now.agreed:
            results.append((contradictions(buses.kind, buses.note, data, address, before), change))
    if not results:
        return None
    after, best = min(results)
    if before - after < EXPLAINS * before or (before < MODEL_SURE and after):
        return None
    same = tuple(change.lines for count, change in results if count == after and change != best)
    return Relabelling(best.lines, False, 0.0, (before - after) / before, before, "model", same)


def _by_refresh(buses: Buses, program: Program | None, now: Fit | None) -> Relabelling | None:
    """Ask the refresh counter, which tells of A0 to A6 and of what they were exchanged with; the program must not object."""
    before = counting(buses.refresh)
    if before >= REFRESH_COUNTS or len(buses.refresh) < REFRESHES_SURE:
        return None
    found = []
    for change in _changes(Buses(*buses[:4], data=None, refresh=buses.refresh)):
        if min(change.bits) >= 7:
            continue
        after = counting(buses.changed(change)[2])
        agreeable = program is None or now is None or _fit(program, buses, change).agreed >= now.agreed
        if agreeable and 1.0 - after <= (1.0 - EXPLAINS) * (1.0 - before):
            found.append((after, change))
    if not found:
        return None
    after, best = max(found, key=lambda item: item[0])
    same = tuple(change.lines for _, change in found if change != best)
    return Relabelling(best.lines, best.inverted, before, after, len(buses.refresh), "refreshes", same)
