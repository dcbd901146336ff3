"""A diagnosis as Markdown, for the workshop's job sheet or a forum post: the same facts as on the terminal.

What a capture or a file name says is escaped, so that it stays text in every dialect.
"""

from __future__ import annotations

import re

from strobewise.bus.lines import pin_text
from strobewise.diagnosis.facade import Diagnosis
from strobewise.diagnosis.observations import observations
from strobewise.verdict.coverage import left_to_clip
from strobewise.verdict.coverage import words as coverage_words
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.render.diagnosis_text import HEADLINES, WHO, aspect, how_sure, power_words, with_cautions
from strobewise_cli.render.html_report import capture_title, capture_words, leads_words, line_rows, some, when
from strobewise_cli.render.phrases import names_text, sentence
from strobewise_cli.render.pinout import pin_name, pins_to_measure
from strobewise_cli.terminal import one_line

_SPECIAL = re.compile(r"([\\`*_\[\]<>|~&])")


def escape(text: str) -> str:
    """Return text in which no character means anything to Markdown or HTML, on one line."""
    return _SPECIAL.sub(r"\\\1", one_line(text)).replace("\\<", "&lt;").replace("\\>", "&gt;").replace("\\&", "&amp;")


def render_markdown(diagnosis: Diagnosis) -> str:
    """Return the document, with a line feed at its end."""
    verdict = diagnosis.verdict
    paths = escape(capture_title(diagnosis))
    parts = [f"# {HEADLINES[aspect(verdict)].capitalize()}: {paths}", f"**{escape(sentence(verdict.headline))}**"]
    parts.append(escape(capture_words(diagnosis)))
    if verdict.suspects and verdict.state != "no_fault_found":
        rows = [f"| {share.confidence * 100:.0f} % | {escape(SUSPECT_WORDS[share.suspect])} |" for share in verdict.suspects]
        if how_sure(diagnosis):
            parts.append(escape(sentence(how_sure(diagnosis))))
        parts.append("\n".join(["## Suspects", "", f"{WHO}:", "", "| sure | part |", "|---:|---|", *rows]))
    parts += _next(diagnosis)
    if verdict.not_judged and verdict.state != "no_fault_found":
        parts.append(escape(f"Not judged with these leads: {coverage_words(verdict.not_judged)}."))
    parts += _findings(diagnosis)
    seen = [f"- {escape(sentence(f'{what.topic}: {what.text}'))}" for what in observations(diagnosis.evidence)]
    if seen:
        parts.append("\n".join(["## Seen besides", "", *seen]))
    parts += _lines(diagnosis)
    return "\n\n".join(parts) + "\n"


def _next(diagnosis: Diagnosis) -> list[str]:
    verdict = diagnosis.verdict
    parts = []
    if verdict.next_steps:
        parts.append("## What to measure next")
        for number, (caution, step) in enumerate(with_cautions(verdict.steps), 1):
            if caution:
                parts.append(f"> **Caution.** {escape(sentence(caution))}")
            parts.append(f"{number}. {escape(sentence(f'{power_words(step)}{step.text}'))}")
    pins = sorted(pins_to_measure(diagnosis))
    if pins and verdict.state != "no_fault_found":
        parts.append("Pins: " + ", ".join(f"{number} ({escape(pin_name(number))})" for number in pins) + ".")
    if left_to_clip(verdict) and verdict.state == "cannot_decide":
        parts.append("Clip as well: " + ", ".join(escape(pin_text(name)) for name in left_to_clip(verdict)) + ".")
    return parts


def _findings(diagnosis: Diagnosis) -> list[str]:
    if not diagnosis.findings:
        return ["## Findings", "None."]
    rows = []
    for finding in diagnosis.findings:
        time = f" {when(finding)}" if when(finding) else ""
        rows.append(f"- **{finding.severity}**: {escape(sentence(finding.evidence))}{escape(time)} Rule `{finding.rule}`.")
    return ["\n".join(["## Findings", "", *rows])]


def _lines(diagnosis: Diagnosis) -> list[str]:
    rows = []
    for row in line_rows(diagnosis):
        state = f"**{row.state}**" if row.odd else row.state
        rows.append(f"| {escape(row.name)} | {row.pin} | {state} | {row.edges} | {row.high} | {escape(row.remark)} |")
    parts = []
    if rows:
        parts.append("\n".join(["## Lines", "", "| line | pin | state | edges | high | remark |", "|---|---:|---|---:|---:|---|", *rows]))
    parts += [escape(sentence(text)) for text in leads_words(diagnosis)]
    missing = [line.line for line in diagnosis.lines if line.state == "not_captured"]
    if missing:
        parts.append(f"Not captured: {escape(names_text(missing))}.")
    unmapped = some([use.name for use in diagnosis.captures[0].channels.unmapped])
    if unmapped:
        parts.append(f"Channels without a line: {escape(unmapped)}.")
    return parts
