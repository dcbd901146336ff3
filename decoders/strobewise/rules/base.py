"""What a rule is, how it is registered, and how the catalogue is run over the evidence.

A rule is one small object: what it needs to see, how it decides, whom it suspects, what to measure next. To add one, write a function in
the file of its family with the decorator :func:`rule`; it yields :class:`Found` for each thing that it finds.
"""

from __future__ import annotations

from typing import Callable, FrozenSet, Iterable, Iterator, List, NamedTuple, Optional, Tuple

from ..bus.model import SUSPECTS, Finding, SuspectShare
from ..records.evidence import BusEvidence

SEVERITIES = ("fault", "warning", "note")

#: Cautions that go with steps in which the user touches the machine (common practice).
CAUTION_CLIP = (
    "Power off and unplug before moving a clip; clip ground first; never bridge two pins; stay off pins that may carry more than 5 V "
    "or raw AC. A set with a display tube or a mains supply inside holds dangerous voltage even unplugged: leave it to someone trained for it."
)
CAUTION_SOLDER = (
    "Power off, unplug, wear an earthed wrist strap (MOS parts die from static), ventilate when soldering (old solder has lead), and follow "
    "local electrical rules. A set with a display tube or a mains supply inside belongs in trained hands."
)

Shares = Tuple[Tuple[str, float], ...]


class Found(NamedTuple):
    """One thing that a rule found; what is None comes from the rule."""

    evidence: str  #: one sentence with numbers and times
    lines: Tuple[str, ...]
    count: int = 1  # type: ignore[assignment]  # as in Finding
    first_s: Optional[float] = None
    last_s: Optional[float] = None
    severity: Optional[str] = None
    suspects: Optional[Shares] = None
    next_step: Optional[str] = None
    confidence: Optional[float] = None  #: that the line behaves as said, whoever is to blame


class Rule(NamedTuple):
    """One row of the catalogue."""

    id: str
    title: str
    severity: str
    needs: Tuple[Tuple[str, ...], ...]  #: sets of lines, any one of which lets the rule decide
    judges: Tuple[str, ...]  #: lines (or parts of the machine) that it can find at fault
    suspects: Shares  #: usual suspects with their share, most likely first
    looks_for: str
    causes: str
    next_step: str
    source: str
    caution: str
    decide: Callable[[BusEvidence], Iterable[Found]]

    def can_decide(self, evidence: BusEvidence) -> bool:
        """Say whether the capture shows enough for this rule."""
        return any(evidence.has(*lines) for lines in self.needs)


CATALOGUE: List[Rule] = []


def rule(
    id: str,
    title: str,
    severity: str,
    needs: Tuple[Tuple[str, ...], ...],
    judges: Tuple[str, ...],
    suspects: Shares,
    looks_for: str,
    causes: str,
    next_step: str,
    source: str,
    caution: str = CAUTION_CLIP,
) -> Callable[[Callable[[BusEvidence], Iterable[Found]]], Callable[[BusEvidence], Iterable[Found]]]:
    """Register a function as a rule of the catalogue."""
    if severity not in SEVERITIES or any(name not in SUSPECTS for name, _ in suspects) or any(r.id == id for r in CATALOGUE):
        raise ValueError(f"bad rule {id!r}")

    def register(decide: Callable[[BusEvidence], Iterable[Found]]) -> Callable[[BusEvidence], Iterable[Found]]:
        CATALOGUE.append(
            Rule(id, title, severity, needs, judges, suspects, looks_for, causes, next_step, source, caution, decide)
        )
        return decide

    return register


COARSE_SAMPLES = 3.0  #: samples a T-state below which half-T events are lost (two samples for each half clock, and a little)

#: Rules that judge what lasts, and so may speak of a fault even in a capture that was sampled too slowly for the others.
LASTING = (
    "clock-stopped", "reset-held", "reset-loop", "wait-held", "bus-request-held", "interrupt-held", "nmi-held", "halted-for-good",
    "reads-all-ff", "reads-all-00", "reads-all-alike", "leads-swapped",
)  # fmt: skip


def too_coarse(evidence: BusEvidence) -> bool:
    """Say whether the capture was sampled too slowly to tell a missing strobe from a lost one."""
    return evidence.samples_per_t is not None and evidence.samples_per_t < COARSE_SAMPLES


def _softened(finding: Finding, evidence: BusEvidence) -> Finding:
    """Return a fault as a warning where too few samples may have made it; a line without any edge stays what it is."""
    still = bool(finding.lines) and all(evidence.line(name).edges == 0 for name in finding.lines)
    return finding if finding.severity != "fault" or finding.rule in LASTING or still else finding._replace(severity="warning")


def _unlabelled(finding: Finding, evidence: BusEvidence) -> Finding:
    """Return a fault as a warning where a line that it names was found by behaviour only, and not beyond doubt."""
    record = evidence.parts.get("identified")
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
    if too_coarse(evidence) and any(f.rule == "capture-too-coarse" and f.severity == "warning" for f in findings):
        findings = [_softened(finding, evidence) for finding in findings]
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
            confidence=found.confidence if found.confidence is not None else 0.9,
            first_s=found.first_s,
            last_s=found.last_s,
            count=found.count,
            evidence=found.evidence,
            next_step=found.next_step or each.next_step,
            caution=each.caution if severity != "note" else "",
            suspects=suspects,
        )


def find_rule(id: str) -> Optional[Rule]:
    """Return the rule with this id, or None."""
    return next((each for each in CATALOGUE if each.id == id), None)


def milliseconds(seconds: Optional[float]) -> str:
    """Return a time in the unit that a bench worker would say it in."""
    if seconds is None:
        return "?"
    size = abs(seconds)
    for limit, factor, unit in ((1e-6, 1e9, "ns"), (1e-3, 1e6, "µs"), (1.0, 1e3, "ms")):
        if size < limit:
            return f"{seconds * factor:.3g} {unit}"
    return f"{seconds:.4g} s"
