"""A comparison as one page that needs nothing but itself, with the waveforms of both captures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from strobewise.bus.lines import bar
from strobewise.bus.model import Finding
from strobewise.compare.records import Comparison
from strobewise.diagnosis.examined import Examined
from strobewise.profile.options import Options
from strobewise_cli.render.compare_text import ranges_text, shift_words
from strobewise_cli.render.diagnosis_text import STATE_WORDS
from strobewise_cli.render.html_charts import cycle_mix
from strobewise_cli.render.html_data import Moment, PageData, collect, moment_of, title_of
from strobewise_cli.render.html_report import FindingBlock, capture_words, environment, finding_blocks, leads_words, viewer_context
from strobewise_cli.render.phrases import sentence


class Table(NamedTuple):
    """One table of the page."""

    title: str
    heads: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]


def render_page(comparison: Comparison, options: Options) -> str:
    """Return the page. Reads the captures again. Raises CaptureError, OSError."""
    return environment().get_template("compare.html.j2").render(context(comparison, _captures(comparison, options)))


def _captures(comparison: Comparison, options: Options) -> list[PageData]:
    now = comparison.suspect.captures[0]
    first = [*_moments("gone", comparison.gone, comparison.good.captures[0])]
    second = [*_moments("new", comparison.new, now), *_moments("kept", comparison.kept, now)]
    names = comparison.called
    if comparison.parting is not None:
        first.append(Moment("parting-1", f"where they part ({comparison.names[0]})", comparison.parting.good_s))
        second.append(Moment("parting-2", f"where they part ({comparison.names[1]})", comparison.parting.suspect_s))
    sides = (comparison.good, comparison.suspect)
    return [
        collect(side.captures[0], options, moments, suffix, name)
        for side, moments, suffix, name in zip(sides, (first, second), ("-1", "-2"), names, strict=True)
    ]


def _moments(word: str, findings: Sequence[Finding], examined: Examined) -> list[Moment]:
    return [
        Moment(f"{word}-{number}", f"{title_of(finding)} ({word})", moment_of(finding, examined), finding.lines)
        for number, finding in enumerate(findings)
    ]


def context(comparison: Comparison, captures: Sequence[PageData]) -> dict[str, object]:
    """Return what the template shows."""
    sides = (comparison.good, comparison.suspect)
    well = comparison.all_gone or comparison.alike
    groups = [
        {"title": title, "findings": _blocks(word, findings, captures)}
        for word, title, findings in (
            ("new", "New", comparison.new), ("gone", "Gone", comparison.gone), ("kept", "In both", comparison.kept),
        )
        if findings or word == "new"
    ]  # fmt: skip
    return {
        "summary": sentence(comparison.sentence),
        "state": "no_fault_found" if well else "fault",
        "sides": [
            {"name": name, "path": Path(side.captures[0].path).name,
             "words": " ".join([capture_words(side), *map(sentence, leads_words(side))]),
             "mix": cycle_mix(data.course)}
            for name, side, data in zip(comparison.names, sides, captures, strict=True)
        ],
        "groups": groups,
        "tables": [table for table in tables(comparison) if table.rows],
        "held": [sentence(change.words(*comparison.called)) for change in comparison.held],
        "clock": sentence(comparison.clock.words(*comparison.called)) if comparison.clock and comparison.clock.counts else "",
        "program": program(comparison),
        "parting": [(f"parting-{n}", name) for n, name in enumerate(comparison.called, 1)] if comparison.parting else [],
        "timing": [sentence(shift_words(shift, comparison.called)) for shift in comparison.timing],
        "untold": list(comparison.untold),
        **viewer_context(captures),
    }


def _blocks(word: str, findings: Sequence[Finding], captures: Sequence[PageData]) -> list[FindingBlock]:
    """Return findings with the caution before their next step; what is gone asks for none."""
    blocks = finding_blocks(findings, captures, f"{word}-{{}}".format)
    if word == "gone":
        return [block._replace(next_step="") for block in blocks]
    cautions = [finding.caution if finding.next_step else "" for finding in findings]
    return [block._replace(caution=caution) for block, caution in zip(blocks, cautions, strict=True)]


def tables(comparison: Comparison) -> list[Table]:
    """Return lines, strobes and machine cycles side by side."""
    lines = [
        (bar(c.line), STATE_WORDS.get(c.good, c.good), STATE_WORDS.get(c.suspect, c.suspect), "" if c.counts else "may well be")
        for c in comparison.lines
    ]
    strobes = [
        (bar(pair.line), f"{pair.good_strobed} of {pair.good.expected}", f"{pair.suspect_strobed} of {pair.suspect.expected}")
        for pair in comparison.strobes
        if pair.good.expected or pair.suspect.expected
    ]
    cycles = [
        (p.kind.replace("_", " "), str(p.good), f"{p.good_share * 100:.1f} %", str(p.suspect), f"{p.suspect_share * 100:.1f} %")
        for p in comparison.cycles
    ]
    one, two = comparison.names
    return [
        Table("Lines that changed state", ("line", one, two, ""), lines),
        Table("Strobes: seen of those that the bus calls for", ("line", one, two), strobes),
        Table("Machine cycles", ("kind", one, "share", two, "share"), cycles),
    ]


def program(comparison: Comparison) -> list[str]:
    """Return what there is to say about the instructions that ran."""
    parting, reached = comparison.parting, comparison.reached
    texts = []
    if parting is not None:
        texts.append(f"They part ways {parting.words(*comparison.called)}; {parting.agreed} fetches agree before it.")
    if reached is not None:
        for name, ranges in zip(comparison.called, (reached.good, reached.suspect), strict=True):
            if ranges:
                texts.append(f"Executed in {name} alone: {ranges_text(ranges)}.")
    if comparison.code is not None:
        texts.append(sentence(comparison.code.words(*comparison.called)))
    return texts
