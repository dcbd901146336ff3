"""A rule of the catalogue for people: what it looks for, how that looks on the bus, and what to do about it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import IO

from rich.table import Table
from rich.text import Text

from strobewise.rules.base import Rule
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.render.explain_pictures import Drawn, faulty, healthy, picture_of
from strobewise_cli.render.phrases import names_text, sentence
from strobewise_cli.render.waveform_text import draw
from strobewise_cli.terminal import report_console

LEAD = 13
COLOURS = {"fault": "bold red", "warning": "yellow", "note": "dim"}


def needs_text(rule: Rule) -> str:
    """Return the sets of lines with which the rule can decide, as "/M1 and /MREQ; or /RD"."""
    sets = [names_text(lines) for lines in rule.needs if lines]
    return "; or ".join(sets) if sets else "nothing in particular"


def suspects_text(rule: Rule) -> str:
    """Return the usual suspects with their shares."""
    return ", ".join(f"{SUSPECT_WORDS[name]} {share * 100:.0f} %" for name, share in rule.suspects) or "nobody"


def facts(rule: Rule) -> list[tuple[str, str]]:
    """Return what the catalogue says of a rule: (heading, text)."""
    rows = [
        ("looks for", rule.looks_for),
        ("needs", needs_text(rule)),
        ("can blame", names_text(rule.judges) or "no line: it speaks of the capture or the whole machine"),
        ("suspects", suspects_text(rule)),
        ("causes", rule.causes),
        ("next", rule.next_step),
        ("caution", rule.caution if rule.severity != "note" else ""),
        ("source", rule.source),
    ]
    return [(heading, text) for heading, text in rows if text]


def drawings(rule: Rule) -> list[tuple[str, list[str]]]:
    """Return the healthy picture and the faulty one: (title, rows); no rows where no single moment shows the fault."""
    picture = picture_of(rule)
    good, bad = healthy(picture), faulty(picture)
    drawn = [("Healthy", _rows(good))]
    if bad is None:
        return [*drawn, ("Faulty: no single moment of logic levels shows it", [])]
    return [*drawn, (f"Faulty, simulated: {', '.join(bad.told)}", _rows(bad))]


def _rows(drawn: Drawn) -> list[str]:
    return draw(drawn.stretch, drawn.lines)


def print_rule(rule: Rule, stream: IO[str]) -> None:
    """Print one rule."""
    console = report_console(stream)
    head = Text(rule.id, "bold")
    head.append(f": {rule.title} ")
    head.append(f"({rule.severity})", COLOURS[rule.severity])
    console.print(head)
    for heading, text in facts(rule):
        lines = textwrap.wrap(sentence(text), max(40, console.width - LEAD - 1))
        for number, line in enumerate(lines):
            console.print(Text(f"{heading if number == 0 else '':<{LEAD}}", "bold").append(line, "not bold"))
    for title, rows in drawings(rule):
        console.print()
        console.print(Text(title, "bold"))
        for row in rows:
            console.print("  " + row, markup=False, overflow="ignore", no_wrap=True, crop=False)


def print_catalogue(rules: Iterable[Rule], stream: IO[str]) -> None:
    """Print every rule in one line."""
    console = report_console(stream)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for column in ("rule", "severity", "what it finds"):
        table.add_column(column, overflow="fold")
    for rule in rules:
        table.add_row(rule.id, Text(rule.severity, COLOURS[rule.severity]), rule.title)
    console.print(table)
    console.print("\nstrobewise explain RULE tells more about one of them.", markup=False)
