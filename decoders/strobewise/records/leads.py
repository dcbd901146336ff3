"""What the labels of the leads should be, where the machine contradicts them; and which line a channel without a label carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import List, Optional, Tuple

SURE = 0.9  #: confidence from which the line of a channel without a label is beyond doubt


@dataclass
class Relabelling:
    """A change of labels that makes the machine consistent."""

    lines: Tuple[str, ...]  #: two lines to exchange, or those to invert
    inverted: bool
    before: float  #: share of the witnesses that agree with the labels as they are
    after: float
    witnesses: int
    witness: str  #: "instructions", "refreshes", "model", "strobes", "transfers", "acknowledges" or "consequences"
    alternatives: Tuple[Tuple[str, ...], ...] = ()  #: other changes that explain as much


@dataclass
class LeadsRecord:
    """What the labels should be, where they are wrong beyond doubt; None where nothing says so."""

    change: Optional[Relabelling] = None
    maps: Tuple[str, ...] = ()  #: values for --map that put it right
    lookalike: Optional[Tuple[str, str]] = None  #: a strobe that never moves, and an address line that keeps its time, perhaps by chance
    elsewhere: Tuple[Tuple[str, str], ...] = ()  #: strobe by its label, and the line, not captured else, that its channel behaves like


@dataclass
class IdentifiedRecord:
    """What the behaviour of channels without names says."""

    roles: List[Tuple[str, str, float]]  #: (channel, line or "address" or "data", confidence), the surest first
    quiet: Tuple[str, ...]  #: channels that never moved
    settled: bool  #: the strobes are sure, so that the capture can be judged
    whole: bool  #: and nothing that always moves can hide among the channels that do not
    program_share: float  #: share of the instructions that agree under the order found, 0 where it could not be tried
    instructions: int
    judged: bool = False  #: the capture was read again under the map

    def sure(self, line: str) -> bool:
        """Say whether a line's channel is beyond doubt."""
        return any(name == line and confidence >= SURE for _, name, confidence in self.roles)
