"""What a capture says, as plain numbers: the record that the rules judge, whichever engine filled it.

Times are seconds on the capture's own time axis. Sources of what is expected of a strobe: :mod:`semantics` (UM0080).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Dict, FrozenSet, List, NamedTuple, Optional, Tuple

from ..bus.lines import STROBES
from ..bus.model import KINDS, LeadPlace
from ..bus.semantics import SPEC
from ..bus.timing import GRADES
from .buses import BusesRecord
from .bytes_alone import BytesRecord
from .course import CourseRecord
from .expansion import PagingRecord
from .free_run import FreeRunRecord
from .leads import IdentifiedRecord, LeadsRecord
from .memory import MemoryRecord
from .odd_reads import OddReads
from .prediction import PredictionRecord
from .profile import MemoryRegion, Profile
from .replay import ReplayRecord
from .rhythm import RhythmRecord
from .slips import Slips
from .timing import Settling, TimingRecord
from .told import Told
from .unwritten import Unwritten
from .volts import AnalogLevels

REFRESH_CLASS = len(KINDS)  #: class of a refresh request, beside the machine-cycle kinds
CLASSES = REFRESH_CLASS + 1
PATTERN_LINES = (*STROBES, "HALT")  #: bit i of a pattern is set when line i is asserted at a request's sample point
PATTERNS = 1 << len(PATTERN_LINES)


def _expected_of_class(index: int) -> Optional[FrozenSet[str]]:
    if index == REFRESH_CLASS:
        return frozenset(("MREQ", "RFSH"))
    spec = SPEC.get(KINDS[index])
    return None if spec is None else spec.strobes


#: Strobes that each class of request must assert, None where the class says nothing of them.
EXPECTED: Tuple[Optional[FrozenSet[str]], ...] = tuple(_expected_of_class(i) for i in range(CLASSES))


class Span(NamedTuple):
    """A stretch of time."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


MOSTLY_HIGH = 0.5  #: share of the time from which a line counts as high: more than half of it


class Through(NamedTuple):
    """Stretches in which a strobe stayed low while another one went on."""

    falls: int  #: of the other one, in all of them
    stretches: int
    start_s: float  #: of the first of them
    end_s: float  #: of the last


class Stays(NamedTuple):
    """How a strobe stays behind its last edge, while others go on."""

    high: bool
    since_s: float
    other: str  #: the strobe that fell most often from then on
    falls: int  #: of that one
    fetches: int  #: falls of /M1 or /RFSH, whichever shows more


class Paused(NamedTuple):
    """The longest stretch in which a strobe stood still, while another one went on; it moved before and behind."""

    start_s: float
    end_s: float
    falls: int  #: of the strobe that fell most often meanwhile


@dataclass
class LineEvidence:
    """What one captured line did."""

    line: str
    edges: int = 0
    high_fraction: Optional[float] = None
    known_fraction: float = 1.0  #: share of the capture in which its level was known
    shortest_pulse_s: Optional[float] = None
    follows: Optional[str] = None  #: the line whose edges it repeats
    assertions: int = 0  #: times it went to its active level
    asserted_s: float = 0.0  #: time spent there
    longest: Optional[Span] = None  #: the longest stretch at the active level
    asserted_first: bool = False  #: active when the capture begins
    asserted_last: bool = False  #: active when the capture ends
    held_through: Optional[Through] = None  #: of /MREQ, where it stayed low over several falls of /M1
    twin: Optional[str] = None  #: of a strobe, another one that moved with it at each and every edge
    stays: Optional[Stays] = None  #: of a strobe, where others went on behind its last edge
    paused: Optional[Paused] = None  #: of a strobe, where others went on while it stood still for once
    volts: Optional[AnalogLevels] = None  #: where it was captured in volts

    @property
    def level(self) -> str:
        """The level at which it was for most of the time, "high" or "low"; "low" where that is not known."""
        return "high" if (self.high_fraction or 0.0) > MOSTLY_HIGH else "low"


class Burst(NamedTuple):
    """Requests in a row that call for a strobe, none of which shows it."""

    number: int
    start_s: float  #: of the first of them
    end_s: float  #: of the last


@dataclass
class StrobeCount:
    """How often a strobe did what the rest of the bus says it must."""

    expected: int = 0  #: requests that call for it
    seen: int = 0  #: of those, with the strobe asserted
    others: int = 0  #: requests that must not have it
    wrong: int = 0  #: of those, with the strobe asserted
    first_missing_s: Optional[float] = None
    last_missing_s: Optional[float] = None
    bursts: List[Burst] = field(default_factory=list)  #: stretches in which it was missing BURST times or more in a row, the first of them

    @property
    def hit(self) -> float:
        """Share of the requests that call for it in which it was seen."""
        return self.seen / self.expected if self.expected else 1.0

    @property
    def false(self) -> float:
        """Share of the other requests in which it was seen all the same."""
        return self.wrong / self.others if self.others else 0.0


REGULAR_EDGES = 200  #: edges of CLK, 100 periods, from which their deviation says something
REGULAR_DEVIATION = 0.35  #: of the mean period: sampled two or three times in a period, a clock's own is 0.2


@dataclass
class ClockEvidence:
    """What the clock line, or in its absence the strobes, say of the clock."""

    hz: Optional[float] = None
    source: str = "none"  #: "CLK", "given", or the strobe that it was estimated from
    edges: int = 0
    longest: Optional[Span] = None  #: the longest period seen
    deviation_s: Optional[float] = None  #: standard deviation of the period
    last_edge_s: Optional[float] = None
    nominal_hz: Optional[float] = None  #: what the profile or --clock says
    mreq_phase: Optional[float] = None  #: where in the clock period /MREQ falls, 0 at the rising edge, 0..1
    mean_s: Optional[float] = None  #: mean period of CLK
    strobes_hz: Optional[float] = None  #: what /MREQ alone says of the clock, where it is sampled closely enough to say it

    @property
    def is_regular(self) -> bool:
        """Say whether the edges of CLK come at even distances, as those of a clock do and those of a floating lead do not."""
        if self.edges < REGULAR_EDGES or not self.mean_s or self.deviation_s is None:
            return False
        return self.deviation_s < REGULAR_DEVIATION * self.mean_s


@dataclass
class BusEvidence:
    """All that the rules see of a capture."""

    captured: FrozenSet[str] = frozenset()
    inverted: FrozenSet[str] = frozenset()
    unlabelled: bool = False
    unmapped: Tuple[str, ...] = ()
    never_known: Tuple[str, ...] = ()  #: lines of the channel map whose level the capture never gives
    start_s: float = 0.0
    end_s: float = 0.0
    clocked: str = ""  #: the clock edge at which its one sample a clock was taken: "falling", "rising"; else nothing
    timed: bool = True  #: its times are seconds; False where it was taken by a clock that is not given: only counts of T-states are known
    clocked_fit: Optional[float] = None  #: share of the first transfers that look as samples at that edge must
    clocked_other_fit: Optional[float] = None  #: the same for the other edge
    clocked_steady: Optional[float] = None  #: the same by that strobe of those that tell the edge which fits least
    sample_interval_s: Optional[float] = None
    samples_per_t: Optional[float] = None
    lines: Dict[str, LineEvidence] = field(default_factory=dict)
    strobes: Dict[str, StrobeCount] = field(default_factory=dict)
    histogram: List[List[int]] = field(default_factory=lambda: [[0] * PATTERNS for _ in range(CLASSES)])
    hidden: List[List[int]] = field(default_factory=list)  #: by class and pattern line: requests in which that line was not known
    clock: ClockEvidence = field(default_factory=ClockEvidence)
    cycles: Dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    inferred_fetches: int = 0
    waits: int = 0  #: wait states that /WAIT asked for, in all
    notes: Dict[str, int] = field(default_factory=dict)
    requests: int = 0
    first_request_s: Optional[float] = None
    last_request_s: Optional[float] = None
    longest_silence: Optional[Span] = None  #: the longest stretch between two requests
    longest_run_without_fetch: int = 0
    run_without_fetch_s: Optional[float] = None  #: where that run began
    longest_without_refresh: Optional[Span] = None
    glitches: int = 0  #: spikes dropped from /MREQ and /IORQ
    halt_addresses: Tuple[int, ...] = ()
    enables: Optional[int] = None  #: opcodes EI that were fetched, prefixes not looked at; None where no DI was, or the data are not known
    asked_in_halt: int = 0  #: times that /INT went low within the halt that lasts to the end of the capture
    framed_by: str = "MREQ"  #: "MREQ", or "RD and WR" where /MREQ frames nothing
    warnings: Tuple[str, ...] = ()
    probe_at: Dict[str, LeadPlace] = field(default_factory=dict)
    profile: Optional[Profile] = None
    #: Deeper evidence, a family each; None, or none, where the capture does not hold the lines that it needs.
    buses: Optional[BusesRecord] = None
    memory: Optional[MemoryRecord] = None
    course: Optional[CourseRecord] = None
    pagings: List[PagingRecord] = field(default_factory=list)
    timing: Optional[TimingRecord] = None
    settling: Optional[Settling] = None
    prediction: Optional[PredictionRecord] = None
    unwritten: Optional[Unwritten] = None  #: where a reset was captured with both buses
    odd_reads: Optional[OddReads] = None
    slips: Optional[Slips] = None
    rhythm: Optional[RhythmRecord] = None  #: where strobes tell fetches, reads and writes apart
    bare_fetches: Optional[int] = None  #: pulses of /M1 with nothing of /MREQ up to the next, where /RD and /IORQ were not captured
    bytes_alone: Optional[BytesRecord] = None  #: where addresses were not captured
    told: Optional[Told] = None  #: the same
    leads: Optional[LeadsRecord] = None
    free_run: Optional[FreeRunRecord] = None  #: where the user says that the capture is one
    replay: Optional[ReplayRecord] = None  #: where the program is known
    identified: Optional[IdentifiedRecord] = None  #: of a capture whose channels have no names

    @property
    def duration_s(self) -> float:
        """Length of the capture in seconds."""
        return self.end_s - self.start_s

    @property
    def clock_hz(self) -> Optional[float]:
        """The clock in hertz, None where the capture does not tell seconds."""
        return self.clock.hz if self.timed else None

    @property
    def counted_t_s(self) -> Optional[float]:
        """What a T-state is on the capture's time axis, where its times can only be told in T-states; None where they are seconds."""
        return None if self.timed or not self.clock.hz else 1.0 / self.clock.hz

    def least_s(self, length_s: float) -> float:
        """Return the seconds that a stretch lasted at least: where only T-states are known, those of the fastest CPU that there is."""
        return length_s if self.timed else length_s * (self.clock.hz or 0.0) / (GRADES[-1] * 1e6)

    def samples_at_least(self, samples: float) -> bool:
        """Say whether a T-state holds so many samples; where it is not known how many, it is not known to."""
        return self.samples_per_t is not None and self.samples_per_t >= samples

    @property
    def regions(self) -> Tuple[MemoryRegion, ...]:
        """The memory map that the profile gives, empty without one."""
        return self.profile.memory if self.profile is not None else ()

    def has(self, *lines: str) -> bool:
        """Say whether all these lines were captured."""
        return self.captured.issuperset(lines)

    def line(self, name: str) -> LineEvidence:
        """Return what a line did; an empty record for a line that was not captured."""
        return self.lines.get(name) or LineEvidence(name)


def count_strobes(
    histogram: List[List[int]], captured: FrozenSet[str], hidden: Optional[List[List[int]]] = None
) -> Dict[str, StrobeCount]:
    """Sum a histogram of request classes by strobe patterns into one count for each captured strobe.

    hidden: by class and pattern line, requests in which that line was not known: they say nothing of it.
    """
    counts = {}
    seen = [
        (index, expected, sum(row), [(pattern, number) for pattern, number in enumerate(row) if number])
        for index, (row, expected) in enumerate(zip(histogram, EXPECTED))
        if expected is not None and any(row)
    ]  # hardly any patterns are ever met
    for bit, name in enumerate(STROBES):
        if name not in captured:
            continue
        count = StrobeCount()
        for index, expected, requests, patterns in seen:
            asserted = sum(number for pattern, number in patterns if pattern >> bit & 1)
            total = requests - (hidden[index][bit] if hidden is not None else 0)
            if name in expected:
                count.expected += total
                count.seen += asserted
            else:
                count.others += total
                count.wrong += asserted
        counts[name] = count
    return counts
