"""A comparison as JSON; numbers that are not known are null."""

from __future__ import annotations

from strobewise.bus.model import Finding
from strobewise.compare.code import CodeChange
from strobewise.compare.flow import Parting, Reached
from strobewise.compare.records import ClockPair, Comparison, HeldChange, KindPair, StrobePair, TimingShift
from strobewise.diagnosis.facade import Diagnosis
from strobewise.files.plain_data import Document
from strobewise_cli.output import json_text

FORMAT = "strobewise-comparison"
VERSION = 1


def document(comparison: Comparison) -> Document:
    """Return the whole comparison as plain data."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "alike": comparison.alike,
        "summary": comparison.sentence,
        "good": _side(comparison.good),
        "suspect": _side(comparison.suspect),
        "lines": [{"line": c.line, "good": c.good, "suspect": c.suspect, "counts": c.counts} for c in comparison.lines],
        "held": [_held(change) for change in comparison.held],
        "strobes": [_strobe(pair) for pair in comparison.strobes],
        "cycles": [_kind(pair) for pair in comparison.cycles],
        "findings_gone": [_finding(f) for f in comparison.gone],
        "findings_new": [_finding(f) for f in comparison.new],
        "findings_kept": [_finding(f) for f in comparison.kept],
        "parting": None if comparison.parting is None else _parting(comparison.parting),
        "addresses": None if comparison.reached is None else _reached(comparison.reached),
        "code": None if comparison.code is None else _code(comparison.code),
        "clock": None if comparison.clock is None else _clock(comparison.clock),
        "timing": [_shift(shift) for shift in comparison.timing],
        "not_compared": list(comparison.untold),
    }


def render(comparison: Comparison) -> str:
    """Return the document as text, with a line feed at its end."""
    return json_text(document(comparison))


def _side(diagnosis: Diagnosis) -> Document:
    examined = diagnosis.captures[0]
    return {
        "path": examined.path,
        "start_s": diagnosis.evidence.start_s,
        "duration_s": diagnosis.evidence.duration_s,
        "sample_interval_s": examined.sample_interval_s,
        "clock_hz": diagnosis.evidence.clock_hz,
        "state": diagnosis.verdict.state,
        "summary": diagnosis.verdict.summary,
    }


def _finding(finding: Finding) -> Document:
    return {
        "rule": finding.rule, "severity": finding.severity, "lines": list(finding.lines), "suspect": finding.suspect,
        "count": finding.count, "first_s": finding.first_s, "last_s": finding.last_s, "evidence": finding.evidence,
    }  # fmt: skip


def _parting(parting: Parting) -> Document:
    return {
        "address": parting.address, "text": parting.text, "good_next": parting.good_next, "suspect_next": parting.suspect_next,
        "good_s": parting.good_s, "suspect_s": parting.suspect_s, "fetches_before": parting.agreed, "certain": parting.certain,
        "other_bytes": parting.other_bytes, "astray": parting.astray, "data_bits": parting.data_bits,
    }  # fmt: skip


def _held(change: HeldChange) -> Document:
    lasts = (change.suspect_s, change.good_s) if change.in_first else (change.good_s, change.suspect_s)
    return {"line": change.line, "good_s": lasts[0], "suspect_s": lasts[1], "since_s": change.since_s}


def _strobe(pair: StrobePair) -> Document:
    return {
        "line": pair.line,
        "good": {"expected": pair.good.expected, "strobed": pair.good_strobed, "asserted_elsewhere": pair.good.wrong},
        "suspect": {"expected": pair.suspect.expected, "strobed": pair.suspect_strobed, "asserted_elsewhere": pair.suspect.wrong},
    }


def _kind(pair: KindPair) -> Document:
    return {
        "kind": pair.kind, "good": pair.good, "suspect": pair.suspect,
        "good_share": round(pair.good_share, 6), "suspect_share": round(pair.suspect_share, 6),
    }  # fmt: skip


def _reached(reached: Reached) -> Document:
    return {"only_good": [list(pair) for pair in reached.good], "only_suspect": [list(pair) for pair in reached.suspect]}


def _code(code: CodeChange) -> Document:
    return {
        "addresses": code.addresses, "common": code.common, "first": code.first,
        "good_byte": code.good_byte, "suspect_byte": code.suspect_byte, "bits": code.bits,
        "line": code.line or None, "fetches": code.fetches, "counts": code.counts,
    }  # fmt: skip


def _clock(clock: ClockPair) -> Document:
    return {
        "good_hz": clock.good_hz, "suspect_hz": clock.suspect_hz,
        "good_deviation_s": clock.good_deviation_s, "suspect_deviation_s": clock.suspect_deviation_s,
        "counts": clock.counts,
    }  # fmt: skip


def _shift(shift: TimingShift) -> Document:
    return {
        "line": shift.line, "edge": shift.edge, "reference": shift.reference, "good_s": shift.good_s, "suspect_s": shift.suspect_s,
        "shift_s": shift.shift_s, "uncertainty_s": shift.uncertainty_s,
    }  # fmt: skip
