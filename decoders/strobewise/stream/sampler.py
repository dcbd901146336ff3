"""At which samples to look: drives the streaming engine from a capture host that is asked sample by sample.

Two ways of looking. *Edges*: every edge of every line, as a capture file would show it; used until the time base is settled, and whenever
something is out of the ordinary. *Points*: the few samples of each request that matter, some three a cycle; used while the bus does
what a bus does. Both give the same cycles.
"""

from __future__ import annotations

from typing import Callable, FrozenSet, Iterable, List, NamedTuple, Optional, Sequence, Tuple, TypeVar

from ..bus.calibration import Calibration, TimeBase
from ..bus.lines import bar
from ..bus.semantics import TIMING_SAMPLES_MIN
from ..bus.units import FS_PER_S
from .conditions import QUIET_T, Condition, Event, Host, Pins
from .engine import StreamEngine
from .pins import CHANNELS, P_ADDRESS, P_CLK, P_MREQ, P_RFSH, STROBE_PINS, ControlWords, bus_bits, captured_lines
from .points import PointSampler
from .records import BegunItem, Bus, EndedItem
from .replay import ReplayHost, Rows, same_rows

STEP_SAMPLES = 10_000  #: silence is looked at again after so many samples: the host does not tell where the capture ends
SILENCE_SAMPLES = 100_000  #: no strobe for so long: what was seen must do to settle the time base
SEEN_MAX = 50_000  #: events of the warm-up kept for a second look
FIRST_EDGES = 64  #: strobe edges that must have been seen for that
LONG_QUIET_T = 512.0  #: T-states without a strobe's edge that are worth telling; each time twice as many before it is told again
EDGES_MIN = 24  #: requests that are looked at edge by edge before points will do again
EDGES_GROW = 16  #: so many times more after each spike or the like, so that a noisy capture is looked at edge by edge
EDGES_MAX = 1 << 30
LATE_TURNS_MAX = 2  #: turns to points in the warm-up with which late looks do: with more, too much does not fit them
EVEN_MIN = 64  #: equal steps of one strobe that no program makes: refreshes and accesses take turns, and differ in width

Thing = TypeVar("Thing")


def _nobody(*_: object) -> None:
    """Nobody wants to know."""


_NOBODY = (_nobody, _nobody, _nobody, _nobody)


class Sinks(NamedTuple):
    """Who is told what."""

    begun: Callable[[BegunItem], None]
    ended: Callable[[EndedItem], None]
    settled: Callable[[Bus], None]  #: before the first item
    moved: Callable[[str, int, int], None]  #: an edge of /RESET or /BUSACK: line, level behind it, sample
    quiet: Callable[[int, int, int, int], None]  #: no strobe moves: sample, control lines, last edges of CLK (or -1) and of a strobe
    remark: Callable[[int, int, str, str], None]  #: something that the user should know: from, to, long and short text


def is_even(events: Sequence[Event]) -> bool:
    """Say whether the first pin changes in equal steps, as a clock does and no strobe: a host that maps by position makes it so."""
    moves = [now for (_, before), (now, pins) in pairwise(events) if pins[P_MREQ] != before[P_MREQ]]
    steps = [later - earlier for earlier, later in pairwise(moves)]
    return len(steps) >= EVEN_MIN and 2 * max(steps) <= 3 * min(steps)  # two samples or three; the steps of /MREQ differ threefold


def no_strobe_moves(pins: Pins, clock_is_still: bool) -> str:
    """Return what to say where no strobe moves: what is seen that holds a CPU."""
    low = [bar(name) for name in ("RESET", "WAIT", "BUSREQ") if pins[CHANNELS.index(name)] == 0]
    held = [f"{' and '.join(low)} {'is' if len(low) == 1 else 'are'} low"] if low else []
    held += ["CLK does not move"] if clock_is_still else []
    return "No strobe moves here: " + ("; ".join(held) or "the machine stands still, or the channels are wrong")


def pairwise(things: Sequence[Thing]) -> Iterable[Tuple[Thing, Thing]]:
    """Return each thing with the one behind it."""
    return zip(things, things[1:])


class Sampler:
    """Follows one capture from its first sample to its end."""

    def __init__(
        self,
        host: Host,
        sinks: Sinks,
        rate: Optional[int] = None,
        clock_hz: Optional[float] = None,
        every_edge: bool = False,
        ignore_clock: bool = False,
    ) -> None:
        """host: see conditions.Host. rate: samples a second, if known. clock_hz: what the user gave."""
        self._host = host
        self._sinks = sinks
        self._rate = rate
        self._clock_hz = clock_hz
        self._every_edge = every_edge
        self._ignore_clock = ignore_clock
        self._control = ControlWords()
        self._last_pins: Pins = ()
        self._points: Optional[PointSampler] = None
        self._late = False  #: one late look at a request will do
        self._since = 0  #: last edge of a strobe, while edges are looked at
        self._turns = 0  #: times that edges gave way to points
        self._seen: List[Event] = []  #: events of the warm-up
        self._rows: Optional[Rows] = Rows()  #: cycles of the warm-up, None behind it
        self.captured: FrozenSet[str] = frozenset()
        self.engine: Optional[StreamEngine] = None

    def run(self, may_finish: Callable[[], bool] = lambda: True) -> None:
        """Follow the capture to its end, which the host tells by an exception; what is left is given out, then it is raised again.

        may_finish: whether that can be taken at the end.
        """
        sinks = self._sinks
        try:
            pins = self._host.wait({"skip": 0})
            self.captured = captured_lines(pins) - (frozenset(("CLK",)) if self._ignore_clock else frozenset())
            self._remark_on_lines()
            given_t = self._rate / self._clock_hz if self._rate and self._clock_hz else None
            base = TimeBase(round(FS_PER_S / self._rate) if self._rate else None, given_t)
            self.engine = StreamEngine(self.captured, self._begun, self._ended, base, self._settled, sinks.moved)
            self._follow(self.engine, [(self._host.samplenum, pins)])
        except (EOFError, SystemError):
            if may_finish():
                self._finish()
            raise

    def _follow(self, engine: StreamEngine, events: Sequence[Event]) -> None:
        """Look at edges and points by turns, until the host ends it."""
        edges_min = EDGES_MIN
        while True:
            pins = self._edges(engine, events, edges_min)
            self._turns += 1
            if self._points is None:
                self._points = PointSampler(self._host, engine, self.captured, self._control, self._late)
            spikes = self._points.spikes
            events = self._points.run(pins)
            if self._points.spikes > spikes:
                edges_min = min(edges_min * EDGES_GROW, EDGES_MAX)

    def _begun(self, item: BegunItem) -> None:
        if self._rows is not None:
            self._rows.begun(item)
        self._sinks.begun(item)

    def _ended(self, item: EndedItem) -> None:
        if self._rows is not None:
            self._rows.ended(item)
        self._sinks.ended(item)

    def _try_points(self, engine: StreamEngine) -> None:
        """Look at the warm-up again, at points alone, and see whether that gives the same cycles."""
        rows, self._rows = self._rows, None
        if engine.tracker is not None:
            engine.tracker.rows.begun, engine.tracker.rows.ended = self._sinks.begun, self._sinks.ended
        events, self._seen = self._seen, []
        self._remark_if_even(events)
        assert rows is not None and engine.calibration is not None and engine.tracker is not None
        if self._every_edge or engine.glitches or not self._points_can_do(engine.calibration):
            self._every_edge = True
            return
        for self._late in (True, False):
            trial = Rows()
            again = Sampler(ReplayHost(events), Sinks(trial.begun, trial.ended, *_NOBODY))
            again.captured, again._rows, again._late = self.captured, None, self._late
            copy = StreamEngine(self.captured, trial.begun, trial.ended)
            copy.preset(engine.calibration, engine.busack_valid, engine.tracker.trust)
            try:
                again._follow(copy, events[:1])
            except EOFError:
                pass
            self._every_edge = not same_rows(rows.rows, trial.rows)
            if not self._every_edge and again._turns <= LATE_TURNS_MAX:
                return

    def _finish(self) -> None:
        """Give out what is left at the end of the capture."""
        engine, now = self.engine, max(self._host.samplenum, 0)
        if engine is None:
            return
        if not engine.begun:
            self._sinks.remark(0, now, "No strobe moves in this capture: check the channels and the machine", "no strobe")
        self._remark_if_even(self._seen)
        if self._points is not None:
            self._points.finish()
        engine.finish(now)
        last = (self._points.last_pins if self._points is not None else ()) or self._last_pins
        if last:
            since = max(self._since, self._points.fall) if self._points is not None else self._since
            self._quiet(now, last, since)

    def _quiet(self, now: int, pins: Pins, since: int) -> None:
        """Tell that nothing moves. since: the last edge of a strobe."""
        clock = self.engine.last_clock if self.engine is not None else None
        self._sinks.quiet(now, self._control[pins[:P_ADDRESS]], -1 if clock is None else clock, since)

    def _settled(self, calibration: Calibration) -> None:
        pulses = self.engine.pulses if self.engine is not None else {}
        self._sinks.settled(
            Bus(
                tuple(name for name in CHANNELS if name in self.captured), self._rate, calibration.t_ticks, calibration.t_source,
                calibration.sample_ticks, calibration.counts_clock, calibration.mreq_frames, tuple(pulses.items()),
            )
        )  # fmt: skip
        now = max(self._host.samplenum, 0)
        samples = calibration.samples_per_t
        if "CLK" in self.captured and pulses.get("CLK") == 0:
            self._sinks.remark(0, now, "CLK is mapped and does not move: T-states are measured by the strobes", "CLK still")
        if samples is None:
            self._sinks.remark(0, now, "The length of a T-state does not show: set clock_hz, or capture more strobes", "T?")
        elif samples < TIMING_SAMPLES_MIN:
            long = "Only %.1f samples to a T-state: short events are lost; capture faster" % samples
            self._sinks.remark(0, now, long, "too slow")

    def _remark_if_even(self, events: Sequence[Event]) -> None:
        """Remark on a first channel that no strobe would be. events: those of the warm-up."""
        if is_even(events):
            long = "/MREQ toggles like a clock: map the channels by their names"
            self._sinks.remark(0, self._host.samplenum, long, "map by name")

    def _remark_on_lines(self) -> None:
        if not self.captured & {"MREQ", "IORQ", "RD", "WR"}:
            self._sinks.remark(0, 1, "No cycle can be found: map /MREQ (at least), better /M1, /IORQ, /RD and /WR, too", "no /MREQ")
        if self._rate is None:
            self._sinks.remark(0, 1, "The sample rate is not known: times are counted in samples, clock_hz is not used", "no rate")

    def _word(self, pins: Pins) -> int:
        return self._control[pins[:P_ADDRESS]] | bus_bits(pins) << 16

    def _edges(self, engine: StreamEngine, events: Sequence[Event], requests_min: int) -> Pins:
        """Look at every edge, beginning with events seen already, until points will do; returns the pins then."""
        host, wait, word_of = self._host, self._host.wait, self._word
        strobes: Pins = ()
        for time, pins in events:
            engine.feed(time, word_of(pins))
            if pins[:P_RFSH] != strobes:
                strobes, self._since = pins[:P_RFSH], time
        if engine.tracker is None:
            self._warm_up(engine)
            self._try_points(engine)
        assert engine.calibration is not None
        every = self._conditions(engine.calibration.counts_clock)
        step = int(QUIET_T * (engine.calibration.t_ticks or 64.0))
        every.append({"skip": step})
        requests = 0
        long_quiet = int(LONG_QUIET_T * (engine.calibration.t_ticks or 64.0))
        begun = self._since
        told = max(begun + long_quiet, host.samplenum + step)  # not before CLK had the time to show that it runs
        while True:
            pins = wait(every)
            matched, now = host.matched, host.samplenum
            if pins[:P_RFSH] != strobes:
                strobes, self._since = pins[:P_RFSH], now
                if engine.tracker is not None and engine.tracker.last_rise >= 0:  # else what moves asks for nothing
                    begun, told = now, now + long_quiet
            if now >= told:
                told = now + (now - begun)
                if now - begun >= SILENCE_SAMPLES and engine.tracker is not None and not engine.tracker.settled:
                    engine.tracker.settle()
                self._quiet(now, pins, self._since)
            self._last_pins = pins
            if matched[-1]:
                engine.advance(now)
                if True not in matched[:-1]:
                    continue
            engine.feed(now, word_of(pins))
            if engine.quiet:
                requests += 1
                if requests >= requests_min and not self._every_edge and engine.tracker is not None and engine.tracker.settled:
                    return tuple(pins)

    def _conditions(self, clock: bool, all_lines: bool = False) -> List[Condition]:
        """Return the conditions for each edge: of the lines that cycles are made of, or of all that were mapped."""
        places = [place for place, name in enumerate(CHANNELS) if name in self.captured and name != "CLK"]
        if not all_lines:
            places = [place for place in places if place < STROBE_PINS or place >= P_ADDRESS]
        conditions: List[Condition] = [{place: "e"} for place in places]
        if clock:
            conditions.append({P_CLK: "e"})
        return conditions

    def _points_can_do(self, calibration: Calibration) -> bool:
        return calibration.mreq_frames and (calibration.samples_per_t or 0.0) >= TIMING_SAMPLES_MIN

    def _warm_up(self, engine: StreamEngine) -> None:
        """Feed edges until the time base is settled."""
        host, wait, word_of = self._host, self._host.wait, self._word
        clock = "CLK" in self.captured
        # Before any strobe moves, the other lines do not matter.
        first: List[Condition] = [{place: "e"} for place in range(STROBE_PINS) if CHANNELS[place] in self.captured]
        if clock:
            first.append({P_CLK: "e"})
        first.append({"skip": STEP_SAMPLES})
        start, told, ticks = host.samplenum, False, False
        while not engine.begun:
            pins = self._last_pins = wait(first)
            ticks = ticks or (clock and host.matched[-2])
            if not told and host.samplenum - start >= SILENCE_SAMPLES:
                told = True
                self._sinks.remark(start, host.samplenum, no_strobe_moves(pins, clock and not ticks), "no strobe")
            if True in host.matched[:-1]:
                engine.feed(host.samplenum, word_of(pins))
        every = self._conditions(clock, all_lines=True)
        every.append({"skip": STEP_SAMPLES})
        edges, last = 0, host.samplenum
        before: Pins = ()
        while engine.tracker is None:
            pins = self._last_pins = wait(every)
            now, matched = host.samplenum, host.matched
            if not matched[-1] or True in matched[:-1]:
                if len(self._seen) < SEEN_MAX:
                    self._seen.append((now, pins))
                engine.feed(now, word_of(pins))
            if pins[:STROBE_PINS] != before:
                edges, last, before = edges + 1, now, pins[:STROBE_PINS]
            elif now - last >= SILENCE_SAMPLES and edges >= FIRST_EDGES and engine.tracker is None:
                engine.settle()
                engine.advance(now)
        if engine.tracker is not None and now - last >= SILENCE_SAMPLES:
            engine.tracker.settle()
