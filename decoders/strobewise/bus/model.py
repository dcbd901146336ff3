"""Records that pass between the rooms of the engine: machine cycles, line surveys, findings, verdicts."""

from __future__ import annotations

from typing import Dict, Literal, NamedTuple, Optional, Tuple, get_args

from .lines import LINE

# Closed vocabularies: each stands once, as the type; the tuple of its values is read from it. JSON shows the words as they stand here.

CycleKind = Literal[
    "opcode_fetch",
    "memory_read",
    "memory_write",
    "memory_access",
    "io_read",
    "io_write",
    "interrupt_acknowledge",
    "bus_granted",
    "unknown",
]
KINDS: Tuple[CycleKind, ...] = get_args(CycleKind)  #: a cycle table stores the index
KIND_INDEX: Dict[str, int] = {kind: index for index, kind in enumerate(KINDS)}

CycleNote = Literal["", "halt", "nmi_response", "cut_short", "after_reset"]
NOTES: Tuple[CycleNote, ...] = get_args(CycleNote)  #: a cycle table stores the index
NOTE_INDEX: Dict[str, int] = {note: index for index, note in enumerate(NOTES)}

Suspect = Literal[
    "cpu",
    "rom",
    "ram",
    "data_bus",
    "address_bus",
    "glue",
    "clock",
    "reset",
    "supply",
    "expansion_device",
    "connection",
    "program",
    "probe_or_capture",
    "none",
]
SUSPECTS: Tuple[Suspect, ...] = get_args(Suspect)
Shares = Tuple[Tuple[Suspect, float], ...]  #: parts and the share of the suspicion that each has, most likely first

LineStateName = Literal["active", "stuck_high", "stuck_low", "floating", "idle", "not_captured"]
LINE_STATES: Tuple[LineStateName, ...] = get_args(LineStateName)

Severity = Literal["fault", "warning", "note"]
SEVERITIES: Tuple[Severity, ...] = get_args(Severity)  #: the gravest first

VerdictState = Literal["no_fault_found", "fault", "cannot_decide"]
VERDICT_STATES: Tuple[VerdictState, ...] = get_args(VerdictState)

Power = Literal["", "off", "on", "off, then on"]  #: of the machine while a step is taken; "" where nothing is touched
POWERS: Tuple[Power, ...] = get_args(Power)

LeadPlace = Literal["cpu", "connector"]  #: where a user says that a lead sits
LEAD_PLACES: Tuple[LeadPlace, ...] = get_args(LeadPlace)


class MachineCycle(NamedTuple):
    """One machine cycle rebuilt from the bus. Times are in ticks of the capture's timescale."""

    kind: CycleKind
    start: int  #: rising clock edge of T1, or the best estimate
    end: int  #: the same of the next cycle, or the end of the last strobe when there is none
    t_states: Optional[int]  #: clocks from this T1 to the next, wait states included; None when not known
    wait_states: Optional[int]  #: those that /WAIT asked for
    address: Optional[int]  #: 0..0xFFFF, None when not captured
    data: Optional[int]  #: 0..0xFF, None when not captured
    inferred: bool  #: concluded without the kind's own strobe
    note: CycleNote


class LineState(NamedTuple):
    """What one line did over the capture."""

    line: str
    state: LineStateName
    edges: int
    high_fraction: Optional[float]
    shortest_pulse_s: Optional[float]
    follows: Optional[str]  #: the neighbouring line that it copies, if any
    remark: str  #: what the rest of the bus says that it should have done


class SuspectShare(NamedTuple):
    """A part and how sure the verdict is that the fault sits there, 0..1."""

    suspect: Suspect
    confidence: float


class Finding(NamedTuple):
    """One thing that a rule found. Times are in seconds on the capture's own time axis."""

    rule: str
    severity: Severity
    lines: Tuple[str, ...]
    suspect: Suspect
    confidence: float
    first_s: Optional[float]
    last_s: Optional[float]
    count: int  # type: ignore[assignment]  # the contract's name, though tuples have a method of it
    evidence: str
    next_step: str
    caution: str = ""
    suspects: Tuple[SuspectShare, ...] = ()  #: all parts that the finding points at, most likely first
    title: str = ""  #: what was found, in a few words

    @property
    def pins(self) -> Tuple[int, ...]:
        """Pins of the 40-pin package on which its lines are; a line that the CPU does not have has none."""
        pins = (LINE[name].pin for name in self.lines if name in LINE)
        return tuple(pin for pin in pins if pin is not None)


class Step(NamedTuple):
    """One thing to do next."""

    text: str  #: without a full stop; names its lines with their pins
    power: Power
    caution: str  #: to be read before the step
    pins: Tuple[int, ...]  #: of the 40-pin package that the text names


class Verdict(NamedTuple):
    """What the findings amount to."""

    state: VerdictState
    suspects: Tuple[SuspectShare, ...]
    summary: str
    next_steps: Tuple[str, ...]
    clip_also: Tuple[str, ...]  #: lines whose capture would let the verdict go further
    headline: str = ""  #: the fault in plain words and who is likely to blame, in full sentences
    not_judged: Tuple[str, ...] = ()  #: lines and parts of the machine that these leads cannot judge
    steps: Tuple[Step, ...] = ()  #: next_steps with what a person at the bench must know of each

    @property
    def blames_leads(self) -> bool:
        """Whether a fault was found that is first of all one of the leads or their labels, not of the machine."""
        return self.state == "fault" and bool(self.suspects) and self.suspects[0].suspect == "probe_or_capture"

    @property
    def says_little(self) -> bool:
        """Whether no fault was found where whole parts of the machine, its memory among them, could not be judged."""
        return self.state == "no_fault_found" and bool({"ROM", "RAM"} & set(self.not_judged))
