"""What the user says about a capture and the machine that it was taken from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Options:
    """What the user says about a capture and the machine that it was taken from."""

    maps: tuple[str, ...] = ()  #: LINE=CHANNEL or LINE=!CHANNEL
    map_file: str | None = None
    clock_hz: float | None = None
    profile: Any = None  #: profile.MachineProfile
    roms: tuple[tuple[str, int, bytes], ...] = ()  #: (file, address of its first byte, content)
    probe_at: dict[str, str] = field(default_factory=dict)  #: LINE -> "cpu" or "connector"

    @property
    def nominal_hz(self) -> float | None:
        """The clock that the machine should have, Hz."""
        return self.clock_hz or getattr(self.profile, "clock_hz", None)

    @property
    def extra_lines(self) -> tuple[str, ...]:
        """Lines of the machine's own that its profile declares."""
        return tuple(line.name for line in getattr(self.profile, "lines", ()))
