"""How long after its clock edge each strobe moves, and when the machine asked for interrupts.

Which clock edge a strobe follows comes from UM0080's timing figures, the limits from :mod:`strobewise.bus.timing`. An analyser knows
each of the two edges to one sample, so a delay is known to one sample either way.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT
from ..bus.model import KIND_INDEX
from ..bus.semantics import MODE_1_ADDRESS
from ..bus.timing import CHARACTERISTIC, GRADES
from ..bus.units import NEVER
from ..capture.channels.mapping import ChannelMap
from ..capture.distinct import median
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.pulses import place_of
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.timing import Delay, Interrupts, TimingRecord
from .part import Part
from .spread import Spread
from .stretches import Stretches

Int = npt.NDArray[np.int64]

_CLK, _MREQ, _M1 = (np.uint16(1 << BIT[name]) for name in ("CLK", "MREQ", "M1"))

LATEST_T = 1.5  #: T-states behind a clock edge from which a strobe has an edge of CLK before it that the capture lacks
NMI_KEPT = 64  #: falling edges of /NMI that are kept
DELAYS_MIN = 20  #: delays of an edge from which their middle is told: fewer hang on where the samples fell
_ACK, _FETCH, _READ, _WRITE = (KIND_INDEX[kind] for kind in ("interrupt_acknowledge", "opcode_fetch", "memory_read", "memory_write"))
RESPONSE = 5  #: cycles that tell the mode: the acknowledge, two writes of the return address, then a fetch or the vector table's two reads

#: symbol -> (line, whether the line falls, whether the clock edge before it rises)
MEASURED = {
    "TdCr(M1f)": ("M1", True, True),
    "TdCr(M1r)": ("M1", False, True),
    "TdCf(MREQf)": ("MREQ", True, False),
    "TdCf(RDf)": ("RD", True, False),
    "TdCf(WRf)": ("WR", True, False),
    "TdCf(WRr)": ("WR", False, False),
    "TdCr(RFSHf)": ("RFSH", True, True),
    "TdCr(RFSHr)": ("RFSH", False, True),
    "TdCr(IORQf)": ("IORQ", True, True),
    "TdCf(IORQr)": ("IORQ", False, False),
}
#: What must be known besides a line and CLK, for its edge to be that of the cycle that is meant.
_BESIDE = {"RD": _MREQ, "WR": _MREQ, "IORQ": _M1}


class TimingPart(Part):
    """Collects :class:`TimingRecord`."""

    def __init__(self, captured: frozenset[str], tick_s: float) -> None:
        self._captured = captured
        self._tick_s = tick_s
        self._symbols = [
            symbol for symbol, (line, _, _) in MEASURED.items()
            # In an acknowledge /IORQ follows other clock edges, and only /M1 tells one.
            if line in captured and (line != "IORQ" or "M1" in captured)
        ] if "CLK" in captured else []  # fmt: skip
        self._delays = {symbol: Spread() for symbol in self._symbols}
        self._stretches = Stretches()
        self._int_falls: list[Int] = []
        self._nmi_falls: list[Int] = []
        self._last: dict[str, bool] = {}  #: level of /INT and of /NMI at the end of the block before, high where it was not known
        self._lost: dict[str, bool] = {}  #: whether it was not
        self._acks: list[Int] = []
        self._vectors: dict[int, int] = {}
        self._modes: dict[str, int] = {}
        self._response: list[tuple[int, int, int]] = []  # (kind, address, data) from an acknowledge on, as long as it tells no mode

    def block(self, block: Block) -> None:
        """Measure the strobes of some stretches, and note every interrupt request."""
        for name, falls in (("INT", self._int_falls), ("NMI", self._nmi_falls)):
            if name in self._captured and len(block.times) and (name == "INT" or sum(map(len, falls)) < NMI_KEPT):
                found = self._falls(block, name)
                if len(found):
                    falls.append(found)
        if self._symbols:
            for stretch in self._stretches.add(block):
                self._measure(stretch)

    def _falls(self, block: Block, name: str) -> Int:
        bit = np.uint64(1 << BIT[name])
        level = block.words & bit != 0
        falls = np.concatenate([[self._last.get(name, bool(level[0]))], level[:-1]]) & ~level
        self._last[name] = bool(level[-1])
        lost = None if block.unknown is None else block.unknown & bit != 0
        if lost is not None:  # out of the unknown is no edge
            falls[1:] &= ~lost[:-1]
        falls[0] &= not self._lost.get(name, False)
        self._lost[name] = lost is not None and bool(lost[-1])
        return np.asarray(block.times[falls])

    def _measure(self, block: Block) -> None:
        control = np.ascontiguousarray(block.words.view("<u2")[0::4])
        before, after, times = control[:-1], control[1:], block.times[1:]
        changed = before ^ after
        clocks = {True: _Clock(times, changed & after & _CLK != 0), False: _Clock(times, changed & ~after & _CLK != 0)}
        if min(clock.count for clock in clocks.values()) < 4:
            return
        unknown = None if block.unknown is None else block.unknown.view("<u2")[0::4]
        hidden = None if unknown is None else unknown[1:] | unknown[:-1]
        period = clocks[True].period()
        skew = int(0.25 * period)
        for symbol in self._symbols:
            line, falling, rises = MEASURED[symbol]
            bit = np.uint16(1 << BIT[line])
            edges = np.flatnonzero(changed & (~after if falling else after) & bit != 0)
            if line in ("RD", "WR") and falling:  # of input and output it falls behind the rising edge (UM0080)
                edges = edges[after[edges] & _MREQ == 0]
            if hidden is not None:
                edges = edges[hidden[edges] & (bit | _CLK | _BESIDE.get(line, bit)) == 0]
            if line == "IORQ":
                edges = edges[before[edges] & after[edges] & _M1 != 0]
            self._delays[symbol].add(clocks[rises].behind(times, edges, skew, int(LATEST_T * period)))

    def feed(self, batch: Batch) -> None:
        """Note acknowledges."""
        cycles = batch.cycles
        at = np.flatnonzero(cycles.kind == _ACK)
        if len(at):
            self._acks.append(cycles.start[at])
            for vector in cycles.data[at].tolist():
                if vector >= 0:
                    self._vectors[vector] = self._vectors.get(vector, 0) + 1
        for k in ([0] if self._response else []) + at.tolist():
            part = cycles[k : k + RESPONSE]
            self._response += zip(part.kind.tolist(), part.address.tolist(), part.data.tolist(), strict=True)
            mode = interrupt_mode(self._response)
            if mode is not None:
                self._modes[mode] = self._modes.get(mode, 0) + 1
            if mode is not None or k + RESPONSE <= len(cycles):
                self._response = []

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.timing = self._record(evidence)

    def _record(self, evidence: BusEvidence) -> TimingRecord:
        """Return the record; delays only where the clock was counted and sampled finely enough to say anything."""
        sample = evidence.sample_interval_s or self._tick_s
        for stretch in self._stretches.rest():
            self._measure(stretch)
        fine = evidence.clock.source == "CLK" and evidence.samples_at_least(4)
        delays = [self._delay(symbol, sample) for symbol in self._symbols] if fine else []
        falls = [tick * self._tick_s for part in self._nmi_falls for tick in part.tolist()][:NMI_KEPT]
        return TimingRecord(sample, [delay for delay in delays if delay is not None], self._interrupts(), falls)

    def _delay(self, symbol: str, sample: float) -> Delay | None:
        spread = self._delays[symbol]
        if len(spread) < DELAYS_MIN:
            return None
        # A spike or a strobe of another cycle follows the other edge: the middle nine tenths tell of the line itself.
        low, middle, high = (ticks * self._tick_s for ticks in spread.percentiles((5, 50, 95)))
        delay = Delay(symbol, MEASURED[symbol][0], len(spread), middle, low, high, mean_s=spread.mean() * self._tick_s)
        for grade, limit_ps in zip(GRADES, CHARACTERISTIC[symbol].limits_ps, strict=True):
            limit = limit_ps * 1e-12
            if high + sample <= limit:
                delay.meets.append(grade)
            elif low - 2 * sample > limit:  # the edge and the clock's are each known to a sample, and channels are skewed by another
                delay.breaks.append(grade)
        return delay

    def _interrupts(self) -> Interrupts | None:
        if "INT" not in self._captured:
            return None
        falls = np.concatenate([np.empty(0, np.int64), *self._int_falls])
        acks = np.concatenate([np.empty(0, np.int64), *self._acks])
        period = float(np.median(np.diff(falls))) * self._tick_s if len(falls) > 1 else None
        following = np.searchsorted(acks, falls)
        latencies = [int(acks[k]) - int(f) for f, k in zip(falls, following, strict=True) if k < len(acks)]
        nexts = np.append(falls, np.iinfo(np.int64).max)[1:]
        answered = sum(1 for k, after in zip(following, nexts, strict=True) if k < len(acks) and acks[k] < after)
        latency = float(np.median(latencies)) * self._tick_s if latencies else None
        held = int(falls[-1]) if len(falls) and not self._last.get("INT") else None
        within = 0 if held is None else int(np.count_nonzero(acks > held))
        since = None if held is None else held * self._tick_s
        return Interrupts(len(falls), len(acks), period, latency, len(falls) - answered, self._vectors, since, within, self._modes)


def interrupt_mode(response: Sequence[tuple[int, int, int]]) -> str | None:
    """Return "0", "1" or "2", "0 or 1" where the bus looks the same in both, None where it does not tell.

    response: kind, address and data of the machine cycles from an acknowledge on, -1 for what was not captured. Source: UM0080, interrupt
    response: mode 2 reads the vector table behind the two writes; mode 1 fetches at 0038h, and so does mode 0 given FFh (RST 38h).
    """
    kinds = [kind for kind, _, _ in response[:RESPONSE]]
    if kinds[:3] != [_ACK, _WRITE, _WRITE] or len(kinds) < 4:
        return None
    if kinds[3:] == [_READ, _READ]:
        return "2"
    if kinds[3] != _FETCH:
        return None
    byte, address = response[0][2], response[3][1]
    if address >= 0 and address != MODE_1_ADDRESS:
        return "0"
    return "1" if byte not in (-1, 0xFF) else "0 or 1"


class _Clock:
    """The edges of one direction of the clock in a stretch."""

    def __init__(self, times: Int, edges: npt.NDArray[np.bool_]) -> None:
        """edges: which of the times are such edges."""
        self._upto: Int = np.cumsum(edges, dtype=np.int64)  #: edges up to each time
        self.count = int(self._upto[-1]) if len(times) else 0
        self._times = np.r_[-NEVER, times[edges], NEVER]

    def period(self) -> float:
        """Return the middle length from edge to edge, ticks."""
        return median(np.diff(self._times[1:-1]))

    def behind(self, times: Int, edges: Int, skew: int, latest: int) -> Int:
        """Return how long each edge comes behind the clock edge before it, ticks.

        edges: indices of times. skew: one so early counts as skewed, not as late. latest: one behind it follows an edge that is missing.
        """
        moved = times[edges]
        clock = place_of(self._times, self._upto[edges], moved + skew)
        delays: Int = moved - self._times[clock]
        return delays[(clock > 0) & (delays <= latest)]


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> TimingPart | None:
    """Return the part when clock or an interrupt line were captured."""
    return TimingPart(captured, tick_s) if captured & {"CLK", "INT", "NMI"} else None
