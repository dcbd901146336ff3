"""What needs the raw levels: the shortest pulse of each line, and which line a misbehaving one follows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT, STROBES
from ..records.evidence import BusEvidence, LineEvidence
from ..records.strobes import behaviour

Int = npt.NDArray[np.int64]

FOLLOWS_SHARE = 0.7  #: share of a line's edges that must come with another line's before it is said to follow it
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
    for name in STROBES:
        count = evidence.strobes.get(name)
        line = evidence.lines.get(name)
        if count is None or line is None or name not in edges or len(edges[name]) < _FEW_EDGES:
            continue
        seen = behaviour(line, count)
        if seen is not None and seen.kind == "unrelated":
            _find_leader(line, edges, int(1.5 * sample_ticks))


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
