"""The job sheet of a case as one page that needs nothing but itself."""

from __future__ import annotations

from strobewise import __version__
from strobewise.case.records import CaseState
from strobewise_cli.render.case_text import (
    closed_aspect,
    closed_words,
    hypothesis_words,
    item_words,
    lead_words,
    power_words,
    trend_lines,
    trend_shown,
)
from strobewise_cli.render.html_report import asset, environment
from strobewise_cli.render.phrases import sentence
from strobewise_cli.render.trend_charts import trend_charts


def render_page(state: CaseState) -> str:
    """Return the page."""
    return environment().get_template("case.html.j2").render(context(state))


def context(state: CaseState) -> dict[str, object]:
    """Return what the template shows."""
    case, step = state.case, state.step
    changes = {change.number: change for change in state.changes}
    verdict = state.verdict
    headline = closed_words(state) if case.closed is not None else verdict.headline if verdict is not None else "nothing captured yet"
    trend = state.trend if state.trend is not None and trend_shown(state.trend) else None
    return {
        "css": asset("page.css"),
        "name": case.machine or case.folder.name,
        "state": closed_aspect(state) if case.closed is not None else verdict.state if verdict is not None else "cannot_decide",
        "headline": sentence(headline),
        "about": "; ".join([
            f"Symptom: {case.symptom}", f"opened {case.opened[:10]}",
            *([f"profile {case.profile.name}"] if case.profile is not None else []),
        ]),
        "rows": [
            {
                "number": item.number, "time": item.time[:16].replace("T", " "), "words": item_words(item), "counts": item.counts,
                "changed": changes[item.number].words, "verdict": changes[item.number].verdict,
            }
            for item in case.items
        ],
        "suspects": [] if case.closed is not None else [(f"{each.share * 100:.0f}", hypothesis_words(each)) for each in state.hypotheses],
        "proof": None if state.proof is None else {
            "words": sentence(state.proof.words), "seen": state.proof.seen, "missing": state.proof.missing,
        },
        "charts": trend_charts(state.trend),
        "trend": "" if trend is None else "\n".join(trend_lines(trend)),
        "warnings": () if trend is None else trend.warnings,
        "next": None if case.closed is not None else {
            "title": sentence(step.title), "why": sentence(step.why), "power": power_words(step),
            "cautions": step.cautions, "leads": lead_words(step),
            "commands": step.commands,
        },
        "version": __version__,
    }  # fmt: skip
