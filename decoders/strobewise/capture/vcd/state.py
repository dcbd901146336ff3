"""What is carried from one block of text to the next, and how bits of channels lie in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Optional

import numpy as np
import numpy.typing as npt

from ..records import BitAssignment, BitStatistics, Channel, Header, Times
from ..scope.levels import LevelRecord

#: Is shown the volts of a channel as they are read: its Channel.code, times in ticks, int64 (n,), and volts, float64 (n,).
VoltsWatch = Callable[[str, Times, npt.NDArray[np.float64]], None]

WORD_BITS = 64  #: as wide as one integer of numpy
COUNTED_BITS = 64  #: of a wider vector only so many lowest bits, and those mapped, are followed and counted


class Signal:
    """One identifier code: a row of bits that change together."""

    __slots__ = ("code", "counted", "first_bit", "ignored", "masks", "name", "volts", "width")

    def __init__(self, channel: Channel, first_bit: int) -> None:
        self.code = channel.code.encode("latin-1")
        self.name = channel.label
        self.width = channel.width
        self.first_bit = first_bit  #: index of its rightmost bit among the bits of all signals
        self.ignored = not channel.is_logic
        self.volts = channel.is_volts
        self.masks: dict[int, int] = {}  #: position -> bits of the packed word that show it
        self.counted = (1 << min(channel.width, COUNTED_BITS)) - 1  #: positions whose changes are followed


class Layout:
    """Where each bit of a capture goes: an index among all bits, and the bits of the packed word.

    Bits that nobody mapped take the free bits of the word, so that the table-driven reader can check their changes
    too; `output` masks them away, unless `all_mapped`. `in_word` tells whether every bit of the capture has found room.
    Raises ValueError for an assignment to a channel that does not exist, or of two channels to one bit.
    """

    def __init__(self, header: Header, assignment: list[BitAssignment]) -> None:
        self.signals: list[Signal] = []
        self.by_code: dict[bytes, Signal] = {}
        bits = 0
        for channel in sorted(header.channels, key=lambda channel: not channel.is_logic):  # an id may be that of a string as well
            if channel.code.encode("latin-1") not in self.by_code:
                signal = Signal(channel, bits)
                self.signals.append(signal)
                self.by_code[signal.code] = signal
                bits += signal.width
        self.bits = bits
        self.output = 0
        self.invert = 0
        for item in assignment:
            self._assign(item)
        self.all_mapped = sum(len(signal.masks) for signal in self.signals) == bits
        self.in_word = self._place_unmapped()

    def _assign(self, item: BitAssignment) -> None:
        signal = self.by_code.get(item.code.encode("latin-1"))
        target = 1 << item.target_bit
        if signal is None or signal.ignored or not 0 <= item.bit_in_vector < signal.width:
            raise ValueError(f"no bit {item.bit_in_vector} of a channel with the id {item.code!r}")
        if not 0 <= item.target_bit < WORD_BITS or self.output & target:
            raise ValueError(f"bit {item.target_bit} of the word cannot be assigned, or is assigned twice")
        signal.counted |= 1 << item.bit_in_vector
        signal.masks[item.bit_in_vector] = signal.masks.get(item.bit_in_vector, 0) | target
        self.output |= target
        if item.inverted:
            self.invert |= target

    def _place_unmapped(self) -> bool:
        if self.bits > WORD_BITS:
            return False
        free = [1 << bit for bit in range(WORD_BITS) if not self.output >> bit & 1]
        for signal in self.signals:
            for position in range(signal.width):
                if position not in signal.masks:
                    if not free:
                        return False
                    signal.masks[position] = free.pop(0)
        return True


class BodyState:
    """The state of every bit after the text read so far."""

    def __init__(self, layout: Layout) -> None:
        self.time: Optional[int] = None  #: the last time read; its row is not given out before the next time
        self.start_time: Optional[int] = None
        self.levels = 0  #: packed word; a bit that is x or z keeps its last level
        self.unknown = 0
        for signal in layout.signals:
            for mask in signal.masks.values():
                self.unknown |= mask
        self.skipping = False  #: inside $comment ... $end
        self.bit_level: npt.NDArray[np.bool_] = np.zeros(layout.bits, bool)  #: last known level of each bit
        self.bit_known: npt.NDArray[np.bool_] = np.zeros(layout.bits, bool)
        self.bit_seen: npt.NDArray[np.bool_] = np.zeros(layout.bits, bool)  #: has had a known level
        self.edges: npt.NDArray[np.int64] = np.zeros(layout.bits, np.int64)
        #: Times at which the level fell, less those at which it rose: with the end time added for a high level,
        #: the ticks spent high. Wraps around harmlessly when times are huge.
        self.high: npt.NDArray[np.int64] = np.zeros(layout.bits, np.int64)
        self.known: npt.NDArray[np.int64] = np.zeros(layout.bits, np.int64)  #: the same for known levels
        self.untimed: npt.NDArray[np.int64] = np.zeros(layout.bits, np.int64)  #: ticks spent known in blocks that were passed over
        self.volts: dict[bytes, LevelRecord] = {signal.code: LevelRecord() for signal in layout.signals if signal.volts}
        self.volts_watch: Optional[VoltsWatch] = None

    def statistics(self, layout: Layout) -> ChannelStatistics:
        """Return what each bit did, as if the capture ended here."""
        end = np.int64(self.time or 0)
        high = self.high + np.where(self.bit_level & self.bit_known, end, 0)
        known = self.known + np.where(self.bit_known, end, 0)
        return ChannelStatistics(layout, self.edges.copy(), high, known, self.untimed.copy())


class ChannelStatistics(Mapping[tuple[str, int], BitStatistics]):
    """What each followed bit did, by identifier code and position counted from the rightmost digit."""

    def __init__(self, layout: Layout, *counts: npt.NDArray[np.int64]) -> None:
        self._layout, self._counts = layout, counts  # in the order of BitStatistics

    def __getitem__(self, key: tuple[str, int]) -> BitStatistics:
        code, position = key
        signal = self._layout.by_code.get(code.encode("latin-1"))
        if signal is None or position < 0 or not signal.counted >> position & 1:
            raise KeyError(key)
        return BitStatistics(*(int(counts[signal.first_bit + position]) for counts in self._counts))

    def __iter__(self) -> Iterator[tuple[str, int]]:
        for signal in self._layout.signals:
            code = signal.code.decode("latin-1")
            yield from ((code, position) for position in range(signal.width) if signal.counted >> position & 1)

    def __len__(self) -> int:
        return sum(signal.counted.bit_count() for signal in self._layout.signals)


EXACT_BLOCKS = 32  #: 8 MB of text: all of a short capture
SAMPLED_BLOCKS = 8  #: an eighth of the others


class TickCount:
    """Which blocks count towards the ticks spent high: all of the first 32 (8 MB of text), of later ones each eighth.

    The share of time at a level is as sure from an eighth of a long capture, and costs little. Edges are all counted, and so are the
    ticks spent at a known level: a block in which a level goes unknown or comes back is never passed over.
    """

    def __init__(self) -> None:
        self._blocks = 0

    def counts_block(self) -> bool:
        """Say whether the next block counts."""
        self._blocks += 1
        return self._blocks <= EXACT_BLOCKS or self._blocks % SAMPLED_BLOCKS == 0

    def pass_over(self, state: BodyState, level_before: npt.NDArray[np.bool_], after: int) -> None:
        """Leave the stretch from the state's time to `after` out of the ticks spent high; no bit's being known changed in it."""
        before = state.time or 0
        state.untimed += np.where(state.bit_known, after - before, 0)
        state.high += np.where(level_before & state.bit_known, before, 0) - np.where(state.bit_level & state.bit_known, after, 0)
