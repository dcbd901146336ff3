"""What needs the raw levels: the shortest pulse of each line, and which line a misbehaving one follows."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT, STROBES
from ..records.evidence import BusEvidence, LineEvidence, Paused, Through
from ..records.strobes import behaviour

Int = npt.NDArray[np.int64]

FOLLOWS_SHARE = 0.7  #: share of a line's edges that must come with another line's before it is said to follow it
SEVERAL = 2  #: falls of /M1 within one low of /MREQ: a good one is let go in every fetch (UM0080)
TWIN_EDGES = 40  #: edges that two strobes must share, all of them: twenty cycles of one kind and no other do not come in a row by chance
EDGES_AROUND = 4  #: edges of a strobe before it stands still, and behind: two pulses are no spike
_NONE = np.empty(0, np.int64)
_FEW_EDGES = 16  #: edges from which the moments of two lines can be held side by side


def look_closer(evidence: BusEvidence, times: Int, words: npt.NDArray[np.uint64], tick_s: float, sample_ticks: float) -> None:
    """Fill shortest pulses and followed lines into the evidence from a stretch of the raw capture.

    times: int64, shape (n,), ticks; words: uint64, shape (n,), packed levels.
    """
    if len(times) < 2:
        return
    changed = (words[1:] ^ words[:-1]).view(np.uint8).reshape(-1, 8)
    octets = [np.ascontiguousarray(changed[:, number]) for number in range(8)]  # a byte of each word at a time: an eighth to look through
    edges: dict[str, Int] = {}
    for name in sorted(evidence.captured & set(BIT), key=BIT.__getitem__):  # of lines that lead alike the first by its place is named
        at = times[np.flatnonzero(octets[BIT[name] >> 3] & np.uint8(1 << (BIT[name] & 7)) != 0) + 1]
        edges[name] = at
        if len(at) > 1:
            evidence.lines[name].shortest_pulse_s = float(np.diff(at).min()) * tick_s
    if "M1" in edges and "MREQ" in edges:
        low = {name: not int(words[0]) >> BIT[name] & 1 for name in ("M1", "MREQ")}
        evidence.lines["MREQ"].held_through = _held_through(edges["MREQ"], low["MREQ"], edges["M1"][low["M1"] :: 2], tick_s)
    for name, other in combinations([name for name in STROBES if len(edges.get(name, ())) >= TWIN_EDGES], 2):
        # /M1 and /RFSH take turns at each edge in a program that only fetches (UM0080).
        apart = (int(words[0]) >> BIT[name] ^ int(words[0]) >> BIT[other]) & 1
        if not apart and np.array_equal(edges[name], edges[other]):
            evidence.lines[name].twin, evidence.lines[other].twin = other, name
    _find_pauses(evidence, edges, tick_s)
    for name in STROBES:
        count = evidence.strobes.get(name)
        line = evidence.lines.get(name)
        if count is None or line is None or name not in edges or len(edges[name]) < _FEW_EDGES:
            continue
        seen = behaviour(line, count)
        if seen is not None and seen.kind == "unrelated":
            _find_leader(line, edges, int(1.5 * sample_ticks))


def _find_pauses(evidence: BusEvidence, edges: dict[str, Int], tick_s: float) -> None:
    """Note the longest stretch in which each strobe stood still, where another one went on meanwhile."""
    for name in STROBES:
        own = edges.get(name, _NONE)
        steps = np.diff(own)
        if len(own) < _FEW_EDGES:
            continue
        k = int(steps.argmax())
        if not EDGES_AROUND <= k + 1 <= len(own) - EDGES_AROUND:
            continue  # it hardly moved before, or hardly does behind
        inside = [np.searchsorted(other, own[k : k + 2]) for line, other in edges.items() if line in STROBES and line != name]
        falls = max((int(high - low) // 2 for low, high in inside), default=0)
        if falls:
            evidence.lines[name].paused = Paused(float(own[k] * tick_s), float(own[k + 1] * tick_s), falls)


def _held_through(own: Int, begins_low: bool, falls: Int, tick_s: float) -> Through | None:
    """Return the lows of a line in which another one fell several times, None where there are none.

    own: edges of the line; falls: of the other one. Lows whose begin or end was not captured do not count.
    """
    at = np.searchsorted(own, falls)
    inside = (at % 2 != begins_low) & (at > 0) & (at < len(own))
    number = np.bincount(at[inside], minlength=1)
    held = np.flatnonzero(number >= SEVERAL)
    if not len(held):
        return None
    return Through(int(number[held].sum()), len(held), float(own[held[0] - 1] * tick_s), float(own[held[-1]] * tick_s))


def _find_leader(line: LineEvidence, edges: dict[str, Int], reach: int) -> None:
    """Find the line whose edges this one repeats most faithfully, among those that do not simply move all the time."""
    own = edges[line.line]
    best, best_score = None, 0.0
    for name, others in edges.items():
        if name == line.line or len(others) < _FEW_EDGES:
            continue
        near = _share_near(own, others, reach)
        back = _share_near(others, own, reach)
        if near >= FOLLOWS_SHARE and near * back > best_score:
            best, best_score = name, near * back
    if best is not None:
        line.follows = best


def _share_near(edges: Int, others: Int, reach: int) -> float:
    after = np.searchsorted(others, edges)
    left = np.abs(edges - others[np.maximum(after - 1, 0)])
    right = np.abs(edges - others[np.minimum(after, len(others) - 1)])
    return float(np.mean(np.minimum(left, right) <= reach))
