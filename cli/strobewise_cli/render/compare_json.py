"""A comparison as JSON; numbers that are not known are null."""

from __future__ import annotations

from typing import Any

from strobewise.bus.model import Finding
from strobewise.compare.flow import Parting
from strobewise.compare.records import Comparison
from strobewise.diagnosis.facade import Diagnosis
from strobewise_cli.output import json_text

FORMAT = "strobewise-comparison"
VERSION = 1


def document(comparison: Comparison) -> dict[str, Any]:
    """Return the whole comparison as plain data."""
    reached = comparison.reached
    return {
        "format": FORMAT,
        "version": VERSION,
        "alike": comparison.alike,
        "summary": comparison.sentence,
        "good": _side(comparison.good),
        "suspect": _side(comparison.suspect),
        "lines": [
            {"line": c.line, "good": c.good, "suspect": c.suspect, "counts": c.counts} for c in comparison.lines
        ],
        "held": [
            {"line": h.line, "good_s": h.good_s, "suspect_s": h.suspect_s, "since_s": h.since_s} for h in comparison.held
        ],
        "strobes": [
            {
                "line": pair.line,
                "good": {"expected": pair.good.expected, "strobed": pair.good_strobed, "asserted_elsewhere": pair.good.wrong},
                "suspect": {
                    "expected": pair.suspect.expected, "strobed": pair.suspect_strobed, "asserted_elsewhere": pair.suspect.wrong,
                },
            }
            for pair in comparison.strobes
        ],
        "cycles": [
            {
                "kind": pair.kind, "good": pair.good, "suspect": pair.suspect,
                "good_share": round(pair.good_share, 6), "suspect_share": round(pair.suspect_share, 6),
            }
            for pair in comparison.cycles
        ],
        "findings_gone": [_finding(f) for f in comparison.gone],
        "findings_new": [_finding(f) for f in comparison.new],
        "findings_kept": [_finding(f) for f in comparison.kept],
        "parting": None if comparison.parting is None else _parting(comparison.parting),
        "addresses": None if reached is None else {
            "only_good": [list(pair) for pair in reached.good], "only_suspect": [list(pair) for pair in reached.suspect],
        },
        "code": None if comparison.code is None else {
            "addresses": comparison.code.addresses, "common": comparison.code.common, "first": comparison.code.first,
            "good_byte": comparison.code.good_byte, "suspect_byte": comparison.code.suspect_byte, "bits": comparison.code.bits,
            "line": comparison.code.line or None, "fetches": comparison.code.fetches, "counts": comparison.code.counts,
        },
        "clock": None if comparison.clock is None else {
            "good_hz": comparison.clock.good_hz, "suspect_hz": comparison.clock.suspect_hz,
            "good_deviation_s": comparison.clock.good_deviation_s, "suspect_deviation_s": comparison.clock.suspect_deviation_s,
            "counts": comparison.clock.counts,
        },
        "timing": [
            {
                "line": s.line, "edge": s.edge, "reference": s.reference, "good_s": s.good_s, "suspect_s": s.suspect_s,
                "shift_s": s.shift_s, "uncertainty_s": s.uncertainty_s,
            }
            for s in comparison.timing
        ],
        "not_compared": list(comparison.untold),
    }  # fmt: skip


def render(comparison: Comparison) -> str:
    """Return the document as text, with a line feed at its end."""
    return json_text(document(comparison))


def _side(diagnosis: Diagnosis) -> dict[str, Any]:
    examined = diagnosis.captures[0]
    return {
        "path": examined.path,
        "start_s": diagnosis.evidence.start_s,
        "duration_s": diagnosis.evidence.duration_s,
        "sample_interval_s": examined.sample_interval_s,
        "clock_hz": diagnosis.evidence.clock.hz,
        "state": diagnosis.verdict.state,
        "summary": diagnosis.verdict.summary,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule, "severity": finding.severity, "lines": list(finding.lines), "suspect": finding.suspect,
        "count": finding.count, "first_s": finding.first_s, "last_s": finding.last_s, "evidence": finding.evidence,
    }  # fmt: skip


def _parting(parting: Parting) -> dict[str, Any]:
    return {
        "address": parting.address, "text": parting.text, "good_next": parting.good_next, "suspect_next": parting.suspect_next,
        "good_s": parting.good_s, "suspect_s": parting.suspect_s, "fetches_before": parting.agreed, "certain": parting.certain,
        "other_bytes": parting.other_bytes, "astray": parting.astray, "data_bits": parting.data_bits,
    }  # fmt: skip
