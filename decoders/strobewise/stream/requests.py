"""Find the requests in a stream of events: the pulses of /MREQ, /IORQ (and of /RD, /WR outside them), as the numpy engine does.

Source of the shapes: :mod:`strobewise.bus.semantics`.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Callable, List, Optional, Tuple

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS_MASK, DATA_MASK, FIRST_ADDRESS_BIT, FIRST_DATA_BIT
from ..bus.semantics import (
    DATA_LEAD_SAMPLES,
    GAP_GLITCH_FLOOR_T,
    GAP_GLITCH_SAMPLES,
    GAP_GLITCH_T,
    GLITCH_T,
    LONGEST_REQUEST_T,
)
from ..bus.units import NEVER
from .records import IORQ, LINE_BARE, LINE_IORQ, LINE_MREQ, MREQ, RD, WR, Request

_HISTORY = 512  #: events kept behind what is needed before old ones are cut off


class Limits:
    """Lengths in ticks that come from the calibration."""

    def __init__(self, calibration: Calibration) -> None:
        """Work them out."""
        t = calibration.t_ticks or 0.0
        sample = calibration.sample_ticks
        self.glitch = max(0.0, GLITCH_T * t - 0.25 * sample)  #: a shorter asserted pulse is a spike
        #: a shorter released gap is a spike
        self.gap = max(0.0, min(GAP_GLITCH_T * t - 0.1 * sample, max(GAP_GLITCH_SAMPLES * sample, GAP_GLITCH_FLOOR_T * t)))
        if not calibration.joins_gaps:
            self.gap = 0.0
        self.lead = int(DATA_LEAD_SAMPLES * sample)  #: data are read this far before the release
        self.after = int(t)
        self.longest = int(LONGEST_REQUEST_T * (t or 10 * sample))


class _Strobe:
    """One line that may frame requests."""

    __slots__ = ("bit", "fall", "held", "line")

    def __init__(self, line: int, bit: int) -> None:
        self.line, self.bit = line, bit
        self.fall: Optional[int] = None  #: where the pulse under way began
        self.held: Optional[Tuple[int, int]] = None  #: a pulse that a spike may have torn


class RequestSource:
    """Turns events, one by one, into requests in order of their assert edges."""

    def __init__(
        self, calibration: Calibration, word: int, time: int, deliver: Callable[[Request], None], unknown: int = 0,
        released: Optional[Callable[[int], None]] = None,
    ) -> None:  # fmt: skip
        """word: the state (idle lines filled in) before the first event, at `time`; unknown: bits of it that are x or z.

        deliver: called with each request. released: with the end of a pulse of /MREQ that was under way then.
        """
        self.limits = Limits(calibration)
        self.glitches = 0  #: spikes dropped from /MREQ and /IORQ
        self._deliver = deliver
        self._frames = calibration.mreq_frames
        framing = [(LINE_MREQ, MREQ)] if calibration.mreq_frames else []
        framing += [(LINE_IORQ, IORQ)] if calibration.iorq_frames else []
        bare = [(LINE_BARE, bit) for bit, good in ((RD, calibration.rd_alone), (WR, calibration.wr_alone)) if good]
        self._framing = sum(bit for _, bit in framing)
        self._strobes = [_Strobe(line, bit) for line, bit in framing + bare]
        self._watched = sum(strobe.bit for strobe in self._strobes)
        self._times: List[int] = [time]
        self._words: List[int] = [word]
        self._unknown: List[int] = [unknown]
        self._ready: List[Tuple[int, int, int, int]] = []  #: (fall, place in _strobes, rise, line), not yet delivered
        self._released = released if calibration.mreq_frames and not word & MREQ else None
        self._unsettled = False  #: something is complete but for what may still come

    @property
    def idle(self) -> bool:
        """Whether nothing is under way and all has been delivered."""
        return not self._ready and all(strobe.held is None and strobe.fall is None for strobe in self._strobes)

    def feed(self, time: int, word: int, unknown: int = 0) -> None:
        """Take an event: the state of all lines from `time` on, later than the last event, and the bits that are x or z."""
        changed = (word ^ self._words[-1]) & self._watched
        self._times.append(time)
        self._words.append(word)
        self._unknown.append(unknown)
        if changed:
            if self._released is not None and changed & word & MREQ:
                if not unknown & MREQ:
                    self._released(time)
                self._released = None
            for place, strobe in enumerate(self._strobes):
                if changed & strobe.bit:
                    if not word & strobe.bit:
                        strobe.fall = None if self._unknown[-2] & strobe.bit else time  # an edge that was not seen can not be placed
                    elif strobe.fall is not None and unknown & strobe.bit:
                        strobe.fall = None
                    elif strobe.fall is not None:
                        self._pulse(place, strobe, strobe.fall, time)
                        strobe.fall = None
        if changed or self._unsettled or len(self._times) > 2 * _HISTORY:
            self._settle(time)

    def advance(self, now: int) -> None:
        """Learn that nothing changed until `now`, exclusive."""
        self._settle(now)

    def finish(self) -> None:
        """Deliver what is complete at the end of the capture."""
        for strobe in self._strobes:
            strobe.fall = None
        self._settle(NEVER)

    def _pulse(self, place: int, strobe: _Strobe, fall: int, rise: int) -> None:
        """Take a line's complete pulse: join it to the one before, or let that go its way."""
        if rise - fall > self.limits.longest:
            return
        if strobe.line == LINE_BARE:
            at = bisect_right(self._times, (fall + rise) >> 1) - 1
            if self._words[at] & ~self._unknown[at] & self._framing != self._framing:
                return  # not released, or not known to be
        if strobe.held is not None:
            if fall - strobe.held[1] < self.limits.gap:
                if strobe.line != LINE_BARE:
                    self.glitches += 1
                fall = strobe.held[0]
            else:
                self._release(place, strobe)
        strobe.held = (fall, rise)

    def _release(self, place: int, strobe: _Strobe) -> None:
        """Let a pulse that nothing can be joined to any more become a request."""
        held, strobe.held = strobe.held, None
        if held is None:
            return
        fall, rise = held
        if rise - fall < self.limits.glitch:
            if strobe.line != LINE_BARE:
                self.glitches += 1
            return
        if strobe.line == LINE_IORQ and self._frames and not self._word((fall + rise) >> 1) & MREQ:
            return  # the CPU never asserts both: an /IORQ that is low inside a memory request floats or is shorted
        self._ready.append((fall, place, rise, strobe.line))

    def _settle(self, now: int) -> None:
        """Deliver, in order, what nothing that comes at `now` or later can change."""
        horizon = now  # no request that is still to come begins before this
        gap = self.limits.gap
        unsettled = False
        for place, strobe in enumerate(self._strobes):
            held, fall = strobe.held, strobe.fall
            if held is not None and now - held[1] >= gap and (fall is None or fall - held[1] >= gap):
                self._release(place, strobe)
                held = None
            if held is not None:
                unsettled = True
                horizon = min(horizon, held[0])
            if fall is not None and fall < horizon and now - fall <= self.limits.longest:
                horizon = fall
        ready = self._ready
        if ready:
            ready.sort()
            after = self.limits.after
            # Only of a bare request it is asked what came behind it.
            while ready and ready[0][0] < horizon and ready[0][2] + (after if ready[0][3] == LINE_BARE else 0) < now:
                fall, _, rise, line = ready.pop(0)
                self._deliver(self._request(line, fall, rise))
            if ready:
                unsettled = True
                horizon = min(horizon, ready[0][0])
        self._unsettled = unsettled
        if len(self._times) > 2 * _HISTORY:
            cut = bisect_right(self._times, horizon) - 1
            if cut > _HISTORY:
                del self._times[:cut], self._words[:cut], self._unknown[:cut]

    def _word(self, time: int) -> int:
        return self._words[bisect_right(self._times, time) - 1]

    def _request(self, line: int, fall: int, rise: int) -> Request:
        at = bisect_right(self._times, fall + ((rise - fall) * 3 >> 2)) - 1
        point, hidden = self._words[at], self._unknown[at]
        late = bisect_right(self._times, max(rise - self.limits.lead, fall)) - 1
        data = -1 if self._unknown[late] & DATA_MASK else (self._words[late] & DATA_MASK) >> FIRST_DATA_BIT
        return Request(
            line, fall, rise, point & 0xFFFF, self._word(rise + self.limits.after) & 0xFFFF,
            -1 if hidden & ADDRESS_MASK else (point & ADDRESS_MASK) >> FIRST_ADDRESS_BIT, data, hidden & 0xFFFF,
        )  # fmt: skip
