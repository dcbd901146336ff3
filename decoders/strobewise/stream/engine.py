"""The streaming engine over events with full information: warm-up, requests, machine cycles, in one pass."""

from __future__ import annotations

from typing import Callable, FrozenSet, List, Optional, Tuple

from ..bus.calibration import Calibration
from ..bus.lines import MASK
from .records import BUSACK, CLK, RESET, Begun, Ended
from .requests import RequestSource
from .tracker import CycleTracker
from .warm_up import STROBES, WarmUp, idle_word

_CONTROL = 0xFFFF
_SLOW = BUSACK | RESET


class StreamEngine:
    """Turns the states of the bus into the items of its machine cycles.

    begun, ended: called with the items of each cycle as soon as they are known.
    """

    def __init__(
        self,
        captured: FrozenSet[str],
        begun: Callable[[Begun], None],
        ended: Callable[[Ended], None],
        given_t_ticks: Optional[float] = None,
        timescale_fs: Optional[int] = None,
    ) -> None:
        """captured: canonical names. given_t_ticks: the T-state that the user gave. timescale_fs: length of a tick, if known."""
        self.captured = captured
        self.calibration: Optional[Calibration] = None
        self.tracker: Optional[CycleTracker] = None
        self.source: Optional[RequestSource] = None
        self._sinks = (begun, ended)
        self._idle = idle_word(captured)
        self._warm_up = WarmUp(captured, given_t_ticks, timescale_fs)
        self._held: List[Tuple[int, int, int]] = []
        self._slow = _SLOW & sum(MASK[name] for name in captured)
        self._word: Optional[int] = None  #: idle lines filled in
        self._time = 0

    @property
    def glitches(self) -> int:
        """Spikes dropped from /MREQ and /IORQ."""
        return self.source.glitches if self.source is not None else 0

    def feed(self, time: int, word: int, unknown: int = 0) -> None:
        """Take an event: the levels of all lines from `time` on (bits as in bus.lines), and the bits that are x or z."""
        # A strobe that is not known is not taken as asserted.
        clean = word | self._idle | unknown & _CONTROL & ~CLK
        if self.tracker is not None:
            self._advance(time, clean, unknown)
            return
        self._held.append((time, clean, unknown))
        known = (word | self._idle) & _CONTROL
        before, self._before = self._before, known
        if before is not None and self._warm_up.add(time, known, before):
            self.settle()

    _before: Optional[int] = None

    def settle(self) -> None:
        """Settle the time base by what was seen so far."""
        self.calibration, busack_valid = self._warm_up.settle()
        self.tracker = CycleTracker(self.captured, self.calibration, busack_valid, *self._sinks)
        held, self._held = self._held, []
        for event in held:
            self._advance(*event)

    def _advance(self, time: int, word: int, unknown: int) -> None:
        tracker, source, before = self.tracker, self.source, self._word
        assert tracker is not None and self.calibration is not None
        self._word, self._time = word, time
        if before is None or source is None:
            self.source = RequestSource(self.calibration, word, time, tracker.request)
            if self._slow & ~word & BUSACK:
                tracker.granted(time)
            if self._slow & ~word & RESET:
                tracker.reset(time)
            return
        changed = word ^ before
        if changed & word & CLK:
            tracker.clock(time)
        slow = changed & self._slow
        if slow & BUSACK:
            if word & BUSACK:
                tracker.taken_back(time)
            else:
                tracker.granted(time)
        if slow & RESET:
            if word & RESET:
                tracker.reset_over(time)
            else:
                tracker.reset(time)
        source.feed(time, word, unknown)
        if source.idle:
            tracker.advance(time)

    def finish(self, end: Optional[int] = None) -> None:
        """Give out what is left. end: the last tick of the capture, where that is later than the last event."""
        if self.tracker is None:
            if not self._held:
                return
            self.settle()
        assert self.tracker is not None and self.source is not None
        self.source.finish()
        self.tracker.finish(self._time if end is None else end)
