"""Findings to verdict: which parts are suspect, how sure, in one sentence, and what to measure or clip next.

Confidences: a finding's confidence (that the line behaves as said, see rules/grades.py) times the share of each suspect (rules/blame.py),
joined over the findings and held below CONFIDENCE_CAP. The figures here are our choice, held against simulated faults
(benchmarks/fault_matrix.py prints how often verdicts of each confidence are right).
"""

from __future__ import annotations

from math import floor
from typing import Dict, List, Optional, Sequence, Tuple

from ..bus.lines import bar
from ..bus.model import SUSPECTS, Finding, Step, Suspect, SuspectShare, Verdict
from ..records.evidence import BusEvidence
from ..rules.base import CATALOGUE, ids
from .coverage import clip_also, clip_words, not_judged
from .coverage import words as coverage_words
from .steps import steps
from .words import NEARLY_AS_LIKELY, SUSPECT_WORDS, headline, plain

#: No suspect is surer than this, however many findings agree: they all come from the same clips and the same few milliseconds, and a part
#: is only proved by measuring at it. Below the surest grade, so that a part is never as sure as what its line was seen to do.
CONFIDENCE_CAP = 0.95
#: Share that a finding leaves to a suspect which it does not name: what most rows of shares leave open is a few hundredths. Zero would let
#: one finding acquit for good whom another accuses.
LEFT_OPEN = 0.03
#: Suspects less likely than this are left out: nobody takes out a part for a chance of one in twenty, and the list stays short.
SHOWN = 0.05
#: What a finding's word on a suspect counts. A warning may have a cause that is no fault (a board that does so on purpose, a capture too
#: coarse): it must stay below a fault of the same grade, and even a certain one never names a part beyond 0.6. A note accuses nobody.
WEIGHT = {"fault": 1.0, "warning": 0.6, "note": 0.0}
#: The same for a warning beside faults: it is as likely to follow from them as to be of its own, and may only order what they leave open.
BESIDE_FAULTS = 0.3
ENOUGH_FETCHES = 8  #: below this not even one instruction of each common length was seen, and silence of the rules says nothing
UNSEEN = 0.3  #: for the leads where too little was seen to accuse anything: named first, far from sure
ALL_WELL = 0.8  #: that nothing is wrong where nothing was found: what the rules do not see, and the capture did not show, is left open


def judge(findings: Sequence[Finding], evidence: BusEvidence, records: Sequence[BusEvidence] = ()) -> Verdict:
    """Rank the suspects over all findings and say what they amount to.

    evidence: what the captures say together. records: what each of them says alone, where there are several.
    """
    faults = [f for f in findings if f.severity == "fault"]
    warnings = [f for f in findings if f.severity == "warning"]
    order = {each.id: each.undecided for each in CATALOGUE if each.undecided}
    doubts = sorted((f for f in warnings if f.rule in order), key=lambda f: order[f.rule])
    naming = ids(lambda each: each.names_channels)
    by_behaviour = [f for f in findings if f.rule in naming and f.severity == "note"]
    missing = not_judged(records or (evidence,))
    clip, clip_first = clip_also(evidence), clip_words(evidence, missing)
    if faults:
        suspects = rank(faults, warnings)
        todo = steps(faults + warnings + by_behaviour, evidence.captured)
        words = headline(faults, suspects, evidence)
        return Verdict("fault", suspects, _sentence(faults, suspects), _texts(todo), clip, words, missing, todo)
    if doubts or not _enough(evidence):
        why = "the capture shows too little of the CPU at work"
        suspects = rank(doubts, []) if doubts else (SuspectShare("probe_or_capture", UNSEEN),)
        text = f"Cannot decide: {doubts[0].evidence if doubts else why}"
        todo = steps(doubts + [f for f in warnings if f not in doubts], evidence.captured)
        words = f"Cannot decide: {plain(doubts[0], evidence) if doubts else why}." + (f" Next clip {clip_first}." if clip_first else "")
        return Verdict("cannot_decide", suspects, text, _texts(todo), clip, words, missing, todo)
    text = words = f"No fault found in {_amount(evidence)}"
    if warnings:
        text += f"; {warnings[0].evidence}"
        words += f", but {plain(warnings[0], evidence)}"
    else:
        text += "; the channels have no names and were told by their behaviour" if by_behaviour else ""
        praising = ids(lambda each: each.praises)
        text += "".join(f"; {f.evidence}" for f in findings if f.rule in praising and "M1" in f.lines)
    if missing:
        words += f"; not judged with these leads: {coverage_words(missing)}" + (f"; next clip {clip_first}" if clip_first else "")
    suspects = rank(warnings, []) if warnings else (SuspectShare("none", ALL_WELL),)
    todo = steps(warnings + by_behaviour, evidence.captured)
    return Verdict("no_fault_found", suspects, text, _texts(todo), clip if missing else (), f"{words}.", missing, todo)


def _texts(todo: Sequence[Step]) -> Tuple[str, ...]:
    return tuple(step.text for step in todo)


def without_consequences(findings: Sequence[Finding]) -> List[Finding]:
    """Drop findings that another one, at least as severe, explains."""
    relabelling = ids(lambda each: each.relabels)
    relabelled = {line for f in findings if f.rule in relabelling for line in f.lines}
    if relabelled:
        # Under wrong labels the other rules judged a machine that is not there.
        stands = ids(lambda each: each.stands_by_itself) if "CLK" not in relabelled else frozenset()
        return [
            f for f in findings
            if f.rule in relabelling or f.severity == "note" or (f.rule in stands and not (f.lines and set(f.lines) <= relabelled))
        ]  # fmt: skip
    faults = {f.rule for f in findings if f.severity == "fault"}
    moot = {name for each in CATALOGUE if each.id in faults for name in each.consequences()}
    explaining = ids(lambda each: each.explains_its_lines)
    explained = {line for f in findings if f.rule in explaining for line in f.lines}
    return [f for f in findings if f.rule not in moot and (f.rule in explaining or not f.lines or not set(f.lines) <= explained)]


def rank(primary: Sequence[Finding], secondary: Sequence[Finding]) -> Tuple[SuspectShare, ...]:
    """Join the findings' suspects, most likely first.

    Findings that share a line speak of one fault: their shares multiply. Findings that share none may be faults of their own: the
    strongest word on each suspect counts. Warnings beside faults weigh less.
    """
    best: Dict[Suspect, float] = {}
    for group in _same_fault([*primary, *secondary]):
        weight = max(f.confidence * WEIGHT[f.severity] * (1.0 if f in primary else BESIDE_FAULTS) for f in group)
        for name, share in _joined(group).items():
            best[name] = max(best.get(name, 0.0), min(CONFIDENCE_CAP, share * weight))
    ranked = sorted(best.items(), key=lambda item: (-round(item[1], 3), SUSPECTS.index(item[0])))
    rest = sum(share for _, share in ranked[1:])
    if rest and ranked[0][1] + rest > 1.0:  # faults of their own: the first suspect keeps its share, the others get what is left
        ranked[1:] = [(name, share * (1.0 - ranked[0][1]) / rest) for name, share in ranked[1:]]
    return tuple(SuspectShare(name, floor(share * 1000 + 1e-6) / 1000) for name, share in ranked if share >= SHOWN)  # never up to above 1


def _same_fault(findings: Sequence[Finding]) -> List[List[Finding]]:
    groups: List[List[Finding]] = []
    for finding in findings:
        home = next((g for g in groups if any(set(f.lines) & set(finding.lines) and f.severity == finding.severity for f in g)), None)
        if home is None:
            groups.append([finding])
        else:
            home.append(finding)
    return groups


def _joined(group: Sequence[Finding]) -> Dict[Suspect, float]:
    """Multiply the shares of findings that speak of one fault; what a finding leaves open goes to the suspects it does not name."""
    names = dict.fromkeys(share.suspect for finding in group for share in finding.suspects)  # in order: sums round by it
    product = dict.fromkeys(names, 1.0)
    total = 0.0
    for finding in group:
        shares = {share.suspect: share.confidence for share in finding.suspects}
        total = max(total, sum(shares.values()))
        for name in names:
            product[name] *= max(shares.get(name, 0.0), LEFT_OPEN)
    scale = sum(product.values())
    return {name: value / scale * min(1.0, total) for name, value in product.items()} if scale else {}


def _sentence(faults: Sequence[Finding], suspects: Sequence[SuspectShare]) -> str:
    first = faults[0]
    text = first.evidence[0].upper() + first.evidence[1:]
    others = {f.rule for f in faults[1:]} - {first.rule}
    if others:
        text += f" (and {len(others)} more finding{'s' if len(others) > 1 else ''})"
    if suspects:
        text += f": most likely {SUSPECT_WORDS[suspects[0].suspect]}"
        if len(suspects) > 1 and suspects[1].confidence > NEARLY_AS_LIKELY * suspects[0].confidence:
            text += f", else {SUSPECT_WORDS[suspects[1].suspect]}"
    return text


def _amount(evidence: BusEvidence) -> str:
    cycles = sum(n for kind, n in evidence.cycles.items() if kind != "bus_granted")
    lines = len(evidence.captured)
    alone = pulsing(evidence)
    counted = f"{cycles} machine cycle{'s' if cycles != 1 else ''}"
    if alone is not None and evidence.cycles["opcode_fetch"] < ENOUGH_FETCHES:
        counted = f"{evidence.line(alone).edges // 2} pulses of {bar(alone)}"
    return f"{counted} on {lines} line{'s' if lines != 1 else ''}"


def pulsing(evidence: BusEvidence) -> Optional[str]:
    """Return the strobe that shows a CPU at work where /MREQ was not captured, so that no machine cycle could be rebuilt."""
    if evidence.has("MREQ"):
        return None
    enough = 2 * ENOUGH_FETCHES
    return next((name for name in ("M1", "RD") if name in evidence.captured and evidence.line(name).edges >= enough), None)


def _enough(evidence: BusEvidence) -> bool:
    return evidence.cycles["opcode_fetch"] >= ENOUGH_FETCHES or pulsing(evidence) is not None
