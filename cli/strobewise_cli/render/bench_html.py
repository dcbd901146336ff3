"""The bench page: the case, the one step to take, the picture of the pins, the verdict with its waveform, the answers and the timeline."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from strobewise import __version__
from strobewise.bus.lines import LINE, bar
from strobewise.bus.model import SUSPECTS
from strobewise.case.records import ANSWER_KINDS, Answer, AnswerKind, CaseState, Step
from strobewise.case.state import examined_capture
from strobewise.hookup.symptoms import SYMPTOMS, UNKNOWN, find_symptom
from strobewise.profile.machine import shipped_profiles
from strobewise.verdict.coverage import words as coverage_words
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.page_server.desk import Beginning, View
from strobewise_cli.render.case_text import (
    answer_words,
    closed_aspect,
    closed_words,
    hypothesis_words,
    item_words,
    lead_place_words,
    power_words,
    proof_stands,
    settings_words,
    time_of_day,
)  # fmt: skip
from strobewise_cli.render.diagnosis_text import HEADLINES, aspect, told
from strobewise_cli.render.html_report import environment, finding_blocks, viewer_context
from strobewise_cli.render.phrases import sentence
from strobewise_cli.render.pinout import LeadTag, Pinout, chips_to_look_at, coverage, pinout, pins_to_measure
from strobewise_cli.render.trend_charts import trend_charts

#: Colours of leads by number: the code of resistors, which sets of leads follow (IEC 60062; common practice for analysers).
LEAD_COLOURS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")
UNITS: Mapping[str, str] = {"volts": "volts", "supply": "volts", "ohms": "ohms", "between": "ohms"}
#: What the buttons for yes (right) and no (wrong) say.
BUTTONS: Mapping[str, tuple[str, str]] = {
    "pulses": ("It pulses", "It does not pulse"), "driven": ("Each pin pulses", "A pin is dead"),
    "passes": ("It does all of that", "It does not"), "readout": ("It reads right", "It reads wrong"),
}  # fmt: skip
AFTER_A_REPAIR = ("capture:proof", "capture:running", "tried:")  #: steps that look whether it helped


#: What can be put down, as the page says it, with what each is about and an example of its value.
KIND_WORDS: Mapping[AnswerKind, str] = {
    "volts": "a voltage (line; volts)", "ohms": "a line's resistance (line; ohms)",
    "between": "the resistance between two lines (as A11-A12; ohms)", "pulses": "whether a line pulses (line; yes or no)",
    "driven": "whether a memory's pins are driven (rom or ram; yes or no)",
    "passes": "whether a chip passes its lines on (chip, or glue; yes or no)",
    "readout": "what the ROM reads in a programmer (right or wrong)",
    "supply": "the supply (volts)", "unplugged": "unplugged what sits on the port", "reseated": "took a chip out and put it back (part)",
    "cooled": "cooled a chip alone (part)", "cleaned": "cleaned contacts", "replaced": "replaced a part (part or chip)",
    "resoldered": "re-soldered a joint (line)", "note": "only a note",
}  # fmt: skip


class Heading(NamedTuple):
    """What stands on top of the page."""

    state: str  #: class of the style sheet
    headline: str
    summary: str


class Choice(NamedTuple):
    """One button of a step."""

    label: str
    answer: dict[str, str | float]
    unit: str  #: of the number to be filled in; empty where there is none


def render_bench(view: View, beginning: Beginning, token: str) -> str:
    """Return the page as it stands."""
    if view.state is None:
        return environment().get_template("bench_new.html.j2").render(_empty(view, beginning, token))
    return environment().get_template("bench.html.j2").render(_context(view, view.state, beginning, token))


def _empty(view: View, beginning: Beginning, token: str) -> dict[str, object]:
    return {
        "token": token, "ready": view.version, "notes": view.notes, "version": __version__,
        "symptoms": [(symptom.name, symptom.words) for symptom in (*SYMPTOMS, UNKNOWN)],
        "profiles": [] if beginning.machine else list(shipped_profiles()), "profile": beginning.machine or "", "leads": beginning.leads,
    }  # fmt: skip


def _context(view: View, state: CaseState, beginning: Beginning, token: str) -> dict[str, object]:
    case, step, diagnosis = state.case, state.step, state.diagnosis
    changes = {change.number: change for change in state.changes}
    closed = case.closed is not None
    heading = heading_of(state)
    return {
        "token": token, "ready": view.version, "notes": view.notes, "device": beginning.device or "",
        "name": case.machine or case.folder.name, "about": _about(state),
        "state": heading.state, "headline": heading.headline, "summary": heading.summary,
        "before": " before the repair" if put_right(state) else "",
        "step": _step(step), "closed": closed, "lead_pins": lead_picture(step),
        "seen_pins": None if diagnosis is None else pinout(pins_to_measure(diagnosis), coverage(diagnosis), chips_to_look_at(diagnosis)),
        "not_judged": coverage_words(diagnosis.verdict.not_judged) if diagnosis is not None else "",
        "suspects": [] if closed else [(round(each.share * 100), hypothesis_words(each)) for each in state.hypotheses],
        "findings": [block._replace(next_step="") for block in finding_blocks(diagnosis.findings, view.pages)] if diagnosis else [],
        "proof": state.proof, "proof_words": sentence(state.proof.words) if state.proof is not None else "",
        "items": [
            {"number": item.number, "time": time_of_day(item.time), "words": sentence(item_words(item)),
             "counts": item.counts, "changed": sentence(changes[item.number].words), "verdict": changes[item.number].verdict,
             "leads": lead_place_words(examined_capture(case, item)[0]) if item.file is not None and item.counts else ()}
            for item in case.items
        ],
        "trend": trend_charts(state.trend), "warnings": state.trend.warnings if state.trend is not None else (),
        "kinds": [(kind, KIND_WORDS[kind]) for kind in ANSWER_KINDS], "all_suspects": [(name, SUSPECT_WORDS[name]) for name in SUSPECTS],
        "likely": state.hypotheses[0].suspect if state.hypotheses else "none",
        **viewer_context(view.pages),
    }  # fmt: skip


def put_right(state: CaseState) -> bool:
    """Say whether what the captures showed may be gone by now: something was put right since, and they are those from before."""
    return state.step.kind == "close" or state.case.closed is not None or state.step.id.startswith(AFTER_A_REPAIR)


def heading_of(state: CaseState) -> Heading:
    """Return where the case stands, in one line."""
    proof, verdict = state.proof, state.verdict
    if state.case.closed is not None:
        return Heading(closed_aspect(state), "CLOSED" if proof_stands(state) else "NO LONGER PROVEN", sentence(closed_words(state)))
    if proof is not None and proof.state == "proven":
        return Heading("no_fault_found", "PROVEN", sentence(proof.words.partition(": ")[2] or proof.words))
    if verdict is None or state.diagnosis is None:
        return Heading("cannot_decide", "NOTHING CAPTURED YET", "Make the capture below, or put down what you measured.")
    if put_right(state):
        return Heading("cannot_decide", "NOT PROVEN YET", sentence(f"before the repair: {state.diagnosis.verdict.headline}"))
    return Heading(aspect(verdict), HEADLINES[aspect(verdict)], sentence(told(verdict).lstrip(": ")))


def _about(state: CaseState) -> str:
    case = state.case
    symptom = find_symptom(case.symptom)
    parts = [symptom.words if symptom is not None else case.symptom, f"opened {case.opened[:10]}", f"{case.leads} leads"]
    if case.profile is not None:
        parts.append(f"profile {case.profile.name}")
    return sentence("; ".join(parts))


def _step(step: Step) -> dict[str, object]:
    return {
        "id": step.id, "kind": step.kind, "title": sentence(step.title), "why": sentence(step.why), "power": power_words(step),
        "cautions": step.cautions, "leads": lead_rows(step), "settings": settings_words(step) if step.settings else "",
        "minutes": round(step.minutes), "minutes_on": step.settings.get("minutes_on", ""),
        "choices": [choice(answer) for answer in step.answers], "commands": step.commands,
    }  # fmt: skip


def lead_rows(step: Step) -> list[dict[str, object]]:
    """Return the leads of a capture, each with its colour and where it goes."""
    rows = []
    for number, lead in enumerate(step.leads):
        where = f"pin {lead.pin}" if lead.place == "cpu" and lead.pin is not None else f"connector {lead.connector_pin or ''}".rstrip()
        tone = number % len(LEAD_COLOURS)
        rows.append({"channel": lead.channel, "line": bar(lead.line), "where": where, "tone": tone, "colour": LEAD_COLOURS[tone]})
    return rows


def lead_picture(step: Step) -> Pinout | None:
    """Return the package with the leads of a step; None where none goes to the CPU."""
    tags = {
        lead.pin: LeadTag(lead.channel, number % len(LEAD_COLOURS))
        for number, lead in enumerate(step.leads) if lead.place == "cpu" and lead.pin is not None
    }  # fmt: skip
    pins = set(tags)
    if not tags:
        about = {name for answer in step.answers for name in answer.about.split("-")}
        pins = {pin for name in about if name in LINE and (pin := LINE[name].pin) is not None}
        if not pins and any(answer.kind == "supply" for answer in step.answers):
            pins = {11, 29}
    return pinout(pins, leads=tags) if pins else None


def choice(answer: Answer) -> Choice:
    """Return the button of an answer."""
    told: dict[str, str | float] = {"kind": answer.kind, "about": answer.about, "place": answer.place, "fault": answer.fault}
    if answer.value == math.inf:  # a number of JSON cannot say it, nor a keyboard of digits
        return Choice("The meter shows an open line (OL)", {**told, "value": "OL"}, "")
    if answer.value is not None:
        told["value"] = answer.value
    unit = UNITS.get(answer.kind, "") if answer.value is None else ""
    if answer.kind in BUTTONS:
        return Choice(BUTTONS[answer.kind][0 if answer.value else 1], told, "")
    if answer.fault:
        return Choice("The fault is gone" if answer.fault == "gone" else "The fault stays", told, "")
    return Choice("Keep this reading" if unit else f"Done: {answer_words(answer)}", told, unit)
