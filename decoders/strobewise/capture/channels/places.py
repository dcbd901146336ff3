"""One bit of one channel, and who claims it: what the two ways of mapping channels to lines share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.capture.channels import spelling
from strobewise.capture.records import Channel

BUSES = {"A": ADDRESS, "D": DATA}
CHOICES_SHOWN = 12  #: names that an error message lists before it only counts them


class Place(NamedTuple):
    """One bit of one channel."""

    channel: int  #: index in the capture's list
    digit: int  #: bit_in_vector


class Claim(NamedTuple):
    place: Place
    inverted: bool


@dataclass
class Listed:
    """The capture's channels as the mapping works with them."""

    channels: Sequence[Channel]
    where: str

    def base(self, at: int) -> str:
        """Return a channel's name without its range or index."""
        return spelling.split_range(self.channels[at].name)[0]

    def index(self, at: int) -> int | None:
        """Return the one index of a scalar that has one: ``A[3]``."""
        written = spelling.split_range(self.channels[at].name)[1] or self.channels[at].bit_range
        return written[0] if written is not None and written[0] == written[1] else None

    def name_of(self, place: Place, scoped: bool = False) -> str:
        channel = self.channels[place.channel]
        name = channel.name if channel.width == 1 else f"{channel.name}[{channel.indices()[place.digit]}]"
        return f"{channel.scope}.{name}" if scoped and channel.scope else name

    def listing(self) -> str:
        names = [repr(channel.label) for channel in self.channels[:CHOICES_SHOWN]]
        more = len(self.channels) - len(names)
        return ", ".join(names) + (f" and {more} more" if more > 0 else "")


def bus_numbers(channel: Channel, lines: int) -> list[tuple[int, int]]:
    """Return (digit, bus bit) of a vector: by its own numbers, or by position where a whole bus counts otherwise."""
    indices = channel.indices()
    if len(indices) == lines and min(indices) != 0:
        return list(enumerate(range(lines) if indices[0] < indices[-1] else range(lines - 1, -1, -1)))
    return [(digit, number) for digit, number in enumerate(indices) if 0 <= number < lines]
