"""Find the requests: the pulses of /MREQ, /IORQ (and of /RD, /WR outside them) with what the other lines said meanwhile.

Source of the shapes: :mod:`strobewise.bus.semantics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import BIT, DATA, DATA_MASK, idle_word
from ..bus.semantics import (
    DATA_LEAD_SAMPLES,
    GAP_GLITCH_FLOOR_T,
    GAP_GLITCH_SAMPLES,
    GAP_GLITCH_T,
    GLITCH_T,
    HOLD_BACK_T,
    LONGEST_REQUEST_T,
)
from ..bus.units import NEVER
from .pulses import NO_TIMES, Control, Int, clean, place_of, pulses

Words = npt.NDArray[np.uint64]

CLK, M1, MREQ, IORQ, RD, WR = (np.uint16(1 << BIT[name]) for name in ("CLK", "M1", "MREQ", "IORQ", "RD", "WR"))
BUSACK, RESET = np.uint16(1 << BIT["BUSACK"]), np.uint16(1 << BIT["RESET"])
WATCHED = MREQ | IORQ | RD | WR | BUSACK | RESET

LINE_MREQ, LINE_IORQ, LINE_BARE = range(3)  #: which line shows a request: /MREQ, /IORQ, or another strobe alone

_DATA = np.uint64(DATA_MASK)


@dataclass
class Requests:
    """Requests in order of their assert edges, arrays of equal length n.

    line: uint8, LINE_*; fall, rise: int64 ticks; control: uint16, control word at the sample point; after: uint16, control word 1 T after
    the release; address: uint16 at the sample point; data: uint8 just before the release; unknown: uint64, bits of the packed word that
    were x or z there.
    """

    line: npt.NDArray[np.uint8]
    fall: Int
    rise: Int
    control: Control
    after: Control
    address: npt.NDArray[np.uint16]
    data: npt.NDArray[np.uint8]
    unknown: Words

    def __len__(self) -> int:
        return len(self.fall)

    def select(self, index: slice | npt.NDArray[np.bool_] | Int) -> Requests:
        """Return some of the requests."""
        return Requests(*(getattr(self, name)[index] for name in REQUEST_FIELDS))

    @staticmethod
    def empty() -> Requests:
        """Return no requests."""
        types = (np.uint8, np.int64, np.int64, np.uint16, np.uint16, np.uint16, np.uint8, np.uint64)
        return Requests(*(np.empty(0, dtype) for dtype in types))  # type: ignore[arg-type]

    @staticmethod
    def join(parts: list[Requests]) -> Requests:
        """Return several batches end to end."""
        if len(parts) == 1:
            return parts[0]
        return Requests(*(np.concatenate([getattr(part, name) for part in parts]) for name in REQUEST_FIELDS))


REQUEST_FIELDS = tuple(Requests.__dataclass_fields__)


@dataclass
class BlockEvents:
    """What one block gave: its requests, and the edges that the cycles hang on (int64 ticks)."""

    requests: Requests
    clock_rises: Int
    grants: list[tuple[int, int]]  #: /BUSACK low, ticks
    resets: list[tuple[int, int]]  #: /RESET low, ticks, once it is over
    reset_since: int  #: /RESET has been low since then, -1 while it is not
    glitches: int  #: spikes dropped from /MREQ and /IORQ
    blind: list[tuple[int, int]]  #: a line that cycles hang on was not known, ticks, once that is over
    blind_since: int  #: one has not been known since then, -1 while all are
    clock_hidden: Sequence[tuple[int, int]] = ()  #: stretches in which CLK was not known, ticks, once they are over
    first_release: int | None = None  #: here ended a pulse of /MREQ that was under way when the capture began; None: not in this block


class RequestFinder:
    """Turn blocks of packed words into requests, with the carried state that makes block limits invisible."""

    def __init__(self, captured: frozenset[str], calibration: Calibration) -> None:
        self._idle = np.uint16(idle_word(captured))
        self._frames = calibration.mreq_frames
        self._io_frames = calibration.iorq_frames
        #: lines whose pulses are requests, framing ones first
        self._lines = [(LINE_MREQ, MREQ)] if self._frames else []
        self._lines += [(LINE_IORQ, IORQ)] if self._io_frames else []
        self._lines += [(LINE_BARE, bit) for bit, good in ((RD, calibration.rd_alone), (WR, calibration.wr_alone)) if good]
        framing = (MREQ if self._frames else np.uint16(0)) | (IORQ if self._io_frames else np.uint16(0))
        self._framing = np.uint16(framing)
        self._blindness = Blindness((framing or RD | WR) | (CLK if calibration.counts_clock else np.uint16(0)))
        self._clock_blindness = Blindness(CLK)
        t = calibration.t_ticks or 0.0
        sample = calibration.sample_ticks
        self._glitch = max(0.0, GLITCH_T * t - 0.25 * sample)
        self._gap = max(0.0, min(GAP_GLITCH_T * t - 0.1 * sample, max(GAP_GLITCH_SAMPLES * sample, GAP_GLITCH_FLOOR_T * t)))
        if not calibration.joins_gaps:
            self._gap = 0.0
        self._lead = int(DATA_LEAD_SAMPLES * sample)
        self._after = int(t)
        self._hold = int(HOLD_BACK_T * t) + 1
        self._longest = int(LONGEST_REQUEST_T * (t or 10 * sample))
        self._has_data = not captured.isdisjoint(DATA)
        self._tells_refresh = "RFSH" in captured
        self._has_bus_lines = "BUSACK" in captured or "RESET" in captured
        self._times = np.empty(0, np.int64)
        self._words = np.empty(0, np.uint64)
        self._unknown: Words | None = None
        self._settled = -NEVER  # requests that start before this have been handed out
        self._open = {BUSACK: -1, RESET: -1}
        self._first = True
        self._under_way = self._frames  #: a pulse of /MREQ may have been when the capture began, and its end has not come

    def feed(self, times: Int, words: Words, unknown: Words | None, final: bool = False) -> BlockEvents:
        """Take a block (see capture.vcd.Block) and return what is settled; with final=True all that is left."""
        seen = len(self._times)
        blind, no_clock = (each.feed(times, unknown, final) for each in (self._blindness, self._clock_blindness))
        if unknown is not None or self._unknown is not None:
            left = self._unknown if self._unknown is not None else np.zeros(seen, np.uint64)
            right = unknown if unknown is not None else np.zeros(len(words), np.uint64)
            unknown = np.concatenate([left, right])
        times, words = np.concatenate([self._times, times]), np.concatenate([self._words, words])
        if not len(times):
            return BlockEvents(Requests.empty(), NO_TIMES, [], [], self._open[RESET], 0, blind, self._blindness.since, no_clock)
        control = words.view("<u2")[0::4] | self._idle
        changed = control[1:] ^ control[:-1]
        rising = changed & control[1:] & CLK != 0
        hidden = None
        if unknown is not None:
            hidden = unknown.view("<u2")[0::4]
            rising &= hidden[:-1] & CLK == 0  # out of the unknown is no edge
        rises = np.flatnonzero(rising) + 1
        clock_rises = times[rises[np.searchsorted(rises, seen) :]]
        at = np.flatnonzero(changed & WATCHED != 0) + 1
        events = _Events(times, at, np.append(times[at], NEVER), changed[at - 1], control[at], hidden)
        limit = int(times[-1]) if final else int(times[-1]) - self._hold
        first_release = self._first_release(events, control[0]) if self._under_way else None
        grants, resets = self._slow_lines(events, int(control[0]), seen, int(times[-1]), final)
        requests, cut, spikes = self._requests(events, control, words, unknown, limit, final)
        self._keep_tail(times, words, unknown, cut)
        since = self._blindness.since
        return BlockEvents(requests, clock_rises, grants, resets, self._open[RESET], spikes, blind, since, no_clock, first_release)

    def _first_release(self, events: _Events, first: np.uint16) -> int | None:
        """Return where a pulse of /MREQ ended that was under way when the capture began, None where not here.

        first: levels at the start.
        """
        if self._first and first & MREQ:
            self._under_way = False
            return None
        ends = np.flatnonzero(events.changed & events.levels & MREQ)
        if not len(ends):
            return None
        self._under_way = False
        seen = events.hidden is None or not events.hidden[events.at[ends[0]]] & MREQ
        return int(events.times[ends[0]]) if seen else None

    def _slow_lines(
        self, events: _Events, first: int, seen: int, end: int, final: bool
    ) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        found: dict[np.uint16, list[tuple[int, int]]] = {BUSACK: [], RESET: []}
        if not self._has_bus_lines:
            return [], []
        for bit in (BUSACK, RESET):
            if self._first and not first & bit:
                self._open[bit] = int(events.all_times[0])
            for k in np.flatnonzero(events.changed & bit != 0):
                if events.at[k] < seen:
                    continue  # an event of the tail, handled with its own block
                time = int(events.times[k])
                if not events.levels[k] & bit:
                    self._open[bit] = time
                elif self._open[bit] >= 0:
                    found[bit].append((self._open[bit], time))
                    self._open[bit] = -1
            if final and self._open[bit] >= 0:
                found[bit].append((self._open[bit], end))
        self._first = False
        return found[BUSACK], found[RESET]

    def _requests(
        self,
        events: _Events,
        control: Control,
        words: Words,
        unknown: Words | None,
        limit: int,
        final: bool,
    ) -> tuple[Requests, int, int]:
        """Return the settled requests, the index of the first event that the next block still needs, and the spikes dropped."""
        last = len(events.all_times)
        parts, spikes, need = self._pulses(events, limit, final)
        line = np.concatenate([np.full(len(f), code, np.uint8) for code, f, _ in parts])
        falls = np.concatenate([f for _, f, _ in parts])
        rises = np.concatenate([r for _, _, r in parts])
        order = np.argsort(falls, kind="stable")
        line, falls, rises = line[order], falls[order], rises[order]
        fall = events.times[falls]
        if not final:
            unsettled = events.times[rises] >= need
            if unsettled.any():
                need = min(need, int(fall[unsettled].min()))
            # Every request that starts before `need` is settled.
        else:
            need = NEVER
        ready = (fall >= self._settled) & (fall < need)
        dropped = np.concatenate(spikes)
        count = int(np.count_nonzero((dropped >= self._settled) & (dropped < need)))
        self._settled = need
        requests = self._levels_of(line[ready], falls[ready], rises[ready], events, control, words, unknown)
        cut = max(0, int(np.searchsorted(events.all_times, need, "left")) - 1) if not final else last
        return requests, cut, count

    def _pulses(self, events: _Events, limit: int, final: bool) -> tuple[list[tuple[int, Int, Int]], list[Int], int]:
        """Return (line, falls, rises) of the pulses that frame requests, the spikes dropped, and the earliest time that must be kept.

        falls, rises: positions among the strobe events.
        """
        parts: list[tuple[int, Int, Int]] = [(LINE_MREQ, NO_TIMES, NO_TIMES)]  # where nothing frames requests there are none
        spikes = [NO_TIMES]
        need = limit  # the earliest time that must be kept
        for code, bit in self._lines:
            falls, rises, dropped, open_at = self._line(events, bit, code == LINE_BARE, final)
            if code == LINE_IORQ and self._frames and len(falls):
                # The CPU never asserts both: an /IORQ that is low inside a memory request floats or is shorted.
                alone = events.levels[events.middle(falls, rises)] & MREQ != 0
                falls, rises = falls[alone], rises[alone]
            need = min(need, open_at)
            if code != LINE_BARE:
                spikes.append(dropped)
            parts.append((code, falls, rises))
        return parts, spikes, need

    def _levels_of(
        self,
        line: npt.NDArray[np.uint8],
        falls: Int,
        rises: Int,
        events: _Events,
        control: Control,
        words: npt.NDArray[np.uint64],
        unknown: npt.NDArray[np.uint64] | None,
    ) -> Requests:
        """Return requests with the levels of all lines at the moments at which each is read."""
        times, fall, rise = events.all_times, events.times[falls], events.times[rises]
        begin = events.at[falls]
        point = place_of(times, begin, fall + ((rise - fall) * 3 >> 2))
        latest = place_of(times, begin, np.maximum(rise - self._lead, fall)) if self._has_data else begin
        after = np.zeros(len(line), np.uint16)
        asked = line == LINE_BARE
        if self._tells_refresh:  # a known program asks whether /RFSH comes with each fetch
            asked = asked | (control[point] & M1 == 0)
        rows = np.flatnonzero(asked)
        after[rows] = control[np.searchsorted(times, rise[rows] + self._after, "right") - 1]
        return Requests(
            line,
            fall,
            rise,
            control[point],
            after,
            words[point].view("<u2")[1::4],
            words[latest].view(np.uint8)[4::8],
            np.zeros(len(line), np.uint64) if unknown is None else unknown[point] & ~_DATA | unknown[latest] & _DATA,
        )

    def _line(self, events: _Events, bit: np.uint16, bare: bool, final: bool) -> tuple[Int, Int, Int, int]:
        """Return a line's complete pulses (positions among the strobe events), where spikes were cleaned away, and a start (ticks).

        That is the start of a pulse still under way, NEVER where nothing is under way, or nothing more will come; it is the start of the
        pulse before where only a spike lies between the two.
        """
        times = events.times
        falls, rises, low_before = pulses(bit, events.changed, events.levels)
        if low_before:
            rises = rises[1:]  # its assert edge was before the capture: it can not be placed
        open_at = int(times[falls[-1]]) if len(falls) > len(rises) else NEVER
        if final or int(events.all_times[-1]) - open_at > self._longest:
            open_at = NEVER
        elif open_at != NEVER and events.hidden is not None and events.hidden[events.at[falls[-1]] - 1] & bit:
            open_at = NEVER
        last, falls = falls[len(rises) :], falls[: len(rises)]
        fits = times[rises] - times[falls] <= self._longest
        if events.hidden is not None:  # as at the ends of a capture: an edge that was not seen can not be placed
            fits &= (events.hidden[events.at[falls] - 1] | events.hidden[events.at[rises]]) & bit == 0
        if not fits.all():
            falls, rises = falls[fits], rises[fits]
        if bare:
            middle = events.middle(falls, rises)
            alone = events.levels[middle] & self._framing == self._framing
            if events.hidden is not None:  # released, and known to be
                row = place_of(events.all_times, events.at[middle], (times[falls] + times[rises]) >> 1)
                alone &= events.hidden[row] & self._framing == 0
            falls, rises = falls[alone], rises[alone]
        if open_at == NEVER:
            return *clean(times, falls, rises, self._glitch, self._gap), NEVER
        # The last of the times, which never comes, ends it.
        falls, rises, spikes = clean(times, np.append(falls, last), np.append(rises, len(times) - 1), self._glitch, self._gap)
        return falls[:-1], rises[:-1], spikes, int(times[falls[-1]])

    def _keep_tail(self, times: Int, words: Words, unknown: Words | None, cut: int) -> None:
        keep = slice(min(cut, len(times) - 1), None)
        self._times, self._words = times[keep].copy(), words[keep].copy()
        self._unknown = unknown[keep].copy() if unknown is not None and unknown[keep].any() else None


class Blindness:
    """Finds the stretches in which one of some lines, those that cycles hang on or CLK, was not known, block after block."""

    def __init__(self, lines: np.uint16) -> None:
        self._lines = lines
        self._known = CLK  #: lines that had a level: before its first one a line hides nothing but, of the clock, how long cycles took
        self.since = -1  #: where the stretch that lasts began, -1 while there is none

    def feed(self, times: Int, unknown: Words | None, final: bool) -> list[tuple[int, int]]:
        """Take a block and return the stretches that ended in it; with final=True one that still lasts too."""
        found: list[tuple[int, int]] = []
        if unknown is None:
            self._known |= self._lines
            if self.since >= 0 and len(times):
                found.append((self.since, int(times[0])))
                self.since = -1
        elif len(times):
            hidden = unknown.view("<u2")[0::4] & self._lines
            known = np.bitwise_or.accumulate(~hidden & self._lines) | self._known
            blind = np.concatenate([[self.since >= 0], hidden & known != 0])
            self._known = known[-1]
            for k in np.flatnonzero(blind[1:] != blind[:-1]).tolist():
                if blind[k + 1]:
                    self.since = int(times[k])
                else:
                    found.append((self.since, int(times[k])))
                    self.since = -1
        if final and self.since >= 0:
            found.append((self.since, NEVER))
        return found


@dataclass
class _Events:
    """Events of a block at which a watched strobe changed."""

    all_times: Int  #: times of all events of the block, ticks
    at: Int  #: index of each strobe event in the block
    times: Int  #: of the strobe events, and behind them one that never comes
    changed: Control
    levels: Control
    hidden: Control | None  #: control lines that are not known at each event of the block, None where all are

    def middle(self, falls: Int, rises: Int) -> Int:
        """Return the last strobe event up to the middle of pulses, all in positions; of other lines the levels then may be older."""
        return place_of(self.times, falls, (self.times[falls] + self.times[rises]) >> 1)
