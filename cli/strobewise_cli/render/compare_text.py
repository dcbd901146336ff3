"""A comparison for a person at a terminal: one sentence, then what it rests on."""

from __future__ import annotations

import textwrap
from typing import IO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strobewise.bus.lines import bar
from strobewise.bus.model import Finding
from strobewise.bus.units import time_words
from strobewise.compare.records import Comparison, TimingShift
from strobewise_cli.render.diagnosis_text import STATE_WORDS, map_words
from strobewise_cli.render.phrases import sentence
from strobewise_cli.terminal import one_line, report_console

RANGES_SHOWN = 8  #: ranges of addresses that are named one by one


def print_comparison(comparison: Comparison, stream: IO[str]) -> None:
    """Print the comparison. Sections without a difference are left out."""
    console = report_console(stream)
    colour = "bold green" if comparison.alike or comparison.all_gone else "bold yellow"
    for number, line in enumerate(textwrap.wrap(one_line(sentence(comparison.sentence)), console.width - 1)):
        console.print(Text(line, colour if number == 0 else ""))
    console.print()
    for word, side in zip(comparison.names, (comparison.good, comparison.suspect), strict=True):
        clock = side.evidence.clock_hz
        speed = f", clock {clock / 1e6:.4g} MHz" if clock else ""
        words = side.verdict.state.replace("_", " ")
        _say(console, f"{word + ':':<9}", f"{side.captures[0].path}: {time_words(side.evidence.duration_s)}{speed}, {words}")
        for text in map_words(side.captures[0]):
            _say(console, " " * 9, text)
    _findings(console, "Findings gone", comparison.gone)
    _findings(console, "Findings new", comparison.new)
    _findings(console, "Findings in both", comparison.kept)
    _lines(console, comparison)
    _held(console, comparison)
    _strobes(console, comparison)
    _cycles(console, comparison)
    _program(console, comparison)
    _timing(console, comparison)
    if comparison.untold:
        _head(console, "Not compared")
        for text in comparison.untold:
            _say(console, "  ", text)


def _head(console: Console, title: str) -> None:
    console.print()
    console.print(Text(title, "bold"))


def _say(console: Console, lead: str, text: str) -> None:
    for number, line in enumerate(textwrap.wrap(one_line(text), max(30, console.width - 1 - len(lead)))):
        console.print((lead if number == 0 else " " * len(lead)) + line, markup=False)


def _findings(console: Console, title: str, findings: tuple[Finding, ...]) -> None:
    if not findings:
        return
    _head(console, title)
    for finding in findings:
        _say(console, f"  [{finding.severity}] ", f"{sentence(finding.evidence)} Rule {finding.rule}.")


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="bold")
    for number, column in enumerate(columns):
        table.add_column(column, justify="left" if number == 0 else "right")
    return table


def _lines(console: Console, comparison: Comparison) -> None:
    if not comparison.lines:
        return
    _head(console, "Lines that changed state")
    table = _table("line", *comparison.names, "")
    for change in comparison.lines:
        remark = "" if change.counts else "may well be"
        table.add_row(bar(change.line), *(STATE_WORDS.get(state, state) for state in (change.good, change.suspect)), remark)
    console.print(table)


def _held(console: Console, comparison: Comparison) -> None:
    if comparison.held:
        _head(console, "Lines held to the end")
        for change in comparison.held:
            _say(console, "  ", sentence(change.words(*comparison.called)))


def _strobes(console: Console, comparison: Comparison) -> None:
    rows = [pair for pair in comparison.strobes if pair.good.expected or pair.suspect.expected]
    if not rows:
        return
    _head(console, "Strobes: seen of those that the bus calls for")
    table = _table("line", *comparison.names)
    for pair in rows:
        table.add_row(
            bar(pair.line), f"{pair.good_strobed} of {pair.good.expected}", f"{pair.suspect_strobed} of {pair.suspect.expected}"
        )
    console.print(table)


def _cycles(console: Console, comparison: Comparison) -> None:
    if not comparison.cycles:
        return
    _head(console, "Machine cycles")
    table = _table("kind", comparison.names[0], "", comparison.names[1], "", "")
    for pair in comparison.cycles:
        shares = f"{pair.good_share * 100:.1f} %", f"{pair.suspect_share * 100:.1f} %"
        mark = "<" if pair.shifted else ""
        table.add_row(pair.kind.replace("_", " "), str(pair.good), shares[0], str(pair.suspect), shares[1], mark)
    console.print(table)


def _program(console: Console, comparison: Comparison) -> None:
    parting, reached = comparison.parting, comparison.reached
    captures = comparison.called
    if parting is not None:
        _head(console, "Where the programs part ways")
        _say(console, "  ", f"{sentence(parting.words(*captures))} {parting.agreed} fetches agree before it.")
        _say(console, "  ", f"At {time_words(parting.good_s)} in {captures[0]}, at {time_words(parting.suspect_s)} in {captures[1]}.")
    if comparison.code is not None:
        _head(console, "Code that reads differently")
        _say(console, "  ", sentence(comparison.code.words(*captures)))
    if reached is not None and (reached.good or reached.suspect):
        _head(console, "Addresses executed in one alone")
        for word, ranges in zip(comparison.names, (reached.good, reached.suspect), strict=True):
            if ranges:
                _say(console, f"  {word + ':':<9}", ranges_text(ranges))


def ranges_text(ranges: tuple[tuple[int, int], ...]) -> str:
    """Return ranges of addresses, the first few by name."""
    shown = ", ".join(f"0x{low:04x}" if low == high else f"0x{low:04x}-0x{high:04x}" for low, high in ranges[:RANGES_SHOWN])
    more = len(ranges) - RANGES_SHOWN
    return f"{shown} and {more} more ranges" if more > 0 else shown


def shift_words(shift: TimingShift, captures: tuple[str, str]) -> str:
    """Return a moved edge as a sentence."""
    later = "later" if shift.shift_s > 0 else "earlier"
    return (
        f"{bar(shift.line)} {shift.edge}s {abs(shift.shift_s) * 1e9:.0f} ns {later} after {shift.reference}: "
        f"{shift.good_s * 1e9:.0f} ns in {captures[0]}, {shift.suspect_s * 1e9:.0f} ns in {captures[1]}; "
        f"sampling explains {shift.uncertainty_s * 1e9:.0f} ns"
    )


def _timing(console: Console, comparison: Comparison) -> None:
    if not comparison.timing:
        return
    _head(console, "Edges that moved by more than sampling explains")
    for shift in comparison.timing:
        _say(console, "  ", sentence(shift_words(shift, comparison.called)))
