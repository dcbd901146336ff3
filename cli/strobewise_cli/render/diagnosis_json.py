"""A diagnosis as the JSON that others rely on."""

from __future__ import annotations

from strobewise.bus.model import Finding, LineState, Verdict
from strobewise.diagnosis.examined import Examined
from strobewise.diagnosis.facade import Diagnosis
from strobewise.diagnosis.observations import replay_words
from strobewise.files.plain_data import Document
from strobewise.records.evidence import BusEvidence
from strobewise.records.expansion import PagingRecord
from strobewise.records.replay import Candidate, ReplayRecord
from strobewise_cli.output import json_text

FORMAT = "strobewise-diagnosis"
VERSION = 1
TRIGGERS_MAX = 1000  #: told one by one; their number is told in any case


def document(diagnosis: Diagnosis) -> Document:
    """Return the whole diagnosis as plain data; numbers that are not known are None."""
    evidence = diagnosis.evidence
    cycles = dict(evidence.cycles)
    cycles["inferred_fetches"] = evidence.inferred_fetches
    captures = [capture_document(examined) for examined in diagnosis.captures]
    body: Document = {
        "format": FORMAT,
        "version": VERSION,
        "capture": captures[0],
        "lines": [line_document(line) for line in diagnosis.lines],
        "clock_hz": evidence.clock_hz,
        "clock_source": evidence.clock.source,
        "cycles": cycles,
        "program": _program(evidence),
        "interrupts": _interrupts(evidence),
        "paging": [_paging(record) for record in evidence.pagings],
        "delays": _delays(evidence),
        "findings": [_finding(finding) for finding in diagnosis.findings],
        "verdict": _verdict(diagnosis.verdict),
    }
    if evidence.replay is not None:
        body["replay"] = replay_document(evidence.replay)
    if len(captures) > 1:
        body["captures"] = captures
    return body


def render(diagnosis: Diagnosis) -> str:
    """Return the document as text, with a line feed at its end."""
    return json_text(document(diagnosis))


def _finding(finding: Finding) -> Document:
    return {
        "rule": finding.rule,
        "severity": finding.severity,
        "lines": list(finding.lines),
        "suspect": finding.suspect,
        "confidence": round(finding.confidence, 3),
        "first_s": finding.first_s,
        "last_s": finding.last_s,
        "count": finding.count,
        "evidence": finding.evidence,
        "title": finding.title,
        "pins": list(finding.pins),
        "next_step": finding.next_step,
        "caution": finding.caution,
    }


def _verdict(verdict: Verdict) -> Document:
    return {
        "state": verdict.state,
        "suspects": [{"suspect": s.suspect, "confidence": s.confidence} for s in verdict.suspects],
        "headline": verdict.headline,
        "summary": verdict.summary,
        "next_steps": list(verdict.next_steps),
        "steps": [{"text": s.text, "power": s.power, "caution": s.caution, "pins": list(s.pins)} for s in verdict.steps],
        "clip_also": list(verdict.clip_also),
        "not_judged": list(verdict.not_judged),
    }


def replay_document(record: ReplayRecord) -> Document:
    """Return what replaying the known program gave as plain data."""
    return {
        "program": record.program,
        "begin_s": record.begin_s,
        "begin_found_by": record.found_by,
        "cycles": record.cycles,
        "healthy_matched": record.healthy_matched,
        "healthy_ended": record.healthy_ended,
        "hypotheses": record.hypotheses,
        "candidates": [_candidate(candidate) for candidate in record.candidates],
        "split_by": [{"line": split.line, "first_s": split.first_s} for split in record.split_by],
        "summary": replay_words(record),
    }


def _candidate(candidate: Candidate) -> Document:
    return {
        "group": candidate.group,
        "fault": candidate.fault,
        "place": candidate.place,
        "lines": list(candidate.lines),
        "region": None if candidate.region is None else list(candidate.region),
        "chips": list(candidate.chips),
        "suspect": candidate.suspect,
        "matched": candidate.matched,
    }


def line_document(line: LineState) -> Document:
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


def capture_document(examined: Examined) -> Document:
    """Return what is known of the capture itself as plain data."""
    evidence = examined.evidence
    return {
        "path": examined.path,
        "start_s": evidence.start_s,
        "duration_s": evidence.duration_s,
        "sample_interval_s": examined.sample_interval_s,
        "samples_per_t_state": 1.0 if evidence.clocked else _rounded(evidence.samples_per_t, 3),
        "clocked": evidence.clocked or None,
        "channels": [{"name": use.name, "line": use.line, "inverted": use.inverted} for use in examined.channels.uses],
        "map_file": examined.channels.map_file,
        "map_guessed": examined.channels.guessed,
        "probe_at": dict(evidence.probe_at),
        "warnings": list(evidence.warnings),
    }


def _program(evidence: BusEvidence) -> Document | None:
    """Return how much of the program the model followed, None where it could not."""
    record = evidence.prediction
    if record is None:
        return None
    return {
        "instructions_followed": record.instructions,
        "cycles_followed": record.cycles,
        "cycles": record.cycles_in_all,
        "windows": record.windows,
        "contradictions": record.total,
    }


def _interrupts(evidence: BusEvidence) -> Document | None:
    """Return how the maskable interrupt fared, None where /INT was not captured."""
    record = evidence.timing
    if record is None or record.interrupts is None:
        return None
    seen = record.interrupts
    return {
        "requests": seen.requests,
        "acknowledged": seen.acknowledged,
        "not_acknowledged": seen.unanswered,
        "period_s": seen.period_s,
        "latency_s": seen.latency_s,
        "modes": dict(sorted(seen.modes.items())),
        "bytes": {f"0x{byte:02x}": count for byte, count in sorted(seen.vectors.items())},
    }


def _paging(record: PagingRecord) -> Document:
    """Return what one paging arrangement of the profile was asked, and what it answered."""
    return {
        "name": record.name,
        "line": record.line,
        "triggers": [
            {"time_s": t.time_s, "address": f"0x{t.address:04x}", "strobed": t.strobed, "held": t.held, "answer_s": t.answer_s}
            for t in record.triggers[:TRIGGERS_MAX]
        ],
        "triggers_in_all": len(record.triggers),
        "released": record.released,
        "not_released": record.not_released,
        "let_go_alone": record.let_go_alone,
    }


def _delays(evidence: BusEvidence) -> list[Document]:
    """Return each measured delay behind the clock, with the speed grades whose limit it keeps or breaks beyond the doubt of a sample."""
    record = evidence.timing
    if record is None:
        return []
    return [
        {
            "symbol": d.symbol, "line": d.line, "count": d.count,
            "median_s": d.median_s, "shortest_s": d.shortest_s, "longest_s": d.longest_s,
            "uncertainty_s": record.uncertainty_s, "keeps_mhz": d.meets, "breaks_mhz": d.breaks,
        }
        for d in record.delays
    ]  # fmt: skip


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
