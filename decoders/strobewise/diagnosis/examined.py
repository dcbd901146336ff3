"""One capture, read and rebuilt: the record between reading and judging."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..capture.channels.mapping import ChannelMap

if TYPE_CHECKING:
    from ..records.evidence import BusEvidence


@dataclass
class Examined:
    """One capture, read and rebuilt: what every command that judges a capture starts from."""

    path: str
    channels: ChannelMap
    evidence: BusEvidence
    sample_interval_s: float | None
    end_tick: int
    start_tick: int
    tick_s: float
    read_as: str = ""  #: which format it was taken for and what told that; nothing for a VCD
