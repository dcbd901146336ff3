"""A diagnosis as the JSON that others rely on."""

from __future__ import annotations

import json
from typing import Any

from strobewise.bus.evidence import BusEvidence
from strobewise.bus.model import LineState
from strobewise.diagnosis import Diagnosis, Examined

FORMAT = "strobewise-diagnosis"
VERSION = 1


def document(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return the whole diagnosis as plain data; numbers that are not known are None."""
    evidence = diagnosis.evidence
    cycles = dict(evidence.cycles)
    cycles["inferred_fetches"] = evidence.inferred_fetches
    captures = [capture_document(examined) for examined in diagnosis.captures]
    body: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "capture": captures[0],
        "lines": [line_document(line) for line in diagnosis.lines],
        "clock_hz": evidence.clock.hz,
        "clock_source": evidence.clock.source,
        "cycles": cycles,
        "program": _program(evidence),
        "findings": [
            {
                "rule": finding.rule,
                "severity": finding.severity,
                "lines": list(finding.lines),
                "suspect": finding.suspect,
                "confidence": round(finding.confidence, 3),
                "first_s": finding.first_s,
                "last_s": finding.last_s,
                "count": finding.count,
                "evidence": finding.evidence,
                "next_step": finding.next_step,
                "caution": finding.caution,
            }
            for finding in diagnosis.findings
        ],
        "verdict": {
            "state": diagnosis.verdict.state,
            "suspects": [{"suspect": s.suspect, "confidence": s.confidence} for s in diagnosis.verdict.suspects],
            "summary": diagnosis.verdict.summary,
            "next_steps": list(diagnosis.verdict.next_steps),
            "clip_also": list(diagnosis.verdict.clip_also),
        },
    }
    if len(captures) > 1:
        body["captures"] = captures
    return body


def render(diagnosis: Diagnosis) -> str:
    """Return the document as text, with a line feed at its end."""
    return json.dumps(document(diagnosis), indent=1, ensure_ascii=True) + "\n"


def line_document(line: LineState) -> dict[str, Any]:
    """Return one line of the survey as plain data."""
    return {
        "line": line.line,
        "state": line.state,
        "edges": line.edges,
        "high_fraction": _rounded(line.high_fraction, 6),
        "shortest_pulse_s": line.shortest_pulse_s,
        "follows": line.follows,
        "remark": line.remark,
    }


def capture_document(examined: Examined) -> dict[str, Any]:
    """Return what is known of the capture itself as plain data."""
    evidence = examined.evidence
    return {
        "path": examined.path,
        "start_s": evidence.start_s,
        "duration_s": evidence.duration_s,
        "sample_interval_s": examined.sample_interval_s,
        "samples_per_t_state": _rounded(evidence.samples_per_t, 3),
        "channels": [{"name": use.name, "line": use.line, "inverted": use.inverted} for use in examined.channels.uses],
        "warnings": list(evidence.warnings),
    }


def _program(evidence: BusEvidence) -> dict[str, Any] | None:
    """Return how much of the program the model followed, None where it could not."""
    record = evidence.parts.get("prediction")
    if record is None:
        return None
    return {
        "instructions_followed": record.instructions,
        "cycles_followed": record.cycles,
        "cycles": record.cycles_in_all,
        "windows": record.windows,
        "contradictions": record.total,
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
