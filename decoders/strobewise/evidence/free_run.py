"""A free run: each address line held against its own rate, which halves from line to line.

A CPU that reads 00h everywhere runs NOP, four T-states each (UM0080), and counts its program counter up: A0 changes with each fetch, A1
with each second, A15 with each 32,768th. Where the count began does not matter: each line is judged by the distances between its changes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.free_run import CountedLine, FreeRunRecord
from .part import Part

ROUND = 1 << 16  #: fetches after which the CPU is where it began
NOP_T = 4  #: UM0080
MOST = 4 * ROUND  #: fetches that are kept
REGULAR = 0.97  #: of a line's changes that must come at one and the same distance
SOME_HIGH = 0.02  #: of the fetches in which a data line may be high: the edge of a sample
LEAST = 32  #: fetches below which nothing is said

_FETCH = KIND_INDEX["opcode_fetch"]
Words = npt.NDArray[np.int64]


class FreeRunPart(Part):
    """Collects what each fetch has on the buses."""

    def __init__(self, captured: frozenset[str]) -> None:
        self._lines = [name for name in ADDRESS if name in captured]
        self._data = [name for name in DATA if name in captured]
        self._address: list[Words] = []
        self._bytes: list[Words] = []
        self._kept = self._others = 0

    def feed(self, batch: Batch) -> None:
        """Take a batch of cycles."""
        fetch = batch.cycles.kind == _FETCH
        self._others += int(np.count_nonzero(~fetch))
        owner = batch.request_of_cycle[fetch]
        owner = owner[owner >= 0][: max(0, MOST - self._kept)]
        self._address.append(batch.requests.address[owner].astype(np.int64))
        self._bytes.append(batch.requests.data[owner].astype(np.int64))
        self._kept += len(owner)

    def fill(self, evidence: BusEvidence) -> None:
        """Judge each line."""
        if self._kept < LEAST:
            return
        address, data = np.concatenate(self._address), np.concatenate(self._bytes)
        levels = {name: address >> int(name[1:]) & 1 for name in self._lines}
        record = FreeRunRecord(self._kept, [_judge(name, levels) for name in self._lines], others=self._others)
        high = ((name, int(np.count_nonzero(data >> int(name[1:]) & 1))) for name in self._data)
        record.data_high = tuple((name, count) for name, count in high if count > SOME_HIGH * self._kept)
        if evidence.clock.hz:
            record.round_s = ROUND * NOP_T / evidence.clock.hz
        evidence.free_run = record


def _judge(name: str, levels: dict[str, Words]) -> CountedLine:
    """Say how a line changes."""
    own = levels[name]
    bit = int(name[1:])
    every = 1 << bit
    changes = np.flatnonzero(own[1:] != own[:-1])
    count = len(changes)
    if not count:
        state = ("high" if own[0] else "low") if len(own) > every else "too short"
        return CountedLine(name, state, None, 0, every)
    apart = np.diff(changes)
    if not len(apart):
        return CountedLine(name, "counts", None, count, every)
    values, times = np.unique(apart, return_counts=True)
    usual, share = int(values[times.argmax()]), float(times.max()) / len(apart)
    if usual == every and share >= REGULAR:
        return CountedLine(name, "counts", None, count, every)
    twin = next((other for other, seen in levels.items() if other != name and np.array_equal(seen, own)), None)
    if twin is not None:
        return CountedLine(name, "joined", twin, count, every)
    if share >= REGULAR and usual & usual - 1 == 0 and usual < ROUND:
        return CountedLine(name, "as", f"A{usual.bit_length() - 1}", count, every)
    return CountedLine(name, "wrong", None, count, every)


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> Part | None:
    """Return the part where the user says that it is a free run, and fetches are told."""
    return FreeRunPart(captured) if options.free_run and "MREQ" in captured else None
