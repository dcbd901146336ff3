"""What a capture is to the rest of the engine, whatever file it comes from.

A reader of a new format is a class with these members and a row in the table of :mod:`opening`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import TracebackType
from typing import Optional, Protocol, TypeVar

from ..records.volts import AnalogLevels
from .records import BitAssignment, BitStatistics, Block, Header

_Self = TypeVar("_Self", bound="Capture")


class Recording(Protocol):
    """What can be judged: a capture, or a stretch of one, such as a window of a stream.

    Statistics, levels, times and warnings are of what was read so far; all is known after the last block.
    """

    @property
    def header(self) -> Header:
        """Length of a tick, and the channels."""

    @property
    def warnings(self) -> Sequence[str]:
        """What the reader had to pass over, in sentences."""

    @property
    def taken(self) -> int:
        """Bytes of the file read so far, as they lie there (packed, if they are)."""

    @property
    def start_time(self) -> Optional[int]:
        """First tick, None while nothing was read."""

    @property
    def end_time(self) -> Optional[int]:
        """Last tick, None while nothing was read."""

    def blocks(self, assignment: Iterable[BitAssignment], /) -> Iterator[Block]:
        """Yield the recorded levels of the assigned bits, from the start. Raises CaptureError, OSError."""

    def channel_statistics(self) -> Mapping[tuple[str, int], BitStatistics]:
        """Return what each assigned bit did, by (Channel.code, position in the channel)."""

    def analog_levels(self) -> Mapping[str, AnalogLevels]:
        """Return what the volts of each channel say, by Channel.code; only of channels that hold volts."""


class Capture(Recording, Protocol):
    """An open file. A context manager, which closes it."""

    path: str  #: as the user gave it
    read_as: str  #: which format it is taken for and what told that, in words; nothing for a VCD, which is the usual one

    def __enter__(self: _Self) -> _Self: ...

    def __exit__(
        self, kind: Optional[type[BaseException]], error: Optional[BaseException], trace: Optional[TracebackType], /
    ) -> None: ...

    def close(self) -> None:
        """Close the file."""
