"""Several captures of one machine, one verdict: who has eight channels clips them here and there in turn.

Each capture is judged by itself first: a rule needs its lines in one capture, since two captures never show the same moment.
What they prove is then joined: findings of one rule and the same lines become one, a line's state is the one of the
capture that says most of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.lines import STROBES, bar
from ..bus.model import Finding, LineState, SuspectShare
from ..records.evidence import BusEvidence, StrobeCount
from ..records.strobes import behaviour
from ..rules import blame
from ..rules.base import ids
from ..rules.grades import HINT

ALIVE = 20  #: requests in which a strobe must be seen to be called good

#: What a state says of a line, the telling ones first.
TELLING = ("floating", "stuck_low", "stuck_high", "active", "idle", "not_captured")


def join_evidence(records: Sequence[BusEvidence]) -> BusEvidence:
    """Return what the captures say together, as far as it adds up: lines, cycles, strobe counts; the rest is the first capture's."""
    if len(records) == 1:
        return records[0]
    first = records[0]
    joined = replace(first)
    joined.captured = frozenset().union(*(record.captured for record in records))
    joined.inverted = frozenset().union(*(record.inverted for record in records))
    joined.unlabelled = all(record.unlabelled for record in records)
    joined.cycles = {kind: sum(record.cycles[kind] for record in records) for kind in first.cycles}
    joined.inferred_fetches = sum(record.inferred_fetches for record in records)
    joined.requests = sum(record.requests for record in records)
    joined.waits = sum(record.waits for record in records)
    clocks = sorted(records, key=lambda record: (record.clock.source != "CLK", record.clock.hz is None))
    joined.clock, joined.samples_per_t = clocks[0].clock, clocks[0].samples_per_t
    joined.strobes, joined.lines = {}, {}
    for record in records:
        for name, count in record.strobes.items():
            joined.strobes[name] = _add(joined.strobes.get(name), count)
        for name, line in record.lines.items():
            if name not in joined.lines or line.edges > joined.lines[name].edges:
                joined.lines[name] = line
        joined.buses, joined.memory = joined.buses or record.buses, joined.memory or record.memory
        joined.timing, joined.prediction = joined.timing or record.timing, joined.prediction or record.prediction
        joined.leads, joined.identified = joined.leads or record.leads, joined.identified or record.identified
        joined.pagings = joined.pagings or record.pagings
    return joined


def _add(one: Optional[StrobeCount], other: StrobeCount) -> StrobeCount:
    if one is None:
        return StrobeCount(other.expected, other.seen, other.others, other.wrong)
    return StrobeCount(
        one.expected + other.expected, one.seen + other.seen, one.others + other.others, one.wrong + other.wrong
    )


def join_findings(each: Sequence[Sequence[Finding]], names: Sequence[str], records: Sequence[BusEvidence]) -> List[Finding]:
    """Return the findings of all captures; one that several share is said once, and each says where it was seen.

    each, names, records: findings, name and evidence of each capture.
    """
    if len(each) == 1:
        return list(each[0])
    joined: Dict[Tuple[str, str, Tuple[str, ...]], Finding] = {}
    seen: Dict[Tuple[str, str, Tuple[str, ...]], List[str]] = {}
    for findings, name in zip(each, names):
        for finding in findings:
            key = (finding.rule, finding.severity, finding.lines)
            known = joined.get(key)
            if known is None or finding.confidence > known.confidence:
                joined[key] = finding
            seen.setdefault(key, []).append(name)
    present = {finding.rule for finding in joined.values() if finding.severity == "fault"}
    answered = ids(lambda each: not present.isdisjoint(each.answered_by))
    return [
        _weighed(finding._replace(evidence=f"{finding.evidence} (in {', '.join(seen[key])})"), _alive_in(finding, records, names))
        for key, finding in joined.items()
        if finding.rule not in answered
    ]


def _alive_in(finding: Finding, records: Sequence[BusEvidence], names: Sequence[str]) -> List[str]:
    """Return the captures in which a strobe that a finding calls dead does all that is asked of it."""
    if finding.severity != "fault" or len(finding.lines) != 1 or finding.lines[0] not in STROBES:
        return []
    line = finding.lines[0]
    return [
        name for record, name in zip(records, names)
        if line in record.strobes and record.strobes[line].seen >= ALIVE and behaviour(record.line(line), record.strobes[line]) is None
    ]  # fmt: skip


def _weighed(finding: Finding, alive: Sequence[str]) -> Finding:
    """Return a finding that another capture contradicts: an output that works there is not dead for good."""
    if not alive:
        return finding
    name = bar(finding.lines[0])
    return finding._replace(
        evidence=f"{finding.evidence}; but {name} is good in {', '.join(alive)}: a contact, a lead, or a fault that comes and goes",
        suspect=blame.COMES_AND_GOES[0][0], suspects=tuple(SuspectShare(*share) for share in blame.COMES_AND_GOES),
        confidence=min(finding.confidence, HINT),
        next_step=f"capture {name} again with its lead on the same pin, while you move the lead, press on the socket and warm the board",
    )  # fmt: skip


def join_lines(each: Sequence[Sequence[LineState]]) -> List[LineState]:
    """Return one state for every line: of the captures that show it, the most telling."""
    if len(each) == 1:
        return list(each[0])
    best: Dict[str, LineState] = {}
    for lines in each:
        for line in lines:
            known = best.get(line.line)
            if known is None or TELLING.index(line.state) < TELLING.index(known.state):
                best[line.line] = line
    return list(best.values())
