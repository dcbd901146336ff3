"""What the user says about a capture and the machine that it was taken from."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from ..bus.clocked import EDGES
from ..bus.model import LeadPlace
from ..files.reading import TooLarge, read_named
from ..records.profile import NOTHING_KNOWN, Profile
from ..records.raw import RawForm
from ..records.replay import PortAnswer

if TYPE_CHECKING:
    from pathlib import Path

ADDRESS_SPACE = 1 << 16
#: FILE::LINE=..., of one of several captures. What stands before the equals sign must look like a line, so that a channel may have colons.
_OF_ONE = re.compile(r"(?P<file>.+?)::(?P<rest>/?[A-Za-z][A-Za-z0-9_\[\]]*\s*=.*)", re.DOTALL)


def of_one_capture(text: str) -> tuple[str | None, str]:
    """Return the file and the rest of FILE::LINE=..., None and the whole text where it names no file."""
    match = _OF_ONE.fullmatch(text)
    return (None, text) if match is None else (match["file"], match["rest"])


def same_capture(named: str, path: str) -> bool:
    """Say whether what stands before :: names this capture: as it was typed, by its place, or by its last name alone."""
    return named == path or os.path.realpath(named) == os.path.realpath(path) or named == os.path.basename(path)


@dataclass(frozen=True)
class Options:
    """What the user says about a capture and the machine that it was taken from."""

    maps: tuple[str, ...] = ()  #: LINE=CHANNEL or LINE=!CHANNEL; FILE::LINE=CHANNEL for one of several captures
    map_file: str | None = None
    clock_hz: float | None = None
    profile: Profile | None = None
    roms: tuple[tuple[str, int, bytes], ...] = ()  #: (file, address of its first byte, content)
    probe_at: dict[str, LeadPlace] = field(default_factory=dict)  #: by line; "cpu" for those that are not in it
    stimulus: bool = False  #: the machine runs the test program for its memory map
    free_run: bool = False  #: the CPU's data lines are held at 00h, so that it runs NOP and walks up through memory
    replay: bool = True  #: run the program beside the capture where it is known
    ports: tuple[PortAnswer, ...] = ()  #: what they answered in a healthy capture of the same machine
    own_maps: tuple[str, ...] = ()  #: LINE=CHANNEL of the one capture that these options are for, see for_capture
    own_probes: tuple[tuple[str, str, LeadPlace], ...] = ()  #: (file, line, place) for one of several captures
    clocked: str | None = None  #: "falling", "rising": the capture holds one sample a clock, at that edge; "no": it does not; None: look
    window: bool = False  #: this is one of many windows of a stream, which must not cost more time than it lasts
    raw: RawForm | None = None  #: what raw samples are, of captures that say nothing of themselves

    @property
    def nominal_hz(self) -> float | None:
        """The clock that the machine should have, Hz."""
        return self.clock_hz or (self.profile.clock_hz if self.profile is not None else None)

    @property
    def one_a_clock(self) -> bool:
        """Whether the user says that a capture has one sample for each clock."""
        return self.clocked in EDGES

    @property
    def program_known(self) -> bool:
        """Whether the machine's program is given, and may be replayed beside the capture."""
        if not self.replay:
            return False
        known = self.profile or NOTHING_KNOWN
        return self.stimulus or known.stimulus is not None or bool(self.roms or any(region.contents for region in known.memory))

    @property
    def extra_lines(self) -> tuple[str, ...]:
        """Lines of the machine's own that its profile declares."""
        return tuple(line.name for line in self.profile.lines) if self.profile is not None else ()

    def for_capture(self, path: str) -> Options:
        """Return the options of one capture: what was said of it alone stands above what was said of all; of others nothing is left."""
        told = [of_one_capture(text) for text in self.maps]
        if not self.own_probes and all(file is None for file, _ in told):
            return self
        maps = tuple(text for file, text in told if file is None)
        own = tuple(text for file, text in told if file is not None and same_capture(file, path))
        places = {line: place for file, line, place in self.own_probes if same_capture(file, path)}
        return replace(self, maps=maps, own_maps=self.own_maps + own, probe_at={**self.probe_at, **places}, own_probes=())

    def files_named(self) -> Iterable[str]:
        """Return the captures that FILE:: names."""
        return [file for file, _ in map(of_one_capture, self.maps) if file is not None] + [file for file, _, _ in self.own_probes]


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
