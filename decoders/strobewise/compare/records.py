"""What a comparison of two captures says, as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from ..bus.lines import bar
from ..bus.model import Finding
from ..bus.units import time_words
from ..diagnosis.facade import Diagnosis
from ..records.evidence import StrobeCount
from .code import CodeChange
from .flow import Parting, Reached

GONE, NOT_SEEN = "gone: ", "not seen again: "  #: how a sentence begins that says this of all faults of the first capture
#: What the two are called in a sentence, by what they are called in a word: around a repair; where the second alone is at fault; else.
CALLED = {
    ("before", "now"): ("the capture before", "the one now"),
    ("good", "suspect"): ("the good one", "the suspect"),
    ("first", "second"): ("the first capture", "the second"),
}
MIX_SHIFT = 0.10  #: change of a cycle kind's share of all cycles that is worth a word


class LineChange(NamedTuple):
    """A line whose state is not the same in both captures."""

    line: str
    good: str
    suspect: str
    counts: bool  #: nothing harmless explains it


class StrobePair(NamedTuple):
    """How often a strobe did what the bus calls for, in both captures."""

    line: str
    good: StrobeCount
    suspect: StrobeCount
    good_strobed: int  #: requests that call for it in which it strobed: a line that does not move never does
    suspect_strobed: int


class KindPair(NamedTuple):
    """Machine cycles of one kind in both captures."""

    kind: str
    good: int
    suspect: int
    good_share: float
    suspect_share: float

    @property
    def shifted(self) -> bool:
        """Whether the share changed by more than MIX_SHIFT."""
        return abs(self.good_share - self.suspect_share) > MIX_SHIFT


class TimingShift(NamedTuple):
    """An edge that comes earlier or later than in the other capture, by more than sampling explains."""

    line: str
    edge: str  #: "assert" or "release" of a strobe, "rise" or "fall" of an address line
    reference: str  #: what it is measured from
    good_s: float
    suspect_s: float
    uncertainty_s: float

    @property
    def shift_s(self) -> float:
        """How much later it comes in the suspect, seconds."""
        return self.suspect_s - self.good_s


class HeldChange(NamedTuple):
    """A line that is active up to the end of one capture, and was let go of again in the other."""

    line: str
    good_s: float  #: its longest stretch where it was let go of
    suspect_s: float  #: that up to the end
    since_s: float  #: when this began, on that capture's own time axis
    in_first: bool = False  #: it is the first of the two that ends so

    def words(self, good: str = "the good one", suspect: str = "the suspect") -> str:
        """Return the change as half a sentence. good, suspect: what to call the two captures."""
        if self.in_first:
            good, suspect = suspect, good
        before = f"never longer than {time_words(self.good_s)}" if self.good_s else "never"
        return f"{bar(self.line)} is held to the end in {suspect}, for {time_words(self.suspect_s)}, in {good} {before}"


class ClockPair(NamedTuple):
    """The clock of both captures."""

    good_hz: float
    suspect_hz: float
    good_deviation_s: float | None  #: standard deviation of the period; None where CLK was not captured
    suspect_deviation_s: float | None
    off: bool  #: they differ by more than two oscillators of one kind do
    unsteady: bool  #: the period of one varies more than the other's, beyond what sampling explains

    @property
    def counts(self) -> bool:
        """Whether the clock differs."""
        return self.off or self.unsteady

    def words(self, good: str = "the good one", suspect: str = "the suspect") -> str:
        """Return the pair as half a sentence. good, suspect: what to call the two captures."""
        if self.unsteady and not self.off:
            both = sorted(((self.suspect_deviation_s or 0.0, suspect), (self.good_deviation_s or 0.0, good)), reverse=True)
            more, less = (f"{value * 1e9:.0f} ns in {name}" for value, name in both)
            return f"CLK is unsteady: its period varies by {more}, by {less} (standard deviation)"
        return f"CLK runs at {self.suspect_hz / 1e6:.4g} MHz in {suspect}, at {self.good_hz / 1e6:.4g} MHz in {good}"


@dataclass(frozen=True)
class Comparison:
    """What `strobewise compare` says."""

    good: Diagnosis
    suspect: Diagnosis
    alike: bool
    sentence: str
    lines: tuple[LineChange, ...]
    held: tuple[HeldChange, ...]
    strobes: tuple[StrobePair, ...]
    cycles: tuple[KindPair, ...]
    gone: tuple[Finding, ...]  #: findings of the first capture alone
    new: tuple[Finding, ...]  #: findings of the second alone
    kept: tuple[Finding, ...]  #: findings of both, as the second has them
    parting: Parting | None  #: where the executed instructions part ways
    reached: Reached | None  #: addresses executed in one capture alone; None where addresses were not captured
    code: CodeChange | None  #: instructions that both fetch and that read differently
    clock: ClockPair | None  #: None where a capture does not show its clock
    timing: tuple[TimingShift, ...]
    untold: tuple[str, ...]  #: what could not be compared, and why
    names: tuple[str, str]  #: what to call the two, in a word: see CALLED

    @property
    def called(self) -> tuple[str, str]:
        """What to call the two in a sentence."""
        return CALLED[self.names]

    @property
    def all_gone(self) -> bool:
        """Whether the second capture could have shown the faults of the first, and shows none."""
        return self.sentence.startswith((GONE, NOT_SEEN))
