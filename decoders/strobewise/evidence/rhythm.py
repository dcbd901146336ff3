"""The rhythm of instructions: what the strobes alone tell of a program, however few lines were captured.

Which cycles follow on the fetch of an instruction, and how long they are, is UM0080's: a jump that is taken is five T-states longer, or
has two reads; CALL's second read is one longer. Only the end of a capture is kept, which is where a run that went wrong stands.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from ..bus.lines import FETCH_LINES
from ..bus.model import KIND_INDEX, KINDS, NOTE_INDEX
from ..capture.channels.mapping import ChannelMap
from ..cycles.engine import Batch
from ..cycles.table import CycleTable
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.rhythm import Growing, Pushing, Repeated, RhythmRecord
from .part import Part

KEPT = 30_000  #: cycles at the end of the capture
LONGEST = 96  #: instructions of one turn
TURNS = 8  #: from which something is repeated
LOOKED_AT = 64  #: turns from which the lengths of cycles are taken: waits and bus grants make some of them longer, never shorter
GROWN = 64  #: pushes from which loops among them are looked for: rules ask for more
LOOP_LONGEST, LOOP_TURNS = 32, 4  #: instructions, and turns, of a loop that may fill memory; none longer is written for it (our choice)
FILLS = 0.3  #: share of its instructions that push: PUSH, DEC HL and DJNZ
CYCLES_MOST = 8  #: of one instruction; what has more is no instruction
JUMPS_T = 5  #: T-states by which the read of a relative jump is longer where it is taken (UM0080)

_LETTERS = {
    "opcode_fetch": "F", "interrupt_acknowledge": "A", "memory_read": "r", "memory_write": "w", "io_read": "i", "io_write": "o",
}  # fmt: skip
_NAMES = " FArwio?"
_CODE = np.array([_NAMES.index(_LETTERS.get(kind, "?")) for kind in KINDS], np.int64)
_FETCH, _ACK, _READ, _GRANT = (KIND_INDEX[kind] for kind in ("opcode_fetch", "interrupt_acknowledge", "memory_read", "bus_granted"))
_MEMORY = tuple(KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write"))
_RESET = NOTE_INDEX["after_reset"]
_FWW, _FRR, _FR = (sum(_NAMES.index(letter) << 3 * place for place, letter in enumerate(word)) for word in ("Fww", "Frr", "Fr"))

Ints = npt.NDArray[np.int64]


class _Instructions:
    """The instructions of some cycles: a code for the cycles of each, and where it begins."""

    def __init__(self, cycles: CycleTable) -> None:
        self.cycles = cycles = cycles[np.flatnonzero(cycles.kind != _GRANT)]
        heads = np.flatnonzero((cycles.kind == _FETCH) | (cycles.kind == _ACK))
        self.at: Ints = heads[:-1].astype(np.int64)  # the last one may be cut off
        self.codes: Ints = np.zeros(len(self.at), np.int64)
        if not len(self.at):
            return
        inside = slice(int(heads[0]), int(heads[-1]))
        lengths = np.diff(heads)
        place = np.arange(int(lengths.sum())) - np.repeat(heads[:-1] - heads[0], lengths)
        letters = np.where(place < CYCLES_MOST, _CODE[cycles.kind[inside]], 0)
        self.codes = np.add.reduceat(letters << 3 * np.minimum(place, CYCLES_MOST - 1), heads[:-1] - heads[0])
        longer = np.where(cycles.kind == _FETCH, 1, 0)  # T-states by which a cycle is longer than a read
        known = (cycles.t_states > 0) & np.isin(cycles.kind, _MEMORY)
        #: T-states from which the read of a fetch and a read is that of a jump
        self.jump_t = int((cycles.t_states - longer)[known].min()) + JUMPS_T if known.any() else 0

    def word(self, k: int) -> str:
        """Return the letters of an instruction."""
        code, letters = int(self.codes[k]), ""
        while code:
            letters += _NAMES[code & 7]
            code >>= 3
        return letters

    def shortest(self, k: int, period: int, turns: int) -> list[int]:
        """Return the least T-states that each cycle of an instruction took in so many turns, 0 where no length is known."""
        length = len(self.word(k))
        rows = self.at[k - period * np.arange(turns)]
        t_states = self.cycles.t_states[rows[:, None] + np.arange(length)].astype(np.int64)
        least = np.where(t_states > 0, t_states, np.iinfo(np.int64).max).min(axis=0)
        return [int(each) if each < np.iinfo(np.int64).max else 0 for each in least]

    def may_jump(self) -> npt.NDArray[np.bool_]:
        """Return for each whether it may be a relative jump that is taken."""
        reads = self.cycles.t_states[np.minimum(self.at + 1, len(self.cycles) - 1)]
        return np.asarray((self.codes == _FR) & ((reads <= 0) | (reads >= self.jump_t)), np.bool_)

    def behind_reset(self, first: int, last: int) -> int | None:
        """Return how many instructions lie between the last reset and the first of those up to `last`, None where no reset was seen."""
        resets = np.flatnonzero(self.cycles.note[self.at[: last + 1]] == _RESET)
        return max(0, first - int(resets[-1])) if len(resets) else None

    def restart(self) -> npt.NDArray[np.bool_]:
        """Return for each whether it has two writes and its byte, where it is known, is RST."""
        data = self.cycles.data[self.at]
        return np.asarray((self.codes == _FWW) & (data >= 0) & (data & 0xC7 == 0xC7), np.bool_)


def repeated(found: _Instructions, tick_s: float) -> Repeated:
    """Return what is repeated to the end."""
    codes, count = found.codes, len(found.codes)
    for period in range(1, min(LONGEST, count // TURNS) + 1):
        differ = np.flatnonzero(codes[period:] != codes[:-period])
        run = count - period - (int(differ[-1]) + 1 if len(differ) else 0) + period
        turns = run // period
        if turns < TURNS:
            continue
        last = range(count - period, count)
        words = tuple(found.word(k) for k in last)
        least = [found.shortest(k, period, min(turns, LOOKED_AT)) for k in last]
        first = count - turns * period
        before = [words[k - 1] for k, word in enumerate(words) if word[0] == "A"]
        return Repeated(
            words, turns, int(found.cycles.start[found.at[first]]) * tick_s, first,
            found.behind_reset(first, count - 1),
            sum(word == "Fr" and not 0 < t[1] < found.jump_t for word, t in zip(words, least, strict=True)),
            sum(word == "Frrww" and t[2] == t[1] + 1 and abs(t[3] - t[4]) <= 1 for word, t in zip(words, least, strict=True)),
            int(np.count_nonzero(found.restart()[-period:])), bool(before) and all(word == "Frr" for word in before),
        )  # fmt: skip
    return Repeated()


def pushing(found: _Instructions, tick_s: float) -> Pushing:
    """Return the instructions between two that may jump, or take from the stack, of which most push."""
    if not len(found.at):
        return Pushing()
    breaks = (found.codes == _FRR) | found.may_jump() | (found.cycles.kind[found.at] == _ACK)
    bounds = np.concatenate([[0], np.flatnonzero(breaks) + 1])
    bounds = bounds[bounds < len(found.at)]
    if not len(bounds):
        return Pushing()
    pushes = np.add.reduceat((found.codes == _FWW).astype(np.int64), bounds)
    best = int(pushes.argmax())
    first, end = int(bounds[best]), int(np.r_[bounds, len(found.at)][best + 1])
    restarts = int(np.count_nonzero(found.restart()[first:end]))
    return Pushing(int(pushes[best]), restarts, end - first, int(found.cycles.start[found.at[first]]) * tick_s)


def _fills(found: _Instructions, puts: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return which instructions are in a short loop that may fill memory by pushing: there is a jump in it, and many of them push."""
    codes = found.codes
    jumps = (codes == _FRR) | found.may_jump()
    fills = np.zeros(len(codes), np.bool_)
    for period in range(1, min(LOOP_LONGEST, len(codes) // LOOP_TURNS) + 1):
        differ = np.flatnonzero(np.r_[True, codes[period:] != codes[:-period], True])  # one before each, and one behind the last
        for k in np.flatnonzero(np.diff(differ) > (LOOP_TURNS - 1) * period).tolist():
            first, end = int(differ[k]), int(differ[k + 1]) - 1 + period
            turn = slice(first, first + period)
            if jumps[turn].any() and np.count_nonzero(puts[turn]) >= FILLS * period:
                fills[first:end] = True
    return fills


def growing(found: _Instructions, tick_s: float) -> Growing:
    """Return the stretch over which the stack grew most.

    Each fetch with two reads counts as taking two bytes off, though most are jumps or loads; a call counts for nothing, so that a call and
    its return shrink it; nor does what a loop pushes that may fill memory so. What is left is less than the stack really grew.
    """
    if not len(found.at):
        return Growing()
    puts = (found.codes == _FWW) | (found.cycles.kind[found.at] == _ACK)
    restarts = found.restart()
    if np.count_nonzero(puts) >= GROWN:
        puts &= restarts | ~_fills(found, puts)
    height = np.concatenate([[0], np.cumsum(puts.astype(np.int64) - (found.codes == _FRR))])
    lowest = np.minimum.accumulate(height)
    end = int((height - lowest).argmax())
    first = int(np.flatnonzero(height[: end + 1] == lowest[end])[-1])
    pushes, known = (int(np.count_nonzero(each[first:end])) for each in (puts, restarts))
    start_s = int(found.cycles.start[found.at[min(first, len(found.at) - 1)]]) * tick_s
    return Growing(int(height[end] - height[first]), pushes, known, end - first, start_s)


class RhythmPart(Part):
    """Collects :class:`RhythmRecord`."""

    def __init__(self, tick_s: float) -> None:
        self._tick_s = tick_s
        self._kept: deque[CycleTable] = deque()
        self._number = 0

    def feed(self, batch: Batch) -> None:
        """Keep the cycles of a batch, and let go of those that are too old."""
        cycles = batch.cycles[-KEPT:]
        if not len(cycles):
            return
        self._kept.append(cycles)
        self._number += len(cycles)
        while self._number - len(self._kept[0]) >= KEPT:
            self._number -= len(self._kept.popleft())

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        found = _Instructions(CycleTable.concatenate(self._kept)[-KEPT:])
        evidence.rhythm = RhythmRecord(repeated(found, self._tick_s), pushing(found, self._tick_s), growing(found, self._tick_s))


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> RhythmPart | None:
    """Return the part where strobes tell fetches, reads and writes apart."""
    told = captured.issuperset(("MREQ", "RD", "WR")) and captured.intersection(FETCH_LINES)
    return RhythmPart(tick_s) if told else None
