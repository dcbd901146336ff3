"""A case, and a proof, as JSON for scripts."""

from __future__ import annotations

from strobewise.case.proof import Proof
from strobewise.case.records import CaseState, Step
from strobewise.case.trend import TrendPoint
from strobewise.files.plain_data import Document
from strobewise_cli.output import json_text
from strobewise_cli.render.case_text import item_words, proof_stands


def document(state: CaseState) -> Document:
    """Return where a case stands as plain data."""
    case, verdict, closed = state.case, state.verdict, state.case.closed
    changes = {change.number: change for change in state.changes}
    return {
        "format": "strobewise-case",
        "version": 1,
        "machine": case.machine,
        "symptom": case.symptom,
        "opened": case.opened,
        "verdict": None if verdict is None else {"state": verdict.state, "headline": verdict.headline},
        "suspects": [
            {"suspect": each.suspect, "confidence": each.share, "table": each.table, "closed_cases": each.closed_cases}
            for each in state.hypotheses
        ],
        "items": [
            {
                "number": item.number, "time": item.time, "kind": "capture" if item.file is not None else "answer", "file": item.file,
                "words": item_words(item), "changed": changes[item.number].words, "withdrawn": item.withdrawn,
                "verdict": changes[item.number].verdict or None,
            }
            for item in case.items
        ],
        "proof": None if state.proof is None else proof_document(state.proof),
        "step": step_document(state.step),
        "trend": [_point(point) for point in (state.trend.points if state.trend is not None else ())],
        "warnings": list(state.trend.warnings) if state.trend is not None else [],
        "closed": None if closed is None else {
            "was": closed.was, "part": closed.part, "time": closed.time, "proven": closed.proven and proof_stands(state),
            "withdrawn_since": list(closed.withdrawn_since),
        },
    }  # fmt: skip


def step_document(step: Step) -> Document:
    """Return the next step as plain data."""
    return {
        "kind": step.kind,
        "id": step.id,
        "title": step.title,
        "why": step.why,
        "power": step.power,
        "cautions": list(step.cautions),
        "leads": [{"channel": lead.channel, "line": lead.line, "pin": lead.pin, "place": lead.place} for lead in step.leads],
        "settings": dict(step.settings),
        "commands": list(step.commands),
        "minutes": step.minutes,
        "risk": round(step.risk, 3),
        "bits": round(step.bits, 3),
    }


def proof_document(proof: Proof) -> Document:
    """Return a proof as plain data."""
    return {
        "format": "strobewise-proof",
        "version": 1,
        "state": proof.state,
        "words": proof.words,
        "seen": list(proof.seen),
        "missing": list(proof.missing),
        "chance": proof.chance,
    }


def _point(point: TrendPoint) -> Document:
    return {
        "number": point.number,
        "minutes_on": point.minutes_on,
        "missing": {line: list(counts) for line, counts in point.missing.items()},
        "within": {line: [list(counts) for counts in parts] for line, parts in point.within.items()},
        "wrong_reads": list(point.wrong_reads),
        "delays_ns": dict(point.delays_ns),
        "reads_within": [list(counts) for counts in point.reads_within],
        "holds_ms": point.holds_ms,
    }


def render(state: CaseState) -> str:
    """Return the document as text, with a line feed at its end."""
    return json_text(document(state))


def render_proof(proof: Proof) -> str:
    """Return a proof as text, with a line feed at its end."""
    return json_text(proof_document(proof))
