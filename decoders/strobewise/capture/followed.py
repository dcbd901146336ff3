"""What every reader that follows channels from block to block can say of them while it reads."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from typing import Optional

import numpy as np
import numpy.typing as npt

from ..records.volts import AnalogLevels
from .records import BitAssignment, BitStatistics, Block, Header, Times
from .vcd.state import BodyState, Layout, VoltsWatch


class Followed:
    """The part of a capture (interface.Capture) that its state answers. A reader says how to begin, and yields its blocks."""

    header: Header
    _layout: Optional[Layout] = None
    _state: Optional[BodyState] = None
    _kept: Optional[tuple[list[BitAssignment], Iterator[Block]]] = None
    volts_watch: Optional[VoltsWatch] = None  #: of a CSV or a session file; set before `blocks` is asked

    @abstractmethod
    def _rewind(self) -> None:
        """Go to the first sample. Raises CaptureError where that cannot be read a second time."""

    @abstractmethod
    def _blocks(self, layout: Layout, state: BodyState) -> Iterator[Block]:
        """Yield the samples from the first one on. Raises CaptureError, OSError."""

    def blocks(self, assignment: Iterable[BitAssignment]) -> Iterator[Block]:
        """Read the samples; a row for each time at which a level changes, and for the last. Again for a file, once for a pipe.

        Raises CaptureError for a damaged file, ValueError for an assignment that the channels do not allow.
        """
        assigned = list(assignment)
        kept, self._kept = self._kept, None
        if kept is not None and kept[0] == assigned:
            return kept[1]
        layout = Layout(self.header, assigned)
        self._rewind()
        self._layout, self._state = layout, BodyState(layout)
        self._state.volts_watch = self.volts_watch
        return self._blocks(layout, self._state)

    def keep(self, assignment: Iterable[BitAssignment], blocks: Iterator[Block]) -> None:
        """Take back blocks that were read to look at: whoever asks next, for the same bits, gets these and reads nothing twice."""
        self._kept = list(assignment), blocks

    @property
    def start_time(self) -> Optional[int]:
        """Return the first time of the capture in ticks (negative before a scope's trigger), None before it was read."""
        return self._state.start_time if self._state else None

    @property
    def end_time(self) -> Optional[int]:
        """Return the last time read so far in ticks; after reading, the end of the capture, with or without a change."""
        return self._state.time if self._state else None

    def channel_statistics(self) -> Mapping[tuple[str, int], BitStatistics]:
        """Return what every bit of every channel did up to now, by id code and position (0 = rightmost)."""
        if self._state is None or self._layout is None:
            return {}
        return self._state.statistics(self._layout)

    def analog_levels(self) -> dict[str, AnalogLevels]:
        """Return the levels of every channel of volts that had a sample, by identifier code."""
        if self._state is None:
            return {}
        return {code.decode("latin-1"): record.result() for code, record in self._state.volts.items() if record.samples}


def account(state: BodyState, bit: int, levels: npt.NDArray[np.int8], times: Times) -> None:
    """Keep the account of one bit of volts; levels int8 (n,), -1 for those before the first decided one."""
    decided = np.flatnonzero(levels >= 0)
    if not len(decided):
        return
    if not state.bit_seen[bit]:
        first = int(decided[0])
        state.known[bit] -= times[first]
        state.high[bit] -= times[first] * levels[first]
        state.bit_level[bit], state.bit_known[bit], state.bit_seen[bit] = levels[first], True, True
    levels, times = levels[decided], times[decided]
    changes = np.diff(levels, prepend=np.int8(state.bit_level[bit]))
    state.edges[bit] += np.count_nonzero(changes)
    state.high[bit] -= np.sum(times * changes)
    state.bit_level[bit] = levels[-1]
