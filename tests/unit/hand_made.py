"""Evidence made by hand: a healthy machine's, to be changed in one thing."""

from __future__ import annotations

from bitarray import bitarray

from strobewise.bus.model import KIND_INDEX
from strobewise.records.evidence import CLASSES, PATTERN_LINES, BusEvidence, ClockEvidence, LineEvidence, Span, count_strobes
from strobewise.records.memory import Levels, MemoryRecord
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
    evidence.clock = ClockEvidence(3_500_000.0, "CLK", 35_000, Span(0.0, 3.4e-7), 2.0e-8, 0.01, None)
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


def of_memory(pages=(), mismatched=4, **changes):
    """Return the record of a memory that was read and written, with some bytes that came back otherwise, and changes."""
    maps = [bitarray(65536) for _ in range(4)]
    for each in maps:
        each.setall(False)
    maps[0][:64] = True
    maps[3][0x8000 : 0x8000 + mismatched] = True
    memory = MemoryRecord(
        *maps, Levels(200, 0xFF, 0x00), Levels(50, 0xFF, 0x00), Levels(), Levels(50, 0xFF, 0), list(pages), 200, 0, 0, 0, 200, {}, {}, [],
        60, (0x21, 20), 5, 0, 0, [0] * 8,
    )  # fmt: skip
    for name, value in changes.items():
        setattr(memory, name, value)
    return memory
