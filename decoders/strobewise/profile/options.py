"""What the user says about a capture and the machine that it was taken from."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from ..bus.model import LeadPlace
from ..files.reading import TooLarge, read_named
from ..records.profile import Profile

ADDRESS_SPACE = 1 << 16


@dataclass(frozen=True)
class Options:
    """What the user says about a capture and the machine that it was taken from."""

    maps: tuple[str, ...] = ()  #: LINE=CHANNEL or LINE=!CHANNEL
    map_file: str | None = None
    clock_hz: float | None = None
    profile: Profile | None = None
    roms: tuple[tuple[str, int, bytes], ...] = ()  #: (file, address of its first byte, content)
    probe_at: dict[str, LeadPlace] = field(default_factory=dict)  #: by line; "cpu" for those that are not in it
    stimulus: bool = False  #: the machine runs the test program for its memory map
    replay: bool = True  #: run the program beside the capture where it is known

    @property
    def nominal_hz(self) -> float | None:
        """The clock that the machine should have, Hz."""
        return self.clock_hz or (self.profile.clock_hz if self.profile is not None else None)

    @property
    def program_known(self) -> bool:
        """Whether the machine's program is given, and may be replayed beside the capture."""
        if not self.replay:
            return False
        told = self.stimulus or getattr(self.profile, "stimulus", None) is not None
        return told or bool(self.roms or any(region.contents for region in getattr(self.profile, "memory", ())))

    @property
    def extra_lines(self) -> tuple[str, ...]:
        """Lines of the machine's own that its profile declares."""
        return tuple(line.name for line in self.profile.lines) if self.profile is not None else ()


def read_rom(path: Path, address: int) -> bytes:
    """Return the content of a ROM that starts at an address; no more is read than 64 K could hold.

    Raises ValueError, which says what is wrong, where it is empty or does not fit; OSError.
    """
    if not 0 <= address < ADDRESS_SPACE:
        raise ValueError(f"{address:#06x} is beyond the 64 K that the CPU can address")
    try:
        content = read_named(path, ADDRESS_SPACE - address)
    except TooLarge as error:
        raise ValueError(f"{error}, which do not fit into 64 K from {address:#06x}") from None
    if not content:
        raise ValueError("the file is empty")
    return content
