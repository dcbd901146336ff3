"""The first stretch of a capture: held until it settles the length of a T-state and which strobes frame the requests.

The stretch and the shares taken from it are those of the numpy engine (cycles/warm_up.py), so that both calibrate alike.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Dict, FrozenSet, List, Sequence, Tuple

from ..bus.calibration import (
    CLOCK_EDGES_WANTED,
    PULSES_WANTED,
    STROBE_EDGES_WANTED,
    WARM_UP_EVENTS,
    Calibration,
    TimeBase,
    believes_grant,
    calibrate,
)
from ..bus.estimates import FEW_PULSES, Pulse, before_reads
from ..bus.lines import MASK
from ..bus.lines import STROBES as STROBE_NAMES
from .grid import estimate_sample_interval
from .records import BUSACK, CLK, IORQ, M1, MREQ, RD, RFSH, WR

STROBES = M1 | MREQ | IORQ | RD | WR | RFSH
_MOST = 2 * PULSES_WANTED  #: pulses of a line that are looked at


class WarmUp:
    """Holds events until there is enough to calibrate."""

    def __init__(self, captured: FrozenSet[str], base: TimeBase) -> None:
        """captured: canonical names. base: what is known of the time base."""
        self._captured = captured
        self._base = base
        self._before = 0  #: control word before the first strobe edge
        self._times: List[int] = []  #: from the first strobe edge on
        self._control: List[int] = []
        self._hidden: List[int] = []  #: lines that are not known at each of these events, or were not before it
        self._is_hidden = False  #: there is one
        self._strobe_edges = 0
        self._clock_edges = 0
        self.pulses: Dict[str, int] = {}  #: pulses of each strobe, and rising edges of CLK, once it is settled

    @property
    def begun(self) -> bool:
        """Whether a strobe has moved."""
        return bool(self._times)

    def add(self, time: int, control: int, before: int, unknown: int = 0) -> bool:
        """Take an event: the control word, idle lines filled in, and the one before it; True when there is enough to calibrate.

        unknown: lines whose level was not known before or is not known now; they did not move.
        """
        changed = (control ^ before) & ~unknown
        if not self._times:
            if not changed & STROBES:
                return False
            self._before = control & ~STROBES | before & STROBES
        elif changed & CLK:
            self._clock_edges += 1
        self._times.append(time)
        self._control.append(control)
        self._hidden.append(unknown)
        self._is_hidden = self._is_hidden or unknown != 0
        if changed & STROBES and not unknown & MREQ:
            self._strobe_edges += 1
        enough = self._strobe_edges > STROBE_EDGES_WANTED
        if enough and "CLK" in self._captured:
            enough = self._clock_edges > 2 * CLOCK_EDGES_WANTED
        return enough or len(self._times) >= WARM_UP_EVENTS - 1

    def take_all(self, times: Sequence[int], control: Sequence[int]) -> None:
        """Take what was held of a capture in which no strobe ever moved: CLK alone settles the time base then."""
        if len(times) > 1:
            self._before = control[1] & ~STROBES | control[0] & STROBES
            self._times, self._control, self._hidden = list(times[1:]), list(control[1:]), [0] * (len(times) - 1)

    def settle(self) -> Tuple[Calibration, bool]:
        """Return the calibration, and whether /BUSACK can be believed (False: it is low although the CPU fetches)."""
        interval = None if self._base.clocked else estimate_sample_interval(self._times, self._base.timescale_fs)
        sample = interval if interval is not None else 1.0
        found, rises = self._edges()
        self.pulses = {**{name: len(found[MASK[name]]) for name in STROBE_NAMES}, "CLK": len(rises)}
        framed, proper_io = self._framed(found, sample), self._proper_io(found[IORQ])
        found = {bit: pulses[:_MOST] for bit, pulses in found.items()}
        calibration = calibrate(
            rises[:CLOCK_EDGES_WANTED],
            found[MREQ],
            found[RFSH],
            found[M1],
            found[RD],
            sample,
            self._base,
            framed,
            proper_io,
            self._share(found[RD], WR | RFSH),
            self._share(found[WR], RD | M1 | RFSH),
            found[WR],
        )
        return calibration, self._busack_valid(found[MREQ], calibration)

    def _edges(self) -> Tuple[Dict[int, List[Pulse]], List[int]]:
        """Return each strobe's complete pulses, and the rising clock edges."""
        found: Dict[int, List[Pulse]] = {bit: [] for bit in (M1, MREQ, IORQ, RD, WR, RFSH)}
        fell: Dict[int, int] = {}
        rises: List[int] = []
        before = self._before
        for time, control in zip(self._times, self._control):
            changed = control ^ before
            before = control
            if changed & control & CLK:
                rises.append(time)
            if not changed & STROBES:
                continue
            for bit, pulses in found.items():
                if changed & bit:
                    if not control & bit:
                        fell[bit] = time
                    elif bit in fell:
                        pulses.append((fell.pop(bit), time))
        return found, rises

    def _beside(self, found: Sequence[Pulse], lines: int) -> Sequence[Pulse]:
        """Return the first pulses at whose begin, in whose middle and at whose end these lines are known."""
        if self._is_hidden:
            found = [pulse for pulse in found if not self._unknown_in(pulse) & lines]
        return found[:_MOST]

    def _unknown_in(self, pulse: Pulse) -> int:
        start, end = pulse
        unknown = 0
        for time in (start, (start + end) >> 1, end):
            unknown |= self._hidden[bisect_right(self._times, time) - 1]
        return unknown

    def _level(self, time: int) -> int:
        at = bisect_right(self._times, time) - 1
        return self._control[at] if at >= 0 else self._before

    def _share(self, found: Sequence[Pulse], released: int) -> float:
        """Return the share of pulses in whose middle all these lines are released; 1 from too few pulses."""
        if len(found) < FEW_PULSES:
            return 1.0
        return sum(1 for start, end in found if self._level((start + end) >> 1) & released == released) / len(found)

    def _framed(self, found: Dict[int, List[Pulse]], sample: float) -> float:
        if not self._captured.issuperset(("MREQ", "RD")):
            return 1.0  # nothing else could frame the requests
        shares = []
        # /M1 falls, and /RFSH rises, while /MREQ is released; /RD falls with /MREQ, which was released before. In their middle it is
        # asserted.
        for bit, edge in ((M1, 0), (RFSH, 1), (RD, 0)):
            pulses = self._beside(found[bit], MREQ)
            if len(pulses) >= FEW_PULSES:
                earlier = before_reads(pulses, sample) if bit == RD else 0
                released = sum(1 for pulse in pulses if self._level(pulse[edge] - earlier) & MREQ) / len(pulses)
                shares.append(min(1.0 - self._share(pulses, MREQ | IORQ), released))
        return max(shares, default=1.0)

    def _proper_io(self, iorq: Sequence[Pulse]) -> float:
        direction = RD | WR | M1
        iorq = self._beside(iorq, MREQ | direction)
        if len(iorq) < FEW_PULSES or not self._captured.issuperset(("MREQ", "RD", "WR")):
            return 1.0
        levels = [self._level((start + end) >> 1) for start, end in iorq]
        return sum(1 for level in levels if level & MREQ and level & direction != direction) / len(levels)

    def _busack_valid(self, mreq: Sequence[Pulse], calibration: Calibration) -> bool:
        if "BUSACK" not in self._captured or calibration.t_ticks is None:
            return True
        granted = [pulse for pulse in mreq if not self._level(pulse[0]) & BUSACK]
        return believes_grant(granted, calibration.t_ticks)
