"""What a case holds and what it comes to, as plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

from ..bus.model import LeadPlace, Suspect, Verdict
from ..records.profile import Profile

if TYPE_CHECKING:
    from ..diagnosis.facade import Diagnosis
    from .proof import Proof
    from .trend import Trend

AnswerKind = Literal[
    "volts", "ohms", "between", "pulses", "driven", "passes", "readout", "supply", "unplugged", "reseated", "cooled", "cleaned",
    "replaced", "resoldered", "note"
]  # fmt: skip
ANSWER_KINDS: tuple[AnswerKind, ...] = get_args(AnswerKind)
#: What is said of it where no number is: the word for 0, which speaks for a fault, and that for 1.
SAID_OF: Mapping[AnswerKind, tuple[str, str]] = {
    "pulses": ("no", "yes"), "driven": ("no", "yes"), "passes": ("no", "yes"), "readout": ("wrong", "right"),
}  # fmt: skip
#: Answers after which the machine is another one: captures that follow show whether it helped.
REPAIRS: tuple[AnswerKind, ...] = ("replaced", "resoldered", "cleaned", "reseated")
Outcome = Literal["", "gone", "stays"]  #: what became of the fault, "" where nobody says so
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
Power = Literal["on", "off"]


class Answer(NamedTuple):
    """What a person measured or did. What it is about depends on the kind, see `checks`."""

    kind: AnswerKind
    about: str = ""  #: a line for volts, ohms, pulses, resoldered; two with a hyphen for between; else a part (of SUSPECTS, or a chip)
    value: float | None = None  #: volts or ohms; of those in SAID_OF 1 or 0
    place: LeadPlace = "cpu"  #: where it was measured
    fault: Outcome = ""  #: what became of the fault
    part: Suspect | None = None  #: the suspect that a chip belongs to, where `about` is a chip


class Taken(NamedTuple):
    """How a capture was taken, where its file does not say so; the words are those of `strobewise diagnose`."""

    raw: str = ""  #: what raw samples are, as --raw says it
    clocked: str | None = None  #: one sample a clock, at this edge; "no": not so; None: look
    stimulus: bool = False  #: the machine ran the test program
    free_run: bool = False  #: the CPU ran free, its data lines held at 00h


AS_ITS_FILE_SAYS = Taken()


@dataclass(frozen=True)
class Item:
    """One entry of the sheet: a capture or an answer. Nothing is ever taken off the sheet; what is withdrawn says why."""

    number: int  #: from 1
    time: str  #: UTC, ISO 8601
    note: str = ""
    file: str | None = None  #: of a capture: from the folder, with slashes
    minutes_on: float | None = None  #: of a capture: how long the machine had been on when it began
    answer: Answer | None = None
    withdrawn: str | None = None  #: why it no longer counts
    taken: Taken = AS_ITS_FILE_SAYS  #: of a capture

    @property
    def counts(self) -> bool:
        """Whether it still counts."""
        return self.withdrawn is None


class Closed(NamedTuple):
    """What it was in the end."""

    was: Suspect
    part: str
    time: str
    proven: bool
    rules: tuple[str, ...] = ()  #: what the captures showed
    note: str = ""
    withdrawn_since: tuple[int, ...] = ()  #: entries that counted when it was closed, and no longer do

    @property
    def stands(self) -> bool:
        """Whether it was closed with a proof, and nothing that this may have stood on was withdrawn since."""
        return self.proven and not self.withdrawn_since


@dataclass(frozen=True)
class Case:
    """A case as its folder holds it."""

    folder: Path
    symptom: str
    opened: str
    profile: Profile | None = None
    leads: int = 8  #: channels of the analyser
    clock_hz: float | None = None
    socketed: tuple[str, ...] = ()  #: parts that come out without soldering
    machine: str = ""  #: which one it is: a name, a serial number
    items: tuple[Item, ...] = ()
    closed: Closed | None = None

    def path(self, item: Item) -> Path:
        """Return the file of a capture."""
        assert item.file is not None
        return self.folder.joinpath(*item.file.split("/"))

    @property
    def captures(self) -> tuple[Item, ...]:
        """The captures that count, in the order in which they came."""
        return tuple(item for item in self.items if item.file is not None and item.counts)


class Hypothesis(NamedTuple):
    """A part that may be to blame, and how sure the case is of it."""

    suspect: Suspect
    share: float  #: 0..1, over all captures and answers
    table: float  #: the same by the table of suspects alone, without the shop's own closed cases
    closed_cases: int = 0  #: of the shop's own that count in `share`


class StepLead(NamedTuple):
    """One lead of a capture to be made."""

    channel: str
    line: str
    pin: int | None
    place: LeadPlace
    connector_pin: str | None = None


StepKind = Literal["capture", "check", "repair", "close", "none"]


@dataclass(frozen=True)
class Step:
    """The one thing to do next."""

    kind: StepKind
    id: str  #: what it is, for programs: "capture", "pulses:M1", "replaced:cpu"
    title: str  #: what to do, in a sentence
    why: str
    power: Power | None = None  #: of the machine while it is done
    cautions: tuple[str, ...] = ()
    leads: tuple[StepLead, ...] = ()
    settings: Mapping[str, float | str] = field(default_factory=dict)  #: of a capture: sample_hz, duration_s, trigger, minutes_on
    answers: tuple[Answer, ...] = ()  #: the answers that it can have, for buttons; values to be filled in are None
    commands: tuple[str, ...] = ()  #: the exact commands that put its result into the case
    minutes: float = 0.0  #: expected work, our choice
    risk: float = 0.0  #: to the pads, 0..1, our choice
    bits: float = 0.0  #: what it is expected to tell


class Change(NamedTuple):
    """What one entry of the sheet made of the suspects."""

    number: int  #: of the item
    words: str
    verdict: str = ""  #: of a capture that counts, taken alone


@dataclass(frozen=True)
class CaseState:
    """What a case comes to."""

    case: Case
    verdict: Verdict | None  #: over all captures and answers; None before the first capture
    diagnosis: Diagnosis | None  #: the captures alone
    hypotheses: tuple[Hypothesis, ...]  #: most likely first
    changes: tuple[Change, ...]
    proof: Proof | None  #: once something was repaired and captured again
    step: Step
    trend: Trend | None = None
