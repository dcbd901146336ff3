"""An unlabelled stretch of a capture, looked at channel by channel, and the frame that /MREQ gives it.

/MREQ gives itself away by the pair of pulses of every fetch (1.5 T low, 0.5 T high, 1 T low: UM0080, op-code fetch); they tell
fetches, refreshes and data accesses apart, and with them what every other channel should be doing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.estimates import clock_period, t_from_mreq
from ..bus.semantics import REFRESH_GAP_MAX, REFRESH_WIDTH_MAX

Int = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Words = npt.NDArray[np.uint64]

REQUESTS_MIN = 60  #: pulses of a candidate for /MREQ
FETCHES_MIN = 20  #: pairs of pulses, a transfer and its refresh, that a candidate for /MREQ must show
PULSES_TRIED = 512  #: pulses from which the T-state is estimated: more of them take time and move it little
CLOCK_EDGES_MIN = 128  #: edges: 64 periods, from which a regular line is a clock
CLOCK_REGULAR = 0.35  #: largest deviation of a clock's periods from the middle one, as a share of it
CLOCK_EVEN = 0.98  #: share of the periods that must be so: spikes and pauses spoil a few
FRAME_FITS = 0.8  #: share of its pulses that must have the lengths of /MREQ: spikes and waits spoil some (our choice)
SURELY_BETTER = 0.1  #: of that share by which one fits better than another; below it the number of pulses decides
AROUND_T = 0.45  #: T-states around a length: less than half a T-state, the step from one length of /MREQ to the next
TRANSFER_T = 1.1  #: T-states, more than a refresh: a transfer lasts 1.5 at least (UM0080, timing figures)
BOTH_MAX = 0.1  #: share of the pulses that may look like the first and the second of a pair at once: a clock's all do
SPIKE_T = 0.6  #: T-states: pulses and gaps shorter than this are spikes; the shortest that the CPU makes last one, but for /MREQ's gap
SAME_T = (0.75, 1.33)  #: ratio of two estimates of the T-state that agree
_ONE = np.uint64(1)


class Pulses(NamedTuple):
    """Complete low pulses of a channel, int64 ticks."""

    fall: Int
    rise: Int


class Raw:
    """A stretch of a capture: bit k of a word is channel k."""

    def __init__(self, times: Int, words: Words, channels: int, sample_ticks: float) -> None:
        """times: int64, shape (n,), ticks; words: uint64, shape (n,)."""
        self.times, self.words, self.channels, self.sample = times, words, channels, sample_ticks
        changed = words[1:] ^ words[:-1]
        self.edges = [np.flatnonzero(changed & np.uint64(1 << k) != 0) + 1 for k in range(channels)]

    @cached_property
    def lows(self) -> list[Pulses]:
        """The low pulses of each channel."""
        return [self._lows(k) for k in range(self.channels)]

    def _lows(self, channel: int) -> Pulses:
        at = self.edges[channel]
        if not len(at):
            return Pulses(at, at)
        skip = int(bool(self.words[at[0]] >> np.uint64(channel) & _ONE))  # the first edge rises: its pulse began before the capture
        fall, rise = at[skip::2], at[skip + 1 :: 2]
        return Pulses(self.times[fall[: len(rise)]], self.times[rise])

    def at(self, when: Int) -> Words:
        """Return the words at some times."""
        return self.words[np.maximum(np.searchsorted(self.times, when, "right") - 1, 0)]

    def level(self, channel: int, when: Int) -> Flags:
        """Return a channel's levels at some times."""
        return (self.at(when) >> np.uint64(channel) & _ONE).astype(np.bool_)


@dataclass
class Frame:
    """What the channel taken for /MREQ says of the time; arrays have one entry a low pulse."""

    channel: int
    t: float  #: length of a T-state, ticks
    fall: Int
    rise: Int
    refresh: Flags  #: second pulse of a fetch
    fetch: Flags  #: first pulse of a fetch

    @cached_property
    def data(self) -> Flags:
        """Neither."""
        return ~self.refresh & ~self.fetch

    @cached_property
    def points(self) -> Int:
        """Sample point of each request, ticks."""
        return self.fall + ((self.rise - self.fall) * 3 >> 2)


def find_clock(raw: Raw) -> list[tuple[float, int]]:
    """Return (period in ticks, channel) of the channels whose edges come as regularly as a clock's, the fastest first."""
    found = []
    for channel, at in enumerate(raw.edges):
        if len(at) < CLOCK_EDGES_MIN:
            continue
        rises = raw.times[at[::2]]
        steps = np.diff(rises)
        middle = float(np.median(steps))
        if np.mean(np.abs(steps - middle) <= CLOCK_REGULAR * middle) >= CLOCK_EVEN:
            found.append((clock_period(rises[:PULSES_TRIED].tolist()) or middle, channel))
    return sorted(found)


def find_frame(raw: Raw) -> Frame | None:
    """Find the channel whose low pulses come in the pairs of a fetch, and sort its requests by them."""
    best, best_fit = None, 0.0
    for channel in range(raw.channels):
        fall, rise = raw.lows[channel]
        if len(fall) < REQUESTS_MIN:
            continue
        t = t_from_mreq(list(zip(fall[:PULSES_TRIED].tolist(), rise[:PULSES_TRIED].tolist(), strict=True)), raw.sample)
        if t is None or t <= 0:
            continue
        frame = _framed(channel, t, fall, rise)
        fit = _fits(frame, raw.sample)
        # Of several that fit, /MREQ has the most pulses: the other strobes only go with some of them.
        better = best is None or fit > best_fit + SURELY_BETTER or (fit > best_fit - SURELY_BETTER and len(fall) > len(best.fall))
        if int(frame.fetch.sum()) >= FETCHES_MIN and better:
            best, best_fit = frame, fit
    return best if best_fit >= FRAME_FITS else None


def _framed(channel: int, t: float, fall: Int, rise: Int) -> Frame:
    refresh = np.zeros(len(fall), np.bool_)
    refresh[1:] = (fall[1:] - rise[:-1] < REFRESH_GAP_MAX * t) & (rise[1:] - fall[1:] < REFRESH_WIDTH_MAX * t)
    fetch = np.zeros(len(fall), np.bool_)
    fetch[:-1] = refresh[1:]
    return Frame(channel, t, fall, rise, refresh, fetch)


def _fits(frame: Frame, sample: float) -> float:
    """Return the share of a channel's pulses that have a length of /MREQ's: 1 T for a refresh, whole or half T for the rest."""
    if float(np.mean(frame.refresh & frame.fetch)) > BOTH_MAX:
        return 0.0  # a clock: each of its pulses follows the last one closely
    widths = (frame.rise - frame.fall) / frame.t
    part = widths * 2 % 1.0
    slack = min(AROUND_T, 0.2 + sample / frame.t)
    fits = np.where(frame.refresh, np.abs(widths - 1.0) < AROUND_T, (widths > TRANSFER_T) & (np.minimum(part, 1 - part) < 2 * slack))
    return float(np.mean(fits)) * min(1.0, 4 * float(np.mean(frame.refresh)))
