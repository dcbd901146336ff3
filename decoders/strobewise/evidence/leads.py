"""Labels that the machine contradicts: which exchange of two leads, or which inverted one, makes the bus consistent?

For the strobes the kept stretch is rebuilt under each candidate; for the buses each candidate is tried on a sample of cycles, with the
refresh counter and the operands as witnesses (see :mod:`buses`). Nothing is tried while the labels agree with the machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from ..bus.evidence import REFRESH_CLASS, BusEvidence, count_strobes
from ..bus.lines import ADDRESS, BIT, DATA, STROBES
from ..capture.channels import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.pipeline import Pipeline
from ..options import Options
from ..rules.strobes import behaviour
from .buses import operands
from .collect import Collector

CYCLES_KEPT = 30_000
REFRESHES_KEPT = 4_000
EVENTS_TRIED = 60_000  #: events of the kept stretch that are rebuilt for each candidate of the strobes
COUNTS = 0.97  #: share of refreshes that count on from which the refresh counter agrees with the labels
AGREES = 0.95  #: share of operands that agree with the address behind them from which these do
OPERANDS_MIN = 8
FETCHES_MIN = 40
SEEN_MIN = 3  #: assertions that a strobe must show under its new label
LONGEST_RUN = 10  #: requests between two fetches, as in rules.capture
MARGIN = 0.25  #: by how much a relabelling must do better than the labels as they are

Address = npt.NDArray[np.int64]


@dataclass
class Relabelling:
    """A change of labels that makes the machine consistent."""

    lines: tuple[str, ...]  #: two lines to exchange, or one to invert
    inverted: bool
    before: float  #: share of the witnesses that agreed with the labels as they are
    after: float
    witnesses: int
    witness: str  #: what agreed: "refreshes", "operands" or "strobes"


@dataclass
class LeadsRecord:
    """What the labels should be, where they are wrong beyond doubt; None where nothing says so."""

    buses: Relabelling | None
    strobes: Relabelling | None


class LeadsPart:
    """Keeps the sample of cycles on which the labels of the buses are tried."""

    name = "leads"

    def __init__(self) -> None:
        self._cycles: list[tuple[npt.NDArray[np.uint8], npt.NDArray[np.int16], npt.NDArray[np.int32]]] = []
        self._kept = 0
        self._refreshes: list[npt.NDArray[np.uint16]] = []
        self._refreshes_kept = 0

    def block(self, block: Block) -> None:
        """Ignore the raw levels."""

    def feed(self, batch: Batch) -> None:
        """Keep what the sample lacks."""
        if self._kept < CYCLES_KEPT:
            cycles = batch.cycles[: CYCLES_KEPT - self._kept]
            self._cycles.append((cycles.kind, cycles.data, cycles.address))
            self._kept += len(cycles)
        if self._refreshes_kept < REFRESHES_KEPT:
            found = batch.requests.address[batch.request_class == REFRESH_CLASS][: REFRESHES_KEPT - self._refreshes_kept]
            self._refreshes.append(found)
            self._refreshes_kept += len(found)

    def record(self, evidence: BusEvidence) -> LeadsRecord:
        """Return the relabelling of the buses; that of the strobes is filled in by :func:`relabel_strobes`."""
        if not self._cycles:
            return LeadsRecord(None, None)
        columns = [np.concatenate(column) for column in zip(*self._cycles, strict=True)]
        refreshes = np.concatenate([np.empty(0, np.int64), *self._refreshes])
        return LeadsRecord(_relabel_buses(columns, refreshes) if len(refreshes) else None, None)


def _swapped(values: Address, i: int, j: int) -> Address:
    unlike = (values >> i ^ values >> j) & 1
    return values ^ (unlike << i | unlike << j)


def _counting(refreshes: Address) -> float:
    """Return the share of refresh addresses that are one more than the last, in their low seven bits."""
    if len(refreshes) < 64:
        return 1.0
    counter = refreshes & 0x7F
    return float(np.mean((counter[1:] - counter[:-1]) & 0x7F == 1))


def _agreeing(columns: list[Any], data: Any = None, address: Any = None) -> tuple[int, float, int]:
    """Return (operands compared, share that agree, different ones among them) under changed data or addresses."""
    kind = columns[0]
    data = columns[1] if data is None else data
    address = columns[2] if address is None else address
    found = operands(kind, data, address)
    if found is None or not len(found[1]):
        return 0, 1.0, 0
    _, at, used = found
    # A return looks like a jump to data that are read elsewhere: operands stand right behind their opcode.
    behind = (address[at + 1] == (address[at] + 1) & 0xFFFF) & (address[at + 2] == (address[at] + 2) & 0xFFFF)
    at, used = at[behind], used[behind]
    if not len(at):
        return 0, 1.0, 0
    said = data[at + 1].astype(np.int64) | data[at + 2].astype(np.int64) << 8
    return len(said), float(np.mean(said == address[used])), len(np.unique(said))


def _relabel_buses(columns: list[Any], refreshes: Address) -> Relabelling | None:
    counts = _counting(refreshes)
    compared, agrees, _ = _agreeing(columns)
    if counts >= COUNTS and compared >= OPERANDS_MIN and agrees >= AGREES - MARGIN:
        return None
    if compared < 2:
        agrees = 0.0  # nothing speaks for the labels as they are
    best = max(_address_candidates(columns, refreshes, counts), key=lambda c: c.after * c.witnesses, default=None)
    if best is not None:
        return best
    if counts < COUNTS:
        return None  # the address bus is at odds with itself: nothing can be said of the data
    return max(_data_candidates(columns, agrees), key=lambda c: c.after * c.witnesses, default=None)


def _address_candidates(columns: list[Any], refreshes: Address, counts: float) -> Iterator[Relabelling]:
    address = columns[2].astype(np.int64)
    _, agrees, _ = _agreeing(columns)
    candidates: list[tuple[tuple[int, ...], bool]] = [((i, j), False) for i, j in combinations(range(16), 2)]
    candidates += [((i,), True) for i in range(16)]
    for bits, inverted in candidates:
        touched = min(bits) < 7
        changed = refreshes ^ (1 << bits[0]) if inverted else _swapped(refreshes, bits[0], bits[1])
        counts_now = _counting(changed) if touched else counts
        if counts_now < COUNTS:
            continue
        shown = address ^ (1 << bits[0]) if inverted else _swapped(address, bits[0], bits[1])
        shown = np.where(columns[2] >= 0, shown, -1)
        seen, agrees_now, different = _agreeing(columns, address=shown)
        lines = tuple(f"A{bit}" for bit in bits)
        by_operands = seen >= OPERANDS_MIN and agrees_now >= AGREES and different >= 2
        if by_operands and agrees_now > agrees + MARGIN:
            yield Relabelling(lines, inverted, agrees, agrees_now, seen, "operands")
        elif counts_now > counts + MARGIN and (seen < OPERANDS_MIN or agrees_now >= AGREES) and len(refreshes) >= 256 and not inverted:
            weight = len(refreshes) if seen >= OPERANDS_MIN else len(refreshes) // 4
            yield Relabelling(lines, inverted, counts, counts_now, weight, "refreshes")


def _data_candidates(columns: list[Any], agrees: float) -> Iterator[Relabelling]:
    data = columns[1].astype(np.int64)
    candidates: list[tuple[tuple[int, ...], bool]] = [((i, j), False) for i, j in combinations(range(8), 2)]
    candidates += [((i,), True) for i in range(8)]
    for bits, inverted in candidates:
        changed = data ^ (1 << bits[0]) if inverted else _swapped(data, bits[0], bits[1])
        changed = np.where(columns[1] >= 0, changed, -1).astype(np.int16)
        seen, agrees_now, different = _agreeing(columns, data=changed)
        if seen >= OPERANDS_MIN and agrees_now >= AGREES and different >= 2 and agrees_now > agrees + MARGIN:
            yield Relabelling(tuple(f"D{bit}" for bit in bits), inverted, agrees, agrees_now, seen, "operands")


def relabel_strobes(
    evidence: BusEvidence, times: npt.NDArray[np.int64], words: npt.NDArray[np.uint64], given_t_ticks: float | None, timescale_fs: int
) -> Relabelling | None:
    """Return the exchange of two strobes' leads, or the inverted one, with which all strobes behave; None when the labels are good.

    times, words: the kept stretch of the raw capture (int64 and uint64, shape (n,)).
    """
    strobes = [name for name in STROBES if name in evidence.captured]
    odd = _odd_strobes(evidence, strobes)
    runs = evidence.longest_run_without_fetch > LONGEST_RUN
    if not (odd or runs) or len(strobes) < 3 or len(times) < 200:
        return None
    times, words = times[:EVENTS_TRIED], words[:EVENTS_TRIED]
    best: Relabelling | None = None
    candidates = [(pair, False) for pair in combinations(strobes, 2)] + [((name,), True) for name in strobes]
    for lines, inverted in candidates:
        if not runs and not set(lines) & set(odd):
            continue
        other = _under(evidence.captured, times, _relabelled(words, lines, inverted), given_t_ticks, timescale_fs)
        fetches = other.cycles["opcode_fetch"]
        if fetches < FETCHES_MIN or _odd_strobes(other, strobes) or other.longest_run_without_fetch > LONGEST_RUN:
            continue
        if any(other.strobes[name].seen < SEEN_MIN for name in lines if name in other.strobes):
            continue  # nothing shows that the line it now stands for is alive
        expected = sum(other.strobes[name].expected for name in strobes)
        if best is None or expected > best.witnesses:
            best = Relabelling(tuple(lines), inverted, 1.0 - len(odd) / len(strobes), 1.0, expected, "strobes")
    return best


def _odd_strobes(evidence: BusEvidence, strobes: list[str]) -> list[str]:
    return [name for name in strobes if name in evidence.strobes and behaviour(evidence.line(name), evidence.strobes[name]) is not None]


def _relabelled(words: npt.NDArray[np.uint64], lines: tuple[str, ...], inverted: bool) -> npt.NDArray[np.uint64]:
    first = np.uint64(BIT[lines[0]])
    one = np.uint64(1)
    if inverted:
        return words ^ (one << first)
    second = np.uint64(BIT[lines[1]])
    unlike = (words >> first ^ words >> second) & one
    return words ^ (unlike << first | unlike << second)


def _under(
    captured: frozenset[str], times: npt.NDArray[np.int64], words: npt.NDArray[np.uint64], given: float | None, timescale_fs: int
) -> BusEvidence:
    """Return the evidence of a stretch of raw capture."""
    pipeline, collector = Pipeline(captured, given, timescale_fs), Collector(captured, 1e-15 * timescale_fs)
    block = Block(times, words, None)
    collector.block(block)
    for batch in (*pipeline.feed(block), *pipeline.finish()):
        collector.batch(batch)
    evidence = collector.record(int(times[0]), int(times[-1]))
    evidence.strobes = count_strobes(evidence.histogram, captured)
    changed = words[1:] ^ words[:-1]
    for name in STROBES:
        if name in captured:
            evidence.lines[name].edges = int(np.count_nonzero(changed & np.uint64(1 << BIT[name])))
    return evidence


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> Any:
    """Return the part when the address bus was captured; with the data bus it sees more."""
    return LeadsPart() if captured.issuperset(ADDRESS) or captured.issuperset(DATA) else None
