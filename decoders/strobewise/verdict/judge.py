"""Findings to verdict: which parts are suspect, how sure, in one sentence, and what to measure or clip next.

Confidences: a finding's confidence (that the line behaves as said) times the share of each suspect, joined over the findings and held
below CONFIDENCE_CAP. The shares are calibrated on simulated faults (benchmarks/fault_matrix.py prints the table).
"""

from __future__ import annotations

from typing import Dict, List, Sequence, Tuple

from ..bus.model import SUSPECTS, Finding, Suspect, SuspectShare, Verdict
from ..records.evidence import BusEvidence
from ..rules.base import CATALOGUE, ids

CONFIDENCE_CAP = 0.95
LEFT_OPEN = 0.03  #: share that a finding leaves to a suspect which it does not name
SHOWN = 0.05  #: suspects less likely than this are left out
WEIGHT = {"fault": 1.0, "warning": 0.6, "note": 0.0}


def judge(findings: Sequence[Finding], evidence: BusEvidence) -> Verdict:
    """Rank the suspects over all findings and say what they amount to."""
    faults = [f for f in findings if f.severity == "fault"]
    warnings = [f for f in findings if f.severity == "warning"]
    order = {each.id: each.undecided for each in CATALOGUE if each.undecided}
    doubts = [f for f in warnings if f.rule in order]
    naming = ids(lambda each: each.names_channels)
    by_behaviour = [f for f in findings if f.rule in naming and f.severity == "note"]
    if faults:
        suspects = rank(faults, warnings)
        return Verdict("fault", suspects, _sentence(faults, suspects), _steps(faults + warnings + by_behaviour), _clip_also(evidence))
    if doubts:
        suspects = rank(doubts, [])
        doubts.sort(key=lambda f: order[f.rule])
        return Verdict("cannot_decide", suspects, "Cannot decide: " + doubts[0].evidence, _steps(doubts + warnings), _clip_also(evidence))
    if not _enough(evidence):
        text = "Cannot decide: the capture shows too little of the CPU at work"
        return Verdict("cannot_decide", (SuspectShare("probe_or_capture", 0.3),), text, _steps(warnings), _clip_also(evidence))
    if warnings:
        suspects = rank(warnings, [])
        text = f"No fault found in {_amount(evidence)}; {warnings[0].evidence}"
        return Verdict("no_fault_found", suspects, text, _steps(warnings + by_behaviour), ())
    how = "; the channels have no names and were told by their behaviour" if by_behaviour else ""
    praising = ids(lambda each: each.praises)
    how += "".join(f"; {f.evidence}" for f in findings if f.rule in praising and "M1" in f.lines)
    text = f"No fault found in {_amount(evidence)}{how}"
    return Verdict("no_fault_found", (SuspectShare("none", 0.8),), text, _steps(by_behaviour), ())


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
        weight = max(f.confidence * WEIGHT[f.severity] * (1.0 if f in primary else 0.3) for f in group)
        for name, share in _joined(group).items():
            best[name] = max(best.get(name, 0.0), min(CONFIDENCE_CAP, share * weight))
    ranked = sorted(best.items(), key=lambda item: (-round(item[1], 3), SUSPECTS.index(item[0])))
    return tuple(SuspectShare(name, round(share, 3)) for name, share in ranked if share >= SHOWN)


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
        if len(suspects) > 1 and suspects[1].confidence > 0.4 * suspects[0].confidence:
            text += f", else {SUSPECT_WORDS[suspects[1].suspect]}"
    return text


SUSPECT_WORDS = {
    "cpu": "the CPU",
    "rom": "the ROM",
    "ram": "the RAM",
    "data_bus": "the data bus",
    "address_bus": "the address bus",
    "glue": "the board's own logic",
    "clock": "the clock",
    "reset": "the reset circuit",
    "supply": "the supply",
    "expansion_device": "the expansion device",
    "connection": "a connection (socket, joint, track or edge connector)",
    "program": "the program",
    "probe_or_capture": "the lead, its label or the capture",
    "none": "nothing",
}


def _steps(findings: Sequence[Finding]) -> Tuple[str, ...]:
    steps: List[str] = []
    for finding in findings:
        if finding.next_step and finding.next_step not in steps:
            steps.append(finding.next_step)
    return tuple(steps[:4])


def _amount(evidence: BusEvidence) -> str:
    cycles = sum(n for kind, n in evidence.cycles.items() if kind != "bus_granted")
    lines = len(evidence.captured)
    return f"{cycles} machine cycle{'s' if cycles != 1 else ''} on {lines} line{'s' if lines != 1 else ''}"


def _enough(evidence: BusEvidence) -> bool:
    return evidence.cycles["opcode_fetch"] >= 8


def _clip_also(evidence: BusEvidence) -> Tuple[str, ...]:
    """Name the lines that tell most when they are added, those that hold a CPU first; none while it is not known what is there."""
    if evidence.unlabelled:
        return ()
    wanted = ("MREQ", "M1", "CLK", "RESET", "WAIT", "BUSREQ", "RD", "WR", "IORQ", "RFSH", "HALT", "INT")
    return tuple(name for name in wanted if name not in evidence.captured)[:4]
