"""Several captures of one machine, one verdict: who has eight channels clips them here and there in turn.

Each capture is judged by itself first: a rule needs its lines in one capture, since two captures never show the same moment.
What they prove is then joined: findings of one rule and the same lines become one, a line's state is the one of the
capture that says most of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Dict, FrozenSet, List, Mapping, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, LINE, STROBES, bar, pin_text
from ..bus.model import LEAD_PLACES, Finding, LeadPlace, LineState, Shares, SuspectShare
from ..records.evidence import BusEvidence, StrobeCount
from ..records.strobes import behaviour
from ..rules import blame
from ..rules.base import CAUTION_SOLDER, find_rule, ids
from ..rules.grades import HINT, STRONG
from ..rules.replay import REPLAY_RULE

ALIVE = 20  #: requests in which a strobe must be seen to be called good
MOVES = 20  #: edges of an address or data line from which it is called good where the rule that accuses it elsewhere could decide
WORDS: Dict[LeadPlace, str] = {"cpu": "at the CPU", "connector": "at the connector"}

Explanation = Tuple[str, str, Tuple[str, ...]]  #: kind of fault, its place, its lines
DEAD = ("dead-high", "dead-low")
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
    each = _narrowest_explanations(each, records)
    joined: Dict[Tuple[str, str, Tuple[str, ...]], Finding] = {}
    seen: Dict[Tuple[str, str, Tuple[str, ...]], List[str]] = {}
    place: Dict[Tuple[str, str, Tuple[str, ...]], Optional[LeadPlace]] = {}
    for findings, name, record in zip(each, names, records):
        for finding in findings:
            at = _place(finding, record)
            key = (finding.rule, finding.severity, finding.lines)
            known = joined.get(key)
            if known is None or _says_more(finding, at, known, place[key]):
                joined[key], place[key] = finding, at
            seen.setdefault(key, []).append(name)
    present = {finding.rule for finding in joined.values() if finding.severity == "fault"}
    answered = ids(lambda each: not present.isdisjoint(each.answers()))
    return [
        _weighed(
            finding._replace(evidence=f"{finding.evidence} (in {', '.join(seen[key])})"), place[key],
            _good_in(finding, each, records, names),
        )
        for key, finding in joined.items()
        if finding.rule not in answered
    ]  # fmt: skip


def _narrowest_explanations(each: Sequence[Sequence[Finding]], records: Sequence[BusEvidence]) -> List[List[Finding]]:
    """Leave out what the known program says of a capture where another capture leaves fewer of the same faults open."""
    told = [_explanations(record) for record in records]
    moving = {place: _moving(records, place) for place in LEAD_PLACES}
    kept = []
    for findings, mine in zip(each, told):
        beaten = any(other and other < mine for other in told) or all(_contradicted(explanation, moving) for explanation in mine)
        kept.append([finding for finding in findings if finding.rule != REPLAY_RULE or not (mine and beaten)])
    return kept


def _moving(records: Sequence[BusEvidence], place: LeadPlace) -> FrozenSet[str]:
    """Return the lines that a lead at this place shows moving."""
    return frozenset(
        name for record in records for name in record.captured & record.lines.keys()
        if record.probe_at.get(name, "cpu") == place and record.line(name).edges >= MOVES
    )  # fmt: skip


def _contradicted(explanation: Explanation, moving: Mapping[LeadPlace, FrozenSet[str]]) -> bool:
    """Say whether another capture shows a line moving where an explanation has it dead."""
    fault, place, lines = explanation
    if fault not in DEAD or not lines:
        return False
    return moving["connector" if place == "socket" else "cpu"].issuperset(lines) and place in ("cpu", "line", "socket")


def _explanations(record: BusEvidence) -> FrozenSet[Explanation]:
    first = (candidate for candidate in (record.replay.candidates if record.replay is not None else ()) if candidate.group == 1)
    return frozenset((candidate.fault, candidate.place, candidate.lines) for candidate in first)


def _place(finding: Finding, record: BusEvidence) -> Optional[LeadPlace]:
    """Return where the lead sat that shows a finding of one line; None for a finding of several."""
    return record.probe_at.get(finding.lines[0], "cpu") if len(finding.lines) == 1 else None


def _says_more(finding: Finding, at: Optional[LeadPlace], known: Finding, known_at: Optional[LeadPlace]) -> bool:
    """Say which of two like findings is told: the one at the CPU's own pin, where fewer parts come into question, else the surer one."""
    if at != known_at:
        return at == "cpu"
    return finding.confidence > known.confidence


def _good_in(
    finding: Finding, each: Sequence[Sequence[Finding]], records: Sequence[BusEvidence], names: Sequence[str]
) -> List[Tuple[str, LeadPlace]]:
    """Return the captures, and the places of the lead there, in which a line that a finding accuses does all that is asked of it."""
    if finding.severity != "fault" or len(finding.lines) != 1 or finding.rule == REPLAY_RULE:
        return []  # the known program speaks of the board behind a pin: a lead that shows the line well does not contradict it
    line, rule = finding.lines[0], find_rule(finding.rule)
    good = []
    for found, record, name in zip(each, records, names):
        if line in STROBES:
            count = record.strobes.get(line)
            well = count is not None and count.seen >= ALIVE and behaviour(record.line(line), count) is None
        else:
            well = line in (*ADDRESS, *DATA) and rule is not None and rule.can_decide(record) and record.line(line).edges >= MOVES
        if well and not any(line in other.lines and other.severity != "note" and other.rule != REPLAY_RULE for other in found):
            good.append((name, record.probe_at.get(line, "cpu")))
    return good


def _weighed(finding: Finding, at: Optional[LeadPlace], good: Sequence[Tuple[str, LeadPlace]]) -> Finding:
    """Return a finding that another capture contradicts: at another place of the line, the way between the two; else a contact."""
    elsewhere = [name for name, place in good if place != at]
    if elsewhere:
        return _between(finding, at, elsewhere)
    alive = [name for name, _ in good if finding.lines[0] in STROBES]
    if not alive:
        return finding
    name = bar(finding.lines[0])
    return finding._replace(
        evidence=f"{finding.evidence}; but {name} is good in {', '.join(alive)}: a contact, a lead, or a fault that comes and goes",
        suspect=blame.COMES_AND_GOES[0][0], suspects=_shares(blame.COMES_AND_GOES),
        confidence=min(finding.confidence, HINT),
        next_step=f"capture {name} again with its lead on the same pin, while you move the lead, press on the socket and warm the board",
    )  # fmt: skip


def _between(finding: Finding, at: Optional[LeadPlace], good: Sequence[str]) -> Finding:
    """Return a finding of a line that is right at the other end of it."""
    line = finding.lines[0]
    name, here, there = bar(line), WORDS[at or "cpu"], WORDS["cpu" if at == "connector" else "connector"]
    evidence = f"{finding.evidence}; but {name} is good {there} in {', '.join(good)}"
    if at == "cpu" and LINE[line].direction == "output":
        return finding._replace(
            evidence=f"{evidence}, which it only reaches through the CPU's pin: the lead at the pin shows something else",
            suspect=blame.LEAD_AT_THE_CPU[0][0], suspects=_shares(blame.LEAD_AT_THE_CPU),
            title=f"the lead for {pin_text(line)} comes first: the line is good {there}, which it only reaches from that pin",
            next_step=f"put the lead for {name} on its pin anew and capture again",
        )  # fmt: skip
    return finding._replace(
        evidence=f"{evidence}: the fault lies between the two places", confidence=max(finding.confidence, STRONG),
        suspect=blame.BETWEEN_TWO_PLACES[0][0], suspects=_shares(blame.BETWEEN_TWO_PLACES), caution=CAUTION_SOLDER,
        title=f"{pin_text(line)} is good {there} and not {here}: the fault lies between the two places",
        next_step=f"power off and measure the resistance of {name} from pin {LINE[line].pin} to the connector, while you press on the "
        "socket and the joints: a good way has a few ohms at most; clean or re-solder what is open, and capture again",
    )  # fmt: skip


def _shares(row: Shares) -> Tuple[SuspectShare, ...]:
    return tuple(SuspectShare(*share) for share in row)


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
