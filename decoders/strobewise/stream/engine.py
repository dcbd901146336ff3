"""The streaming engine over events with full information: warm-up, requests, machine cycles, in one pass."""

from __future__ import annotations

from typing import Callable, Dict, FrozenSet, List, Optional, Tuple

from ..bus.calibration import NOTHING_KNOWN, Calibration, TimeBase
from ..bus.lines import LINES, MASK, idle_word
from ..bus.units import NEVER
from .clocks import CLOCK_RESTS_T
from .records import BUSACK, CLK, IORQ, MREQ, RD, RESET, WR, BegunItem, EndedItem
from .requests import RequestSource
from .tracker import CycleTracker
from .warm_up import WarmUp

_CONTROL = 0xFFFF  #: the 16 lowest bits of the packed word: the control lines (bus/lines.py)
_REST_LOW, _REST_HIGH = (  # control lines by the level at which they rest; CLK has none
    sum(1 << line.bit for line in LINES if line.bit < 16 and line.active_level == level and line.name != "CLK") for level in (1, 0)
)
_SLOW = BUSACK | RESET
_FRAMING = MREQ | IORQ
_HELD_MAX, _HELD_LAST = 8192, 64  #: events held before any strobe moves, and those of them that stay
_HELD_AROUND = 8  #: events on either side of a grant or a reset: while no strobe moves, four clocks of CLK, enough to place it


class StreamEngine:
    """Turns the states of the bus into the items of its machine cycles.

    begun, ended: called with the items of each cycle as soon as they are known.
    """

    def __init__(
        self,
        captured: FrozenSet[str],
        begun: Callable[[BegunItem], None],
        ended: Callable[[EndedItem], None],
        base: TimeBase = NOTHING_KNOWN,
        settled: Optional[Callable[[Calibration], None]] = None,
        moved: Optional[Callable[[str, int, int], None]] = None,
    ) -> None:
        """captured: canonical names. base: what is known of the time base.

        settled: is told the calibration before the first item. moved: see CycleTracker.
        """
        self.captured = captured
        self.calibration: Optional[Calibration] = None
        self.busack_valid = True
        self.tracker: Optional[CycleTracker] = None
        self.source: Optional[RequestSource] = None
        self._sinks = (begun, ended, moved)
        self._settled = settled
        self._idle = idle_word(captured)
        self._warm_up = WarmUp(captured, base)
        self._held: List[Tuple[int, int, int]] = []
        self._slow = _SLOW & sum(MASK[name] for name in captured)
        self._before: Optional[Tuple[int, int]] = None  #: control word before the next event of the warm-up, and what of it is not known
        self._word: Optional[int] = None  #: state before the next event, idle lines filled in
        self._time = 0
        self._unknown = 0  #: bits that were not known before the next event
        self._hangs_on = 0  #: lines that cycles hang on
        self._known = CLK  #: lines that had a level: before its first one a line hides nothing but, of the clock, how long cycles took
        self.last_clock: Optional[int] = None  #: last rising clock edge
        self._clock_hidden = False  #: edges of the clock may have passed since the last one
        self._hidden_until = -NEVER  #: up to here they may have passed between two events

    @property
    def glitches(self) -> int:
        """Spikes dropped from /MREQ and /IORQ."""
        return self.source.glitches if self.source is not None else 0

    def feed(self, time: int, word: int, unknown: int = 0) -> None:
        """Take an event: the levels of all lines from `time` on (bits as in bus.lines), and the bits that are x or z."""
        clean = word | self._idle
        if unknown:  # a line that is not known is not taken as asserted
            clean = (clean | unknown & _REST_HIGH) & ~(unknown & _REST_LOW)
        if self.tracker is not None:
            self._advance(time, clean, unknown)
            return
        before, self._before = self._before, (clean & _CONTROL, unknown)
        self._held.append((time, clean, unknown))
        if before is not None and self._warm_up.add(time, clean & _CONTROL, before[0], (unknown | before[1]) & _CONTROL):
            self.settle()
        elif len(self._held) > _HELD_MAX and not self._warm_up.begun:
            self._forget()

    def _forget(self) -> None:
        """Let go what was held before any strobe moved, but for grants and resets, the clock edges around them, and the last ones."""
        held = self._held
        slow = [place for place in range(1, len(held) - _HELD_LAST) if (held[place][1] ^ held[place - 1][1]) & self._slow]
        around = sorted({near for place in slow for near in range(max(1, place - _HELD_AROUND), place + _HELD_AROUND)})
        self._held = held[:1] + [held[place] for place in around if place < len(held) - _HELD_LAST] + held[-_HELD_LAST:]

    def settle(self) -> None:
        """Settle the time base by what was seen so far."""
        self.calibration, self.busack_valid = self._warm_up.settle()
        if self._settled is not None:
            self._settled(self.calibration)
        self.tracker = CycleTracker(self.captured, self.calibration, self.busack_valid, *self._sinks)
        held, self._held = self._held, []
        for event in held:
            self._advance(*event)

    def preset(self, calibration: Calibration, busack_valid: bool, trust: int) -> None:
        """Begin with what another engine has settled."""
        self.calibration, self.busack_valid = calibration, busack_valid
        self.tracker = CycleTracker(self.captured, calibration, busack_valid, *self._sinks)
        self.tracker.settle()
        self.tracker.trust = trust

    def _advance(self, time: int, word: int, unknown: int) -> None:
        tracker, source, before, was_unknown = self.tracker, self.source, self._word, self._unknown
        assert tracker is not None and self.calibration is not None
        self._word, self._time = word, time
        if unknown or self._unknown or before is None:
            self._follow_unknown(tracker, time, unknown, before is None)
        if before is None or source is None:
            if before is None:
                tracker.rows.begins(time)
            self.source = RequestSource(self.calibration, word, time, tracker.request, unknown, tracker.first_release)
            if self._slow & ~word & BUSACK:
                tracker.granted(time)
            if self._slow & ~word & RESET:
                tracker.reset(time)
            return
        changed = word ^ before
        if changed & word & CLK and not was_unknown & CLK:  # out of the unknown is no edge
            tracker.clock(time, self._clocks_since(time) if time <= self._hidden_until or self._clock_hidden else 1)
            self._clock_hidden, self.last_clock = time <= self._hidden_until, time
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

    def _clocks_since(self, time: int) -> int:
        """Return the clocks since the last edge, some of which were not looked at, counted by their length."""
        t = self.calibration.t_ticks if self.calibration is not None else None
        if self.last_clock is None or not t:
            return 1
        if time - max(self._hidden_until, self.last_clock) > CLOCK_RESTS_T * t:
            return 1  # since it is looked at the clock has rested, and for how long before that is not known
        return max(1, round((time - self.last_clock) / t))

    def _follow_unknown(self, tracker: CycleTracker, time: int, unknown: int, first: bool) -> None:
        """Follow the stretches in which a line that cycles hang on is not known."""
        assert self.calibration is not None
        if first:
            framing = (MREQ if self.calibration.mreq_frames else 0) | (IORQ if self.calibration.iorq_frames else 0)
            self._hangs_on = (framing or RD | WR) | (CLK if self.calibration.counts_clock else 0)
        was = self._unknown & self._known & self._hangs_on
        self._known |= ~unknown & self._hangs_on
        self._unknown = unknown
        now = unknown & self._known & self._hangs_on
        if now and not was:
            tracker.rows.blinded(time)
        elif was and not now:
            tracker.rows.sees_again(time)

    @property
    def pulses(self) -> Dict[str, int]:
        """Pulses of each strobe, and rising edges of CLK, in the stretch that settled the time base."""
        return self._warm_up.pulses

    @property
    def begun(self) -> bool:
        """Whether a strobe has moved."""
        return self.tracker is not None or self._warm_up.begun

    @property
    def quiet(self) -> bool:
        """Whether nothing is under way on the bus, and all that was has been handed on."""
        return self.source is not None and self.source.idle and self._word is not None and self._word & _FRAMING == _FRAMING

    def resume(self, time: int, word: int, last_clock: Optional[int], until: int) -> None:
        """Take up events again after a stretch whose requests were handed to the tracker by other hands.

        time, word: a moment at which nothing was under way, and the state then, idle lines filled in. last_clock: the last rising clock
        edge that the tracker was told of. until: from here on every edge is an event; the clocks before that, and up to the first edge
        behind it, are counted by their length.
        """
        assert self.tracker is not None and self.calibration is not None
        glitches = self.glitches
        self.source = RequestSource(self.calibration, word, time, self.tracker.request)
        self.source.glitches = glitches
        self._word, self._time = word, time
        self.last_clock, self._clock_hidden, self._hidden_until = last_clock, True, until

    def advance(self, now: int) -> None:
        """Learn that nothing changed until `now`, exclusive."""
        if self.tracker is not None and self.source is not None:
            self.source.advance(now)
            if self.source.idle:
                self.tracker.advance(now)

    def finish(self, end: Optional[int] = None) -> None:
        """Give out what is left. end: the last tick of the capture, where that is later than the last event."""
        if self.tracker is None:
            if not self._held:
                return
            if not self._warm_up.begun:
                self._warm_up.take_all([event[0] for event in self._held], [event[1] & _CONTROL for event in self._held])
            self.settle()
        assert self.tracker is not None and self.source is not None
        self.source.finish()
        self.tracker.finish(self._time if end is None else end)
