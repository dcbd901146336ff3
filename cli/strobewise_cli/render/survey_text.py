"""A survey of many captures, for people and as JSON."""

from __future__ import annotations

from typing import IO

from strobewise.archive.course import series_of
from strobewise.archive.record import Row
from strobewise.archive.results import DATABASE
from strobewise.archive.run import Survey
from strobewise.files.plain_data import Document
from strobewise_cli.output import json_text
from strobewise_cli.terminal import make_console, one_line

FORMAT, VERSION = "strobewise-survey", 1
STATES = (("fault", "FAULT", "bold red"), ("cannot_decide", "undecided", "yellow"), (None, "unreadable", "yellow"))


def print_survey(survey: Survey, results: str | None, stream: IO[str]) -> None:
    """Print the captures that are not well, worst first, and how many are."""
    from rich.text import Text

    console = make_console(stream, soft_wrap=True)
    for state, word, style in STATES:
        for record in survey.records:
            row = record.capture
            if row["state"] == state:
                text = Text(f"{word}  ", style)
                text.append(one_line(f"{row['path']}: {row['summary'] or row['error']}"), "not bold default")
                console.print(text)
    counts = totals(survey)
    resumed = f" ({survey.resumed} known from before)" if survey.resumed else ""
    stream.write(
        f"{counts['captures']} captures{resumed}: {counts['no_fault_found']} without a fault, {counts['fault']} with one, "
        f"{counts['cannot_decide']} undecided, {counts['unreadable']} unreadable\n"
    )
    if survey.cases:
        closed = [row for row in survey.cases if row["closed"] is not None]
        proven = sum(row["proven"] == 1 for row in closed)
        many = f"{len(survey.cases)} case{'s' if len(survey.cases) > 1 else ''}"
        stream.write(f"{many}: {len(closed)} closed, {proven} of them with a proof, {len(survey.cases) - len(closed)} open\n")
        for row in survey.cases:
            if row["error"] is not None:
                stream.write(one_line(f"unreadable  {row['error']}") + "\n")
    for folder, trend in series_of(record.capture for record in survey.records).items():
        for worse in trend.warnings:
            stream.write(one_line(f"warning  {folder}: {worse}") + "\n")
    if results is not None:
        stream.write(one_line(f"results: {results} (captures, cases, findings, lines .parquet; {DATABASE})") + "\n")


def totals(survey: Survey) -> dict[str, int]:
    """Return how many captures came out how."""
    return {
        "captures": len(survey.records),
        "no_fault_found": survey.count(state="no_fault_found"),
        "fault": survey.count(state="fault"),
        "cannot_decide": survey.count(state="cannot_decide"),
        "unreadable": survey.count(status="unreadable"),
    }


def render_json(survey: Survey) -> str:
    """Return the survey as text, with a line feed at its end; rows as in the tables, findings and lines with their capture."""
    document: Document = {
        "format": FORMAT,
        "version": VERSION,
        "folder": survey.folder,
        "totals": totals(survey),
        "captures": [
            {**record.capture, "findings": _without_path(record.findings), "lines": _without_path(record.lines)}
            for record in survey.records
        ],
        "cases": survey.cases,
    }  # fmt: skip
    return json_text(document)


def _without_path(rows: list[Row]) -> list[Row]:
    return [{name: value for name, value in row.items() if name != "path"} for row in rows]
