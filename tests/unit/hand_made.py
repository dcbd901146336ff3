"""Evidence made by hand: a healthy machine's, to be changed in one thing."""

from __future__ import annotations

from strobewise.bus.model import KIND_INDEX
from strobewise.records.evidence import CLASSES, PATTERN_LINES, BusEvidence, ClockEvidence, LineEvidence, Span, count_strobes
from strobewise.rules import run


def evidence_of(**changes):
    """Return the evidence of a healthy full-bus capture of 10 ms, with changes."""
    captured = frozenset(
        ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK")
    )
    evidence = BusEvidence(captured=captured, end_s=0.01, sample_interval_s=4.2e-8, samples_per_t=7.0)
    evidence.lines = {name: LineEvidence(name, edges=6000, high_fraction=0.5) for name in captured}
    for name in ("HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK"):
        evidence.lines[name] = LineEvidence(name, edges=0, high_fraction=1.0)
    evidence.clock = ClockEvidence(3_500_000.0, "CLK", 35_000, 2.4e-7, Span(0.0, 3.4e-7), 2.0e-8, 0.5, 0.01, None)
    pattern = {name: 1 << k for k, name in enumerate(PATTERN_LINES)}
    fetch = pattern["M1"] | pattern["MREQ"] | pattern["RD"]
    evidence.histogram[KIND_INDEX["opcode_fetch"]][fetch] = 1000
    evidence.histogram[CLASSES - 1][pattern["MREQ"] | pattern["RFSH"]] = 1000
    evidence.histogram[KIND_INDEX["memory_read"]][pattern["MREQ"] | pattern["RD"]] = 500
    evidence.strobes = count_strobes(evidence.histogram, captured)
    evidence.cycles["opcode_fetch"], evidence.cycles["memory_read"] = 1000, 500
    evidence.requests, evidence.first_request_s, evidence.last_request_s = 2500, 0.0, 0.01
    for name, value in changes.items():
        setattr(evidence, name, value)
    return evidence


def rules_of(evidence):
    return {finding.rule for finding in run(evidence)}
