"""Follows a capture host's samples that were taken one a clock: each change is put at the clock edge that made it, the engine sees that.

Times of what comes out are samples, so that a T-state is one; a cycle starts with the first sample that shows it. The twin of
:mod:`strobewise.capture.clocked.view`.
"""

from __future__ import annotations

from typing import Callable, FrozenSet, List, Optional

from ..bus.calibration import Calibration, TimeBase
from ..bus.clocked import GROUP_SAMPLES, NEVER_BOTH, TICKS_PER_T
from .clocked import Retimer
from .conditions import Condition, Host, Pins
from .engine import StreamEngine
from .pins import CHANNELS, P_ADDRESS, P_RFSH, ControlWords, bus_bits, captured_lines
from .records import BegunItem, Bus, EndedItem
from .sampler import Sinks, no_strobe_moves

LONG_QUIET = 512  #: clocks without a strobe's edge that are worth telling; each time twice as many before it is told again


class ClockedSampler:
    """Follows one capture from its first sample to its end."""

    def __init__(self, host: Host, sinks: Sinks, edge: str, clock_hz: Optional[float] = None) -> None:
        """edge: of CLK, at which each sample was taken: "falling" or "rising". clock_hz: what the user gave."""
        self._host, self._sinks, self._edge = host, sinks, edge
        self._rate = round(clock_hz) if clock_hz else None
        self._control = ControlWords()
        self._engine: Optional[StreamEngine] = None
        self._retimer: Optional[Retimer] = None
        self.captured: FrozenSet[str] = frozenset()

    def run(self, may_finish: Callable[[], bool] = lambda: True) -> None:
        """Follow the capture to its end, which the host tells by an exception; what is left is given out, then it is raised again.

        may_finish: whether that can be taken at the end.
        """
        sinks = self._sinks
        try:
            pins = self._host.wait({"skip": 0})
            self.captured = captured_lines(pins) - {"CLK"}  # by it the samples were taken, none of them shows it move
            if not self.captured & {"MREQ", "IORQ", "RD", "WR"}:
                sinks.remark(0, 1, "No cycle can be found: map /MREQ (at least), better /M1, /IORQ, /RD and /WR, too", "no /MREQ")
            base = TimeBase(None, float(TICKS_PER_T), clocked=True)
            moved = lambda line, level, tick: sinks.moved(line, level, tick // TICKS_PER_T)  # noqa: E731
            self._engine = StreamEngine(self.captured, self._begun, self._ended, base, self._settled, moved)
            self._retimer = Retimer(self.captured, self._edge)
            self._follow(self._engine, self._retimer, pins)
        except (EOFError, SystemError):
            if may_finish():
                self._finish()
            raise

    def _follow(self, engine: StreamEngine, retimer: Retimer, pins: Pins) -> None:
        """Look at every change until the host ends it."""
        host = self._host
        changes: List[Condition] = [{place: "e"} for place, name in enumerate(CHANNELS[: len(pins)]) if name in self.captured]
        changes.append({"skip": GROUP_SAMPLES})
        # Samples at the start in which every line is low were not taken yet: a CPU rests one line of each pair at least.
        begun = not any(self.captured.issuperset(pair) for pair in NEVER_BOTH)
        since, strobes, told = host.samplenum, pins[:P_RFSH], host.samplenum + LONG_QUIET
        while True:
            now = host.samplenum
            if begun or 1 in pins:
                begun = True
                for tick, word in retimer.feed(now, self._control[pins[:P_ADDRESS]] | bus_bits(pins) << 16):
                    engine.feed(tick, word)
            if pins[:P_RFSH] != strobes:
                since, strobes, told = now, pins[:P_RFSH], now + LONG_QUIET
            elif now >= told:
                told = now + (now - since)
                self._quiet(now, pins, since)
            pins = host.wait(changes)

    def _quiet(self, now: int, pins: Pins, since: int) -> None:
        """Tell that nothing moves, once what came before it was given out. since: the last edge of a strobe."""
        engine = self._engine
        if engine is not None and engine.begun:
            self._sinks.quiet(now, self._control[pins[:P_ADDRESS]], -1, since)
        elif now - since >= GROUP_SAMPLES:
            self._sinks.remark(0, now, no_strobe_moves(pins, False), "no strobe")

    def _finish(self) -> None:
        """Give out what is left at the end of the capture."""
        engine, retimer = self._engine, self._retimer
        if engine is None or retimer is None:
            return
        for tick, word in retimer.finish():
            engine.feed(tick, word)
        now = max(self._host.samplenum, 0)
        if not engine.begun:
            self._sinks.remark(0, now, "No strobe moves in this capture: check the channels and the machine", "no strobe")
        engine.finish((now + 1) * TICKS_PER_T)

    def _begun(self, item: BegunItem) -> None:
        number, kind, start, release, *rest = item
        self._sinks.begun((number, kind, start // TICKS_PER_T, -(-release // TICKS_PER_T), *rest))  # type: ignore[arg-type]

    def _ended(self, item: EndedItem) -> None:
        number, kind, start, end, t_states, note = item
        self._sinks.ended((number, kind, start // TICKS_PER_T, -(-end // TICKS_PER_T), t_states, note))

    def _settled(self, calibration: Calibration) -> None:
        pulses = self._engine.pulses if self._engine is not None else {}
        lines = tuple(name for name in CHANNELS if name in self.captured)
        framed = calibration.mreq_frames
        self._sinks.settled(Bus(lines, self._rate, 1.0, "clocked", 1.0, False, framed, tuple(pulses.items()), self._edge))
