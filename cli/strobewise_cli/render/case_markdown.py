"""The job sheet of a case as Markdown: symptom, steps, verdicts, what was put right, and the proof."""

from __future__ import annotations

from strobewise.case.records import CaseState
from strobewise_cli.render.case_text import closed_words, hypothesis_words, item_words, trend_lines, trend_shown
from strobewise_cli.render.markdown import escape
from strobewise_cli.render.phrases import sentence


def render_markdown(state: CaseState) -> str:
    """Return the document, with a line feed at its end."""
    case = state.case
    parts = [f"# Job sheet: {escape(case.machine or case.folder.name)}"]
    machine = f"; profile {escape(case.profile.name)}" if case.profile is not None else ""
    parts.append(f"Symptom: {escape(case.symptom)}; opened {escape(case.opened)}{machine}.")
    if case.closed is not None:
        parts.append(f"**{escape(sentence(closed_words(state)))}**")
    elif state.verdict is not None:
        parts.append(f"**{escape(sentence(state.verdict.headline))}**")
    changes = {change.number: change for change in state.changes}
    rows = []
    for item in case.items:
        change = changes[item.number]
        words = escape(change.verdict), escape(change.words)
        cells = str(item.number), escape(item.time), _struck(escape(item_words(item)), item.counts), *words
        rows.append(f"| {' | '.join(cells)} |")
    head = "| | when | what | verdict of the capture alone | what it changed |"
    parts.append("\n".join(["## Steps", "", head, "|---:|---|---|---|---|", *rows]))
    if case.closed is None and state.hypotheses:
        shares = [f"| {each.share * 100:.0f} % | {escape(hypothesis_words(each))} |" for each in state.hypotheses]
        parts.append("\n".join(["## Suspects", "", "| sure | part |", "|---:|---|", *shares]))
    if state.proof is not None:
        told = [f"- {escape(sentence(text))}" for text in state.proof.seen]
        told += [f"- missing: {escape(sentence(text))}" for text in state.proof.missing]
        parts.append("\n".join(["## Proof", "", escape(sentence(state.proof.words)), "", *told]))
    if state.trend is not None and trend_shown(state.trend):
        warnings = [f"> **Warning.** {escape(sentence(text))}" for text in state.trend.warnings]
        parts.append("\n".join(["## Over time", "", *warnings, *([""] if warnings else []), "```", *trend_lines(state.trend), "```"]))
    if case.closed is None:
        parts.append("\n\n".join(["## Next", escape(sentence(state.step.title)), *(f"    {command}" for command in state.step.commands)]))
    return "\n\n".join(parts) + "\n"


def _struck(text: str, counts: bool) -> str:
    return text if counts else f"~~{text}~~"
