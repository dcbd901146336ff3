"""A survey as one page that needs nothing but itself: what is not well, and what changes over time in each case."""

from __future__ import annotations

from strobewise import __version__
from strobewise.archive.course import series_of
from strobewise.archive.run import Survey
from strobewise_cli.render.html_report import asset, environment
from strobewise_cli.render.phrases import sentence
from strobewise_cli.render.survey_text import STATES, totals
from strobewise_cli.render.trend_charts import trend_charts


def render_page(survey: Survey) -> str:
    """Return the page."""
    rows = [record.capture for record in survey.records]
    names = {str(row["case_folder"]): str(row["machine"] or row["case_folder"]) for row in survey.cases}
    counts = totals(survey)
    summary = f"{counts['captures']} captures: {counts['no_fault_found']} without a fault, {counts['fault']} with one, "
    return environment().get_template("survey.html.j2").render(
        css=asset("page.css"), version=__version__,
        summary=f"{summary}{counts['cannot_decide']} undecided, {counts['unreadable']} unreadable",
        state="fault" if counts["fault"] else "no_fault_found" if counts["no_fault_found"] == counts["captures"] else "cannot_decide",
        rows=[(word, row["path"], sentence(str(row["summary"] or row["error"]))) for state, word, _ in STATES for row in rows
              if row["state"] == state],
        cases=[
            {"name": names.get(folder, folder), "folder": folder, "warnings": trend.warnings, "charts": trend_charts(trend)}
            for folder, trend in series_of(rows).items()
        ],
    )  # fmt: skip
