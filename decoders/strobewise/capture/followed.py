"""What every reader that follows channels from block to block can say of them while it reads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Optional

from ..records.volts import AnalogLevels
from .records import BitStatistics
from .vcd.state import BodyState, Layout


class Followed:
    """The part of a capture (interface.Recording) that its state answers."""

    _layout: Optional[Layout] = None
    _state: Optional[BodyState] = None

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
