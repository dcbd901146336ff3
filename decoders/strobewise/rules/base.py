"""What a rule is, how it is registered, and how the catalogue is run over the evidence.

A rule is one record: what it needs to see, how it decides, whom it suspects, what to measure next, what it explains away, how the host
asks it. Every list of rules anywhere is derived from these records. To add one, write a function in the file of its family with the
decorator :data:`rule`; it yields :class:`Found` for each thing that it finds.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Callable, FrozenSet, Iterable, Iterator, List, Literal, Mapping, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS, CONTROL, DATA, FETCH_LINES, STROBES
from ..bus.model import SEVERITIES, SUSPECTS, Finding, Severity, Shares, SuspectShare
from ..records.evidence import BusEvidence
from ..records.strobes import ENOUGH, HEALTHY_HIT
from .grades import STRONG
from .picture import Picture

#: Cautions that go with steps in which the user touches the machine (common practice).
CAUTION_CLIP = (
    "Power off and unplug before moving a clip; clip ground first; never bridge two pins; stay off pins that may carry more than 5 V "
    "or raw AC. A set with a display tube or a mains supply inside holds dangerous voltage even unplugged: leave it to someone trained for it."
)
CAUTION_SOLDER = (
    "Power off, unplug, wear an earthed wrist strap (MOS parts die from static), ventilate when soldering (old solder has lead), and follow "
    "local electrical rules. A set with a display tube or a mains supply inside belongs in trained hands."
)
CAUTION_LIVE = (
    "The power is on: ground clip first, one probe at a time, and never let it bridge two pins; stay off pins that may carry more than 5 V "
    "or raw AC. Inside a set with a display tube or a mains supply only someone trained for it measures, under local electrical rules."
)

#: Of what a rule that sees the same less closely says nothing: of anything, of the same bus, of the lines that were named.
Scope = Literal["all", "bus", "lines"]
Host = Optional[Literal["stretch", "standstill", "ongoing", "lasting", "whole"]]
HOSTS: Tuple[Host, ...] = (
    "stretch",  # over each stretch of cycles, whatever its length
    "standstill",  # over the whole capture, and as soon as the bus stands still
    "ongoing",  # over what there was up to now, since nothing that follows takes it back
    "lasting",  # over what there was up to now, where it finds a fault that has lasted for LASTING_S; over the whole capture at its end
    "whole",  # over the whole capture at its end
    None,
)

RUNAWAY = "any runaway"  #: what a CPU does that reads what nobody drives; many a fault ends so
RAM_WRONG = "any wrong RAM"  #: what RAM shows where it is not written properly, or not read
HOLD = "any hold"  #: what holds a CPU, so that it makes no request
SORTS = (RUNAWAY, RAM_WRONG, HOLD)  #: sorts of rules, each of which `explains` and `answered_by` name as one


class Found(NamedTuple):
    """One thing that a rule found; what is None comes from the rule."""

    evidence: str  #: one sentence with numbers and times
    lines: Tuple[str, ...]
    count: int = 1  # type: ignore[assignment]  # as in Finding
    first_s: Optional[float] = None
    last_s: Optional[float] = None
    severity: Optional[Severity] = None
    suspects: Optional[Shares] = None
    next_step: Optional[str] = None
    confidence: Optional[float] = None  #: that the line behaves as said, whoever is to blame
    title: str = ""  #: in a few words, where the rule's own say too little


Decide = Callable[[BusEvidence], Iterable[Found]]


def _finds_nothing(evidence: BusEvidence) -> Iterable[Found]:
    return ()


@dataclass(frozen=True)
class Rule:
    """One row of the catalogue: all that is true of a rule, and above its function the decorator that registers it."""

    id: str
    title: str
    severity: Severity
    needs: Tuple[Tuple[str, ...], ...]  #: sets of lines, any one of which lets the rule decide
    judges: Tuple[str, ...]  #: lines (or parts of the machine) that it can find at fault
    suspects: Shares  #: usual suspects with their share, most likely first
    looks_for: str
    causes: str
    next_step: str
    source: str
    host: Host  #: when the capture host lets it judge; None: not at all, for what it reads is not gathered there
    caution: str = CAUTION_CLIP
    sort: str = ""  #: of SORTS, that others may name it by
    explains: Tuple[str, ...] = ()  #: rules, or sorts of them, whose findings only follow from a fault that this one found
    derails: bool = False  #: a fault of its sends the program astray, so it explains all rules that are `seen_astray`
    seen_astray: bool = False  #: it finds what a machine shows once another fault has made it run astray
    explains_its_lines: bool = False  #: what it finds explains whatever else its lines show
    speaks_for: Mapping[str, Scope] = field(default_factory=dict)  #: rules that see the same less closely, and are then silent: about what
    relabels: bool = False  #: the labels are wrong, so the other rules judged a machine that is not there
    stands_by_itself: bool = False  #: wrong labels on strobes and buses leave it as it is
    lasting: bool = False  #: judges what lasts, and so may speak of a fault even in a capture sampled too slowly for the others
    softens: bool = False  #: its warning makes a warning of each fault that is not lasting
    undecided: int = 0  #: its warning means that the capture itself cannot decide; the lowest of these numbers is told first
    answered_by: Tuple[str, ...] = ()  #: rules, or sorts of them, whose fault, found in another capture of the machine, answers this one
    names_channels: bool = False  #: its note offers a mapping, which is told also where all is well
    praises: bool = False  #: its note says that a line is good, which is told where all is well
    picture: Optional[Picture] = None  #: the moment that shows it, None where no single one does
    decide: Decide = _finds_nothing

    def __call__(self, decide: Decide) -> Decide:
        """Register this record with the function below it, which decides.

        Raises ValueError where the record is wrong in itself, see also check_catalogue().
        """
        if self.severity not in SEVERITIES or self.host not in HOSTS or self.sort not in ("", *SORTS) or any(name not in SUSPECTS for name, _ in self.suspects):
            raise ValueError(f"bad rule {self.id!r}")
        if find_rule(self.id) is not None:
            raise ValueError(f"there are two rules {self.id!r}")
        CATALOGUE.append(replace(self, decide=decide))
        return decide

    def can_decide(self, evidence: BusEvidence) -> bool:
        """Say whether the capture shows enough for this rule."""
        return any(evidence.has(*lines) for lines in self.needs)

    @property
    def blames_leads(self) -> bool:
        """Whether what it finds is first of all a fault of the leads, their labels or the capture, not of the machine."""
        return bool(self.suspects) and self.suspects[0][0] == "probe_or_capture"

    @property
    def wants(self) -> FrozenSet[str]:
        """All lines of the sets that it needs."""
        return frozenset(name for lines in self.needs for name in lines)

    def consequences(self) -> FrozenSet[str]:
        """Return the ids of the rules whose findings only follow from a fault that this one found."""
        astray = ids(lambda other: other.seen_astray) if self.derails else frozenset()
        return astray.union(named(self.explains))

    def answers(self) -> FrozenSet[str]:
        """Return the ids of the rules whose fault, found in another capture of the machine, answers this one."""
        return named(self.answered_by)


rule = Rule  #: what stands above a function: ``@rule("id", "title", ...)``
CATALOGUE: List[Rule] = []


def find_rule(id: str) -> Optional[Rule]:
    """Return the rule with this id, or None."""
    return next((each for each in CATALOGUE if each.id == id), None)


def ids(wanted: Callable[[Rule], bool]) -> FrozenSet[str]:
    """Return the ids of the rules of which something is true."""
    return frozenset(each.id for each in CATALOGUE if wanted(each))


def named(words: Iterable[str]) -> FrozenSet[str]:
    """Return the ids of rules that are named, alone or by their sort."""
    words = frozenset(words)
    return words.difference(SORTS) | ids(lambda each: each.sort in words)


def host_rules(*times: Host) -> FrozenSet[str]:
    """Return the ids of the rules that the capture host lets judge at one of these times, see HOSTS."""
    return ids(lambda each: each.host in times)


def check_catalogue() -> None:
    """Raise ValueError where a rule names another that does not exist, or itself; to be called when all are registered."""
    known = ids(lambda each: True)
    for each in CATALOGUE:
        others = named((*each.explains, *each.answered_by)).union(each.speaks_for)
        if others - known or each.id in others:
            raise ValueError(f"rule {each.id!r} names {', '.join(sorted((others - known) or {each.id}))}, which is no other rule")


BUSES = (frozenset(ADDRESS), frozenset(DATA))

BLIND_SAMPLES = 1.9  #: samples a T-state below which what is read may be sampled when nobody drives the bus, again and again
LASTING_S = 0.045  #: what has lasted for so long, longer than two frames at 50 Hz, is told before the capture ends (common practice)
FETCHES_ALONE = 16  #: without /MREQ, which is low twice in each (UM0080): spikes and what a capture cuts off hide one or two
SELDOM = 2  #: edges of /M1 for each of /MREQ, which makes two of its own for each of them (UM0080): a quarter of those from which /MREQ is not seen at work
READS_ALONE = 50  #: the same of reads, of which another bus master may make some beside its own /MREQ
COARSE_SAMPLES = 3.0  #: samples a T-state below which half-T events are lost (two samples for each half clock, and a little)

#: Share of transfers that must look as samples at the clock edge do; those of a good clocked capture all do, whatever single
#: strobe fails: the others tell.
CLOCKED_FIT_MIN = 0.96
AS_OFTEN = 0.03  #: what interrupts and the ends of a capture make of the count of a strobe's pulses, against the cycles that call for it (our choice)


def beside_the_edge(evidence: BusEvidence) -> bool:
    """Say whether a capture with one sample a clock shows its strobes, or some of them, beside the samples in which they must stand."""
    return off_the_edge(evidence) or bool(frayed(evidence))


def off_the_edge(evidence: BusEvidence) -> bool:
    """Say whether a capture with one sample a clock was not taken at the edge that it was told to be."""
    return evidence.clocked_fit is not None and evidence.clocked_fit < CLOCKED_FIT_MIN


def frayed(evidence: BusEvidence) -> Tuple[str, ...]:
    """Return the strobes of a capture with one sample a clock that pulse as often as they are called for, and not in the samples that call for them.

    A strobe that fails makes fewer pulses; one that is all there, a sample early or late, was sampled while it moved.
    """
    if not evidence.clocked:
        return ()
    return tuple(
        name for name, count in evidence.strobes.items()
        if count.expected >= ENOUGH and count.hit < HEALTHY_HIT and abs(evidence.line(name).edges / 2 - count.expected) <= AS_OFTEN * count.expected
    )  # fmt: skip


def single_samples_lost(evidence: BusEvidence) -> bool:
    """Say whether a capture with one sample a clock lacks what shows in one sample alone, though a longer strobe tells its edge."""
    return evidence.clocked_steady is not None and evidence.clocked_steady < CLOCKED_FIT_MIN


FINE_SAMPLES = 4.0  #: samples a T-state from which the place of one edge says something: a quarter of a T-state, less than any delay judged by it
ENOUGH_REQUESTS = 50  #: requests from which a share of them, or none of a kind, says something: one stray is two percent, below any share asked for (our choice)
ENOUGH_READS = 16  #: reads from which a line that shows both levels moves and one that shows one may not: one in 65,536 by chance

OFF_BY_STROBES = 0.2  #: difference from a given clock that the strobes may show, whose edges come with delays and in whole samples


def clock_denied(evidence: BusEvidence) -> bool:
    """Say whether the strobes contradict the clock that the user gave: then lengths in T-states, and what is told by them, are not to be trusted."""
    clock = evidence.clock
    if clock.source != "given" or not clock.hz or not clock.strobes_hz:
        return False
    return abs(clock.strobes_hz / clock.hz - 1) > OFF_BY_STROBES


def too_coarse(evidence: BusEvidence) -> bool:
    """Say whether the capture was sampled too slowly, or at no steady moment, to tell a missing strobe from a lost one."""
    if beside_the_edge(evidence):
        return True
    return evidence.samples_per_t is not None and evidence.samples_per_t < COARSE_SAMPLES


def fetches_without_requests(evidence: BusEvidence) -> Optional[str]:
    """Return the strobe that shows a CPU at work whose lead for /MREQ shows next to nothing; None where there is none."""
    busy = evidence.requests <= 2 and not too_coarse(evidence)
    least = max(2 * FETCHES_ALONE, SELDOM * evidence.line("MREQ").edges)
    return next((name for name in FETCH_LINES if busy and evidence.has(name) and evidence.line(name).edges >= least), None)


def twins(evidence: BusEvidence) -> Tuple[Tuple[str, str], ...]:
    """Return the pairs of strobes that moved together at each edge, as no two do while a CPU fetches: half a T-state at least lies between.

    /IORQ and /WR may, in a program that writes to ports alone (UM0080, timing figures).
    """
    if not evidence.samples_at_least(FINE_SAMPLES) or clock_denied(evidence) or beside_the_edge(evidence):
        return ()
    pairs = combinations(STROBES, 2)
    return tuple((one, other) for one, other in pairs if evidence.line(one).twin == other and {one, other} != {"IORQ", "WR"})


def stops_alone(evidence: BusEvidence) -> bool:
    """Say whether /MREQ stays at one level while the CPU fetches on: /M1 and /RFSH tell of a few fetches, /RD of many reads."""
    line = evidence.line("MREQ")
    if line.stays is None or too_coarse(evidence) or clock_denied(evidence):
        return False
    return line.stays.fetches >= FETCHES_ALONE or line.stays.falls >= READS_ALONE


def said_once(findings: Sequence[Finding]) -> List[Finding]:
    """Drop what another rule, which looks closer, says of the same capture; that one's own severity does not matter.

    This is about one capture. What follows from a fault of the machine, whichever capture shows it, is the verdict's to drop.
    """
    scopes = {each.id: each.speaks_for for each in CATALOGUE if each.speaks_for}
    return [
        finding
        for finding in findings
        if not any(_covers(scopes[other.rule].get(finding.rule), other, finding) for other in findings if other.rule in scopes)
    ]


def _covers(scope: Optional[Scope], closer: Finding, finding: Finding) -> bool:
    if scope is None or scope == "all":
        return scope is not None
    if scope == "lines":
        return not set(closer.lines).isdisjoint(finding.lines)
    return any(not bus.isdisjoint(closer.lines) and not bus.isdisjoint(finding.lines) for bus in BUSES)


def _softened(finding: Finding, evidence: BusEvidence, lasting: FrozenSet[str], runaways: FrozenSet[str]) -> Finding:
    """Return a fault as a warning where too few samples may have made it; a control line without any edge stays what it is."""
    still = bool(finding.lines) and all(evidence.line(name).edges == 0 and name in CONTROL for name in finding.lines)
    blind = finding.rule in runaways and not evidence.samples_at_least(BLIND_SAMPLES)
    lasts = still or (finding.rule in lasting and not blind)
    return finding if finding.severity != "fault" or lasts else finding._replace(severity="warning")


def _unlabelled(finding: Finding, evidence: BusEvidence) -> Finding:
    """Return a fault as a warning where a line that it names was found by behaviour only, and not beyond doubt."""
    record = evidence.identified
    sure = record is not None and all(record.sure(name) for name in finding.lines)
    return finding if finding.severity != "fault" or sure else finding._replace(severity="warning")


def run(evidence: BusEvidence, only: Optional[FrozenSet[str]] = None) -> List[Finding]:
    """Run every rule (of those in `only`) that can decide on this capture; faults first, then the surer ones."""
    findings = [
        finding
        for each in CATALOGUE
        if (only is None or each.id in only) and each.can_decide(evidence)
        for finding in _findings(each, evidence)
    ]
    findings = said_once(findings)
    softening = ids(lambda each: each.softens)
    if any(f.rule in softening and f.severity == "warning" for f in findings):
        lasting, runaways = ids(lambda each: each.lasting), named((RUNAWAY,))
        findings = [_softened(finding, evidence, lasting, runaways) for finding in findings]
    if evidence.unlabelled:
        findings = [_unlabelled(finding, evidence) for finding in findings]
    findings.sort(key=lambda f: (SEVERITIES.index(f.severity), -f.confidence))
    return findings


def _findings(each: Rule, evidence: BusEvidence) -> Iterator[Finding]:
    for found in each.decide(evidence):
        shares = found.suspects if found.suspects is not None else each.suspects
        suspects = tuple(SuspectShare(name, share) for name, share in shares)
        severity = found.severity or each.severity
        yield Finding(
            rule=each.id,
            severity=severity,
            lines=found.lines,
            suspect=suspects[0].suspect if suspects else "none",
            confidence=found.confidence if found.confidence is not None else STRONG,
            first_s=found.first_s,
            last_s=found.last_s,
            count=found.count,
            evidence=found.evidence,
            next_step=found.next_step or each.next_step,
            caution=each.caution if severity != "note" else "",
            suspects=suspects,
            title=found.title or each.title,
        )
