"""What a channel's behaviour fits."""

from __future__ import annotations

from typing import NamedTuple

GROUPS = ("address", "data")  #: what a channel is called whose bus is known and whose place in it is not


class Role(NamedTuple):
    """What a channel's behaviour fits."""

    channel: int  #: index among the channels looked at
    line: str  #: name of a line, or one of GROUPS
    confidence: float
