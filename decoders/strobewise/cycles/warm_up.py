"""The first stretch of a capture, held until it settles the length of a T-state and which strobes frame the requests.

The stretch and the shares taken from it are those of the streaming engine (stream/warm_up.py), so that both calibrate alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

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
from ..bus.lines import BIT, idle_word
from ..capture.grid import estimate_sample_interval
from ..capture.records import Block
from .pulses import Control, Int, pulses
from .requests import BUSACK, CLK, IORQ, MREQ, RD, RESET, WR

Pulses = list[Pulse]

HELD_EVENTS = 8_192  #: events before the first strobe edge that stay, so that its clock edges are known
M1, RFSH = np.uint16(1 << BIT["M1"]), np.uint16(1 << BIT["RFSH"])
_STROBES = MREQ | IORQ | RD | WR | M1 | RFSH
NONE = np.uint16(0)


def _changes(control: Control) -> Control:
    """Return the bits that changed at each event; none at the first."""
    changed = np.zeros(len(control), np.uint16)
    np.bitwise_xor(control[1:], control[:-1], out=changed[1:])
    return changed


class _Stretch(NamedTuple):
    """The events that the calibration looks at."""

    changed: Control
    control: Control
    times: Int
    hidden: Control | None  #: lines that are not known at each event, or were not before it; None where all are

    def pulses(self, bit: np.uint16, beside: np.uint16 = NONE) -> Pulses:
        """Return the first pulses of a line. beside: lines that must be known at their begin, in their middle and at their end."""
        falls, rises, low_before = pulses(bit, self.changed, self.control)
        rises = rises[int(low_before) :]
        n = min(len(falls), len(rises))
        starts, ends = self.times[falls[:n]], self.times[rises[:n]]
        if beside and self.hidden is not None:
            looks = [self.hidden[np.searchsorted(self.times, at, "right") - 1] for at in (starts, (starts + ends) >> 1, ends)]
            known = np.bitwise_or.reduce(looks, axis=0) & beside == 0
            starts, ends = starts[known], ends[known]
        most = 2 * PULSES_WANTED
        return list(zip(starts[:most].tolist(), ends[:most].tolist(), strict=True))


def _joined(blocks: list[Block]) -> Block:
    """Return the events of all blocks as one."""
    if len(blocks) == 1:
        return blocks[0]
    unknown = None
    if any(block.unknown is not None for block in blocks):
        unknown = np.concatenate([np.zeros(len(b.words), np.uint64) if b.unknown is None else b.unknown for b in blocks])
    return Block(np.concatenate([b.times for b in blocks]), np.concatenate([b.words for b in blocks]), unknown)


@dataclass
class WarmUp:
    """The first stretch of a capture, held until its time base is settled."""

    captured: frozenset[str]
    base: TimeBase = field(default_factory=TimeBase)
    grid_found: bool = False  #: the sample grid was found in the times
    held: list[Block] = field(default_factory=list)  #: the events that were not let go, one block or two

    def add(self, block: Block) -> tuple[Int, bool]:
        """Hold one more block; return the rising clock edges (ticks) among events let go, and whether there is enough to calibrate."""
        self.held = [_joined([*self.held, block])]
        control, _ = self._control()
        changed, hidden = self._known_changes(_changes(control))
        first, _, complete = self._prefix(changed, hidden)
        gone = self._let_go(first if (changed & _STROBES).any() else len(changed))
        return gone, complete

    def _let_go(self, first: int) -> Int:
        """Forget what was before any strobe moved, but for the last events, and where a grant or a reset began or ended.

        first: events before the first strobe edge. Returns the rising clock edges among those that are forgotten. What is left never
        depends on how the capture came in blocks.
        """
        upto = first - HELD_EVENTS
        if upto <= 1:
            return np.empty(0, np.int64)
        times, words, unknown = self.held[0]
        control = words.view("<u2")[0::4]
        changed = _changes(control[:upto])
        rises = np.flatnonzero(changed & control[:upto] & CLK)
        keep = changed & (BUSACK | RESET) != 0
        keep[0] = True
        # Among those that stay the clock stands as it did before the events that follow: it rises where it did, and nowhere else.
        slow = words[:upto][keep] & ~np.uint64(CLK) | words[upto - 1] & np.uint64(CLK)
        self.held = [
            Block(
                np.concatenate([times[:upto][keep], times[upto:]]),
                np.concatenate([slow, words[upto:]]),
                None if unknown is None else np.concatenate([unknown[:upto][keep], unknown[upto:]]),
            )
        ]
        return times[rises]

    def _prefix(self, changed: Control, hidden: Control | None) -> tuple[int, int, bool]:
        """Return the stretch of events that the calibration looks at, (first, end), and whether it is complete.

        It runs from the first strobe edge until there are enough clock edges, and strobe edges at which /MREQ is known, or too many
        events; never does it depend on how the capture came in blocks.
        """
        strobes = np.flatnonzero(changed & _STROBES)
        if not len(strobes):
            return 0, len(changed), False
        first = max(0, int(strobes[0]) - 1)
        if hidden is not None:
            strobes = strobes[hidden[strobes] & MREQ == 0]
        ends = [int(strobes[STROBE_EDGES_WANTED]) + 1 if len(strobes) > STROBE_EDGES_WANTED else None]
        if "CLK" in self.captured:
            clocks = np.flatnonzero(changed[first + 2 :] & CLK)  # those behind the first strobe edge
            ends.append(first + int(clocks[2 * CLOCK_EDGES_WANTED]) + 3 if len(clocks) > 2 * CLOCK_EDGES_WANTED else None)
        complete = [end for end in ends if end is not None]
        limit = first + WARM_UP_EVENTS
        if len(complete) == len(ends):
            return first, min(max(complete), limit), True
        return first, min(len(changed), limit), len(changed) >= limit

    def _known_changes(self, changed: Control) -> tuple[Control, Control | None]:
        """Return what changed at each event, `changed`, less what was not known before or is not behind it, and that; None: nothing."""
        unknown = _joined(self.held).unknown
        if unknown is None:
            return changed, None
        hidden = unknown.view("<u2")[0::4].copy()
        hidden[1:] |= hidden[:-1].copy()
        known = changed.copy()
        known[1:] &= ~hidden[1:]
        return known, hidden

    def _control(self) -> tuple[Control, Int]:
        idle = np.uint16(idle_word(self.captured))
        words = np.concatenate([block.words for block in self.held])
        times = np.concatenate([block.times for block in self.held])
        return words.view("<u2")[0::4] | idle, times

    def settle(self) -> tuple[Calibration, bool]:
        """Return the calibration, and whether /BUSACK can be believed (False: it is low although the CPU fetches)."""
        control, times = self._control()
        known, hidden = self._known_changes(_changes(control))
        first, end, _ = self._prefix(known, hidden)
        control, times = control[first:end], times[first:end]
        # The event before the first strobe edge only says what the strobes were: the streaming engine does not look at more before it.
        grid = None if self.base.clocked else estimate_sample_interval(times[1:], self.base.timescale_fs)
        sample = grid.interval if grid is not None else 1.0
        changed = _changes(control)
        changed[1:2] &= _STROBES
        look = _Stretch(changed, control, times, None if hidden is None else hidden[first:end])
        rises = times[np.flatnonzero(changed & control & CLK)[:CLOCK_EDGES_WANTED]]
        mreq, rd, wr = (look.pulses(bit) for bit in (MREQ, RD, WR))
        calibration = calibrate(
            [int(t) for t in rises],
            mreq,
            look.pulses(RFSH),
            look.pulses(M1),
            rd,
            sample,
            self.base,
            self._framed(look, sample),
            self._proper_io(look),
            _share(rd, look, WR | RFSH),
            _share(wr, look, RD | M1 | RFSH),
            wr,
        )
        self.grid_found = grid is not None and calibration.sample_ticks >= grid.interval
        return calibration, self._busack_valid(mreq, look, calibration)

    def _framed(self, look: _Stretch, sample: float) -> float:
        if not self.captured.issuperset(("MREQ", "RD")):
            return 1.0  # nothing else could frame the requests
        shares = []
        # /M1 falls, and /RFSH rises, while /MREQ is released; in the middle of both pulses it is asserted.
        for bit, edge in ((M1, 0), (RFSH, 1)):
            found = look.pulses(bit, MREQ)
            if len(found) >= FEW_PULSES:
                inside = 1.0 - _share(found, look, MREQ | IORQ)
                shares.append(min(inside, _released(found, edge, look)))
        # /RD falls with /MREQ, which was released before.
        found = look.pulses(RD, MREQ)
        if len(found) >= FEW_PULSES:
            inside = 1.0 - _share(found, look, MREQ | IORQ)
            earlier = before_reads(found, sample)
            before = [(start - earlier, end) for start, end in found]
            shares.append(min(inside, _released(before, 0, look)))
        return max(shares, default=1.0)

    def _proper_io(self, look: _Stretch) -> float:
        direction = RD | WR | M1
        iorq = look.pulses(IORQ, MREQ | direction)
        if len(iorq) < FEW_PULSES or not self.captured.issuperset(("MREQ", "RD", "WR")):
            return 1.0
        levels = _levels(iorq, look)
        return float(np.mean((levels & MREQ != 0) & (levels & direction != direction)))

    def _busack_valid(self, mreq: Pulses, look: _Stretch, calibration: Calibration) -> bool:
        if "BUSACK" not in self.captured or calibration.t_ticks is None:
            return True
        granted = [pulse for pulse in mreq if not look.control[np.searchsorted(look.times, pulse[0], "right") - 1] & BUSACK]
        return believes_grant(granted, calibration.t_ticks)


def _levels(found: Pulses, look: _Stretch) -> Control:
    """Return the control words in the middle of pulses."""
    middles = np.array([(start + end) >> 1 for start, end in found], np.int64)
    return look.control[np.searchsorted(look.times, middles, "right") - 1]


def _share(found: Pulses, look: _Stretch, released: np.uint16) -> float:
    """Return the share of pulses in whose middle all these lines are released; 1 from too few pulses."""
    if len(found) < FEW_PULSES:
        return 1.0
    return float(np.mean(_levels(found, look) & released == released))


def _released(found: Pulses, edge: int, look: _Stretch) -> float:
    """Return the share of pulses at whose start (0) or end (1) /MREQ is released."""
    at = np.array([pulse[edge] for pulse in found], np.int64)
    return float(np.mean(look.control[np.maximum(np.searchsorted(look.times, at, "right") - 1, 0)] & MREQ != 0))
