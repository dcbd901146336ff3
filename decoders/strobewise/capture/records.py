"""What a capture consists of: channels, blocks of packed words, and what was counted while reading."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Optional

import numpy as np
import numpy.typing as npt

from ..bus.calibration import TimeBase
from ..bus.clocked import TICKS_PER_T
from ..bus.units import FEMTOSECOND

if TYPE_CHECKING:
    from fractions import Fraction

Times = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]


class Channel(NamedTuple):
    """One declared channel of a capture."""

    name: str  #: the reference name without its range; "A[3]" when the range is a single bit
    scope: str  #: scopes joined by ".", may be empty
    code: str  #: identifier code: channels with equal codes are one signal under several names
    width: int  #: bits; 1 for a scalar and for volts
    bit_range: Optional[tuple[int, int]]  #: declared (left, right) index, None when none was declared
    kind: str  #: the declared type ("wire", "reg", ...); "real" is volts

    @property
    def label(self) -> str:
        """Return the name with its range, as a person would write it."""
        if self.bit_range is None or self.width == 1:
            return self.name
        return f"{self.name}[{self.bit_range[0]}:{self.bit_range[1]}]"

    @property
    def is_volts(self) -> bool:
        """Return whether the channel holds volts and is thresholded while reading."""
        return self.kind in VOLT_KINDS

    @property
    def is_logic(self) -> bool:
        """Return whether the channel's bits can be assigned to lines."""
        return self.kind not in IGNORED_KINDS

    def indices(self) -> tuple[int, ...]:
        """Return the declared index of each bit, in order of position (0 = rightmost digit)."""
        if self.bit_range is None:
            return tuple(range(self.width))
        left, right = self.bit_range
        return tuple(range(right, left + 1) if left >= right else range(right, left - 1, -1))

    def position(self, index: int) -> int:
        """Return the position, counted from the rightmost digit, of the bit with a declared index.

        Raises ValueError when the range does not hold that index.
        """
        return self.indices().index(index)


VOLT_KINDS = frozenset({"real", "realtime"})
IGNORED_KINDS = frozenset({"string", "event"})


class Clocked(NamedTuple):
    """How a capture with one sample for each clock of the CPU was taken."""

    edge: str  #: of CLK: "falling" or "rising"
    timed: bool  #: the clock is given, so that its ticks have a length in seconds
    fit: Optional[float] = None  #: share of the first transfers that look as samples at that edge must, None from too few of them
    other_fit: Optional[float] = None  #: the same for the other edge
    steady: Optional[float] = None  #: the same by that strobe of those that tell the edge which fits least


class Header(NamedTuple):
    """The declarations of a capture, and where its samples begin."""

    timescale_fs: int  #: length of one tick, femtoseconds
    channels: tuple[Channel, ...]  #: in the file's order
    body_offset: int = 0  #: byte offset of the first sample's text, in the unpacked text
    rate: Optional[Fraction] = None  #: samples a second, where the file or the user says so
    clocked: Optional[Clocked] = None  #: of a capture with one sample a clock: a T-state has TICKS_PER_T ticks then

    @property
    def tick_s(self) -> float:
        """Return the length of one tick in seconds."""
        return self.timescale_fs * FEMTOSECOND

    def time_base(self, clock_hz: Optional[float] = None) -> TimeBase:
        """Return what is known of the time base. clock_hz: the clock that the user or the profile gave."""
        if self.clocked is not None:
            return TimeBase(self.timescale_fs, float(TICKS_PER_T), clocked=True)
        return TimeBase(self.timescale_fs, 1.0 / (clock_hz * self.tick_s) if clock_hz else None)


class BitAssignment(NamedTuple):
    """One bit of a channel, and the bit of the packed word that shows it."""

    code: str  #: Channel.code
    bit_in_vector: int  #: position counted from the rightmost digit; 0 for a scalar
    target_bit: int  #: 0..63
    inverted: bool = False  #: the probe inverts: show 1 for a 0


class Block(NamedTuple):
    """A stretch of a capture: the state of the mapped lines at each time that the file names."""

    times: Times  #: int64 (n,), ticks, strictly increasing, also from block to block
    words: Words  #: uint64 (n,), state after all changes at that time; a bit that is x or z keeps its last level
    unknown: Optional[Words]  #: uint64 (n,), bits that are x, z or not yet given; None when there are none


class BitStatistics(NamedTuple):
    """What one bit of a channel did in the whole capture."""

    edges: int  #: changes of level 0 <-> 1, the first value not counted
    high_ticks: int  #: ticks spent at a known 1
    known_ticks: int  #: ticks spent at a known level
    untimed_ticks: int = 0  #: those of them in which it was not counted how long the level was 1 (most of a long capture)
