"""When each strobe moved for the last time, and what the others did from then on: a strobe that stops while the CPU works has died."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT, FETCH_LINES, STROBES
from ..records.evidence import Stays

Int = npt.NDArray[np.int64]
Control = npt.NDArray[np.uint16]

NEAR = 256  #: events at the end of a block among which the last edge of a strobe that is alive is looked for first


class LastEdges:
    """Follows the strobes through the blocks of a capture."""

    def __init__(self, captured: frozenset[str]) -> None:
        self._bits = {name: np.uint16(1 << BIT[name]) for name in STROBES if name in captured}
        self._last: dict[str, int] = {}  #: by strobe: the tick of its last edge
        self._tail: dict[str, Control] = {}  #: by strobe: what changed behind that edge in its block
        self._since: dict[str, dict[str, int]] = {}  #: by strobe: edges of the others in the blocks since
        self._known: dict[str, int] = {}  #: by strobe that was not known at some time: the tick from which it is again
        self._hidden: set[str] = set()  #: strobes that are not known now
        self._word = 0

    def feed(self, times: Int, control: Control, changed: Control, moved: int, unknown: Control | None = None) -> None:
        """Take a block: its ticks, levels behind each event, what changed with it and what at all, and which levels are not known."""
        self._word = int(control[-1])
        if unknown is not None or self._hidden:
            self._hide(times, np.zeros(1, np.uint16) if unknown is None else unknown)
        for name, bit in self._bits.items():
            if moved & int(bit):
                at = _last(changed, bit)
                self._last[name] = int(times[at])
                self._tail[name], self._since[name] = changed[at + 1 :], {}  # counted only where nothing of its own follows
            elif name in self._last:
                for other, edges in self._edges(changed).items():
                    self._since[name][other] = self._since[name].get(other, 0) + edges

    def _hide(self, times: Int, unknown: Control) -> None:
        for name, bit in self._bits.items():
            at = np.flatnonzero(unknown & bit)
            if len(at) and at[-1] == len(times) - 1:
                self._hidden.add(name)
            elif len(at) or name in self._hidden:
                self._known[name] = int(times[at[-1] + 1 if len(at) else 0])
                self._hidden.discard(name)

    def _edges(self, changed: Control) -> dict[str, int]:
        return {name: int(np.count_nonzero(changed & bit)) for name, bit in self._bits.items()}

    def stays(self, tick_s: float) -> dict[str, Stays]:
        """Return the strobes behind whose last edge others went on; an edge is one between two levels that were known."""
        found = {}
        for name, blocks in self._since.items():
            if name in self._hidden or self._last[name] <= self._known.get(name, -1):
                continue
            since = {line: edges + blocks.get(line, 0) for line, edges in self._edges(self._tail[name]).items()}
            other = max(since, key=since.__getitem__, default=None)
            if other is not None and since[other] > 1:
                fetches = max(since.get(line, 0) for line in FETCH_LINES) // 2
                high = bool(self._word & int(self._bits[name]))
                found[name] = Stays(high, self._last[name] * tick_s, other, since[other] // 2, fetches)
        return found


def _last(changed: Control, bit: np.uint16) -> int:
    """Return the index of the last event that changed a line which changed at all."""
    late = np.flatnonzero(changed[-NEAR:] & bit)
    if len(late):
        return int(late[-1]) + max(0, len(changed) - NEAR)
    return int(np.flatnonzero(changed & bit)[-1])
