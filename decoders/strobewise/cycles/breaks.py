"""What breaks off the row of machine cycles: bus grants, resets, stretches in which a line was not known, the beginning of the capture.

The streaming twin is :mod:`strobewise.stream.breaks`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.model import KINDS
from ..bus.semantics import BLIND_T, RESET_SETTLES_T, UNSEEN_BEFORE_T, told_by_silence
from ..bus.units import NEVER
from .pulses import Int
from .refreshes import touching
from .requests import BlockEvents

Flags = npt.NDArray[np.bool_]
Span = tuple[int, int]

_BY_SILENCE = np.array([[told_by_silence(kind, inferred) for inferred in (False, True)] for kind in KINDS])


class Cut(NamedTuple):
    """Which requests are not those of a whole machine cycle, flags of shape (n,)."""

    unknown: Flags  #: so that their kind is not known
    in_reset: Flags  #: asserted, or still asserted, in the first T-states of a reset, and begun in it


class Breaks:
    """Holds the spans, ticks, as far as cycles that are still to be handed out may touch them."""

    def __init__(self, t: float, began: int) -> None:
        """t: ticks in a T-state. began: first tick of the capture."""
        self._began = began + round(UNSEEN_BEFORE_T * t)
        self._settles = round(RESET_SETTLES_T * t)
        self._reach = int(BLIND_T * t)
        self._grants: list[Span] = []
        self._resets: list[Span] = []
        self._lasting_reset: list[Span] = []  #: one that lasts, with an end that never comes
        self._blind: list[Span] = []
        self._lasting_blind: list[Span] = []  #: the same for a stretch in which a line that cycles hang on is not known

    def feed(self, events: BlockEvents, grants_count: bool) -> None:
        """Take what a block gave. grants_count: /BUSACK is believed."""
        if grants_count:
            self._grants.extend(events.grants)
        self._resets.extend(events.resets)
        self._lasting_reset = lasting(events.reset_since)
        self._blind.extend(events.blind)
        self._lasting_blind = lasting(events.blind_since)

    @property
    def resets(self) -> list[Span]:
        """Return the resets at hand, one that lasts with an end that never comes."""
        return self._resets + self._lasting_reset

    @property
    def is_blind(self) -> bool:
        """Return whether a line that cycles hang on is not known anywhere here."""
        return bool(self._blind or self._lasting_blind)

    def in_blind(self, low: Int, high: Int) -> Flags:
        """Say which stretches of ticks, each with what led to it, touch one in which a line that cycles hang on was not known."""
        return touching(self._blind + self._lasting_blind, low - self._reach, high)

    def behind(self, fall: Int, rise: Int) -> Flags | None:
        """Say in or behind which cycles such a line was not known, up to the next; None where it always was. fall, rise: all at hand."""
        return self.in_blind(fall, np.append(fall[1:], rise[-1])) if self.is_blind and len(fall) else None

    def cut(self, start: Int, fall: Int, rise: Int, kinds: npt.NDArray[np.uint8], inferred: Flags, latest: int) -> Cut | None:
        """Say which requests are cut off, or come where none can; None where none is.

        start: where T1 would lie; fall, rise: the request's; kinds, inferred: what its strobes say; latest: T1 of the one before the first.
        """
        if not len(start):
            return None
        cut = start < self._began
        cut[1:] |= start[1:] <= np.maximum.accumulate(start[:-1])
        cut |= start <= latest
        begun_in_reset = np.zeros(len(fall), np.bool_)
        in_reset = begun_in_reset
        resets = [(low, min(high, low + self._settles)) for low, high in self.resets]
        if resets:
            begun, fell = _which(resets, start), _which(resets, fall)
            begun_in_reset = (fell >= 0) & (begun == fell)  # one reset after another is two: what begins in the first falls in it
            in_reset = fell >= 0
            cut |= touching(resets, fall, rise)
        if self._grants:
            cut |= touching(self._grants, fall, rise)
        if not cut.any():
            return None
        return Cut(cut & _BY_SILENCE[kinds, inferred.astype(np.intp)] | begun_in_reset, in_reset)

    def forget(self, limit: int) -> None:
        """Let go what ended before all cycles that are still to be handed out; limit: start of the first of them."""
        self._grants = [grant for grant in self._grants if grant[1] >= limit]
        self._resets = [reset for reset in self._resets if reset[1] >= limit - 1]
        self._blind = [blind for blind in self._blind if blind[1] >= limit - self._reach]


def lasting(since: int) -> list[Span]:
    """Return the span of what has lasted since then; none for -1."""
    return [(since, NEVER)] if since >= 0 else []


def _which(spans: list[Span], at: Int) -> Int:
    """Return the span in which each tick lies, -1 for none; the spans are in order and apart, and there is one at least."""
    lows, ends = np.array(spans, np.int64).T
    after = np.minimum(np.searchsorted(ends, at, "right"), len(spans) - 1)
    return np.where((lows[after] <= at) & (at < ends[after]), after, -1)
