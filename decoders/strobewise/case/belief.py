"""How sure a case is of each suspect: captures, then answers, by Bayes' rule (textbook), with the shop's own closed cases told apart.

Where the captures find a fault, their verdict's shares stand, and what they leave open goes to the others by the symptom. Where they find
none, a suspect loses as much as the rules that would have shown it could decide. Each answer multiplies by what it says of the suspect.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..bus.lines import STROBES
from ..bus.model import SUSPECTS, Finding, Suspect, Verdict
from ..hookup.symptoms import UNKNOWN, find_symptom
from ..records.evidence import BusEvidence
from ..rules import CATALOGUE
from ..rules.base import Rule
from .checks import chances, outcome
from .explained import keeps_to_program, leaves_program, parts_early
from .records import Answer

Shares = dict[Suspect, float]
TRUST = 0.9  #: that a rule which can decide sees the fault that it is for; our choice
REPLAY_TRUST = 0.5  #: that a program which runs as it should would have met a fault of memory or buses: it may not go there; our choice
#: Parts that lead a running program astray; the others stop it, or disturb no program (common practice).
MISLEADS = frozenset({"cpu", "rom", "ram", "data_bus", "address_bus", "glue", "connection", "expansion_device"})
KEEPS_ON = 0.3  #: that another part leads a program astray nevertheless; our choice
NOT_READ_YET = 0.2  #: that a memory leads a program astray which has hardly had the time to write to it and read it again; our choice
GOOD_AT_CONNECTOR = 0.4  #: that a bad contact or joint is none of those whose lines are good at the connector; our choice
OTHER_LEADS = 0.15  #: that a lead shows a fault again on another channel, where the lead was to blame; our choice
NOBODY = frozenset({"none"})
PLAUSIBLE = 0.02  #: least share of any suspect before the first capture: a symptom does not rule anybody out


def normalised(shares: Mapping[Suspect, float]) -> Shares:
    """Return shares that add up to 1."""
    total = sum(shares.values()) or 1.0
    return {name: share / total for name, share in shares.items()}


def prior(symptom: str) -> Shares:
    """Return how likely each suspect is by the symptom alone."""
    known = find_symptom(symptom) or UNKNOWN
    return normalised({name: max(known.weights.get(name, 0.0), PLAUSIBLE) for name in SUSPECTS if name not in NOBODY})


def seen_by(rule: Rule, suspect: Suspect) -> float:
    """Return how much a rule has to say of a suspect, 0..1."""
    return next((share for name, share in rule.suspects if name == suspect), 0.0) if rule.severity == "fault" else 0.0


def detection(suspect: Suspect, records: Sequence[BusEvidence]) -> float:
    """Return the chance that captures would have shown a fault of a suspect, by the rules that could decide on them."""
    whole = known = 0.0
    for rule in CATALOGUE:
        weight = seen_by(rule, suspect)
        if not weight or not any(rule.needs):
            continue
        whole += weight
        known += weight if any(rule.can_decide(record) for record in records) else 0.0
    found = TRUST * known / whole if whole else 0.0
    replayed = any(keeps_to_program(record.replay) for record in records)
    return max(found, REPLAY_TRUST) if replayed and suspect in ("rom", "ram", "data_bus", "address_bus", "glue", "connection") else found


def from_captures(start: Shares, verdict: Verdict, records: Sequence[BusEvidence]) -> Shares:
    """Return the shares after the captures."""
    if verdict.state == "fault":
        told: Shares = {share.suspect: share.confidence for share in verdict.suspects if share.suspect in start}
        rest = normalised({name: share for name, share in start.items() if name not in told})
        left = max(0.0, 1.0 - sum(told.values()))
        return normalised({name: told.get(name, 0.0) + left * rest.get(name, 0.0) for name in start})
    shares = {name: share * (1.0 - detection(name, records)) for name, share in start.items()}
    if any(leaves_program(record.replay) for record in records):  # what it does is wrong, though no rule says why
        shares = {name: share * (1.0 if name in MISLEADS else KEEPS_ON) for name, share in shares.items()}
    if any(parts_early(record.replay) for record in records):
        shares["ram"] = shares.get("ram", 0.0) * NOT_READ_YET
    if any("connector" in record.probe_at.values() for record in records):
        shares["connection"] = shares.get("connection", 0.0) * GOOD_AT_CONNECTOR
    return normalised(shares)


def at_connector(shares: Shares, lines: Sequence[str], good: frozenset[str]) -> Shares:
    """Return the shares where the lines of a fault were seen at the connector. good: those that were well there."""
    if not lines or not good.issuperset(lines):
        return shares
    return normalised({name: share * (GOOD_AT_CONNECTOR if name == "connection" else 1.0) for name, share in shares.items()})


def other_leads(shares: Shares, findings: Sequence[Finding], channels: Sequence[Mapping[str, str]], seen: Sequence[set[str]]) -> Shares:
    """Return the shares where captures show the same line at fault on different channels of the analyser: two bad leads are seldom.

    channels: line -> channel of each capture; seen: the lines at fault in each.
    """
    lines = {line for finding in findings if finding.severity == "fault" for line in finding.lines if line in STROBES}
    for line in sorted(lines):
        used = {names[line] for names, faulty in zip(channels, seen, strict=True) if line in faulty and line in names}
        if len(used) > 1:
            factor = OTHER_LEADS ** (len(used) - 1)
            shares = normalised({name: share * (factor if name == "probe_or_capture" else 1.0) for name, share in shares.items()})
    return shares


def after(shares: Shares, answer: Answer, found: str | None = None, reach: float = 1.0) -> Shares:
    """Return the shares after an answer. found: its outcome where captures tell it; reach: see checks.chances."""
    result = found or outcome(answer)
    if result is None:
        return shares
    return normalised({name: share * chances(answer, name, result, reach) for name, share in shares.items()})
