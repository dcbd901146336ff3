"""Hook-up advice for a person with a handful of clips: cautions first, then leads, settings, and what to expect."""

from __future__ import annotations

import textwrap
from typing import IO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strobewise.bus.lines import ADDRESS, DATA, bar
from strobewise.bus.units import time_words
from strobewise.files.plain_data import Document
from strobewise.hookup.plan import Advice
from strobewise.hookup.questions import answers, question_of
from strobewise.rules import find_rule
from strobewise_cli.output import json_text
from strobewise_cli.render.phrases import names_text, sentence
from strobewise_cli.terminal import report_console

FEW_LEADS = 4  #: further leads that are named; more of them are another set
LATE = (
    "strobewise capture -o warm.vcd --symptom dies-warm --until-fault --for 30min takes burst after burst and keeps those that fail; "
    "strobewise watch - follows an endless stream and saves what was around the fault."
)
GROUND_PIN = 29
BUSES = (*ADDRESS, *DATA)

FORMAT = "strobewise-hookup"
VERSION = 1


def print_advice(advice: Advice, stream: IO[str]) -> None:
    """Print the advice."""
    console = report_console(stream)
    for caution in advice.cautions:
        say(console, "  !  ", sentence(caution))
    console.print()
    say(console, "", f"For: {advice.symptom.words}. {advice.channels} channel{'s' if advice.channels != 1 else ''}.")
    head(console, "Leads, in this order")
    console.print(_leads(advice))
    _free_channels(console, advice)
    head(console, "Settings")
    clock = f"a clock of {advice.clock_hz / 1e6:.4g} MHz" if advice.clock_hz else "a clock of 3.5 MHz or less (say --clock for another)"
    least = f"{advice.sample_hz_min / 1e6:.3g} MHz is the least for {clock}"
    say(console, "  rate:     ", f"{advice.sample_hz / 1e6:.4g} MHz; {least}. Fewer channels are better than a slower rate.")
    samples = advice.duration_s * advice.sample_hz / 1e6
    length = f"{time_words(advice.duration_s)} ({samples:.3g} million samples)"
    say(console, "  duration: ", f"{length}, or as much of it as the analyser holds")
    say(console, "  trigger:  ", advice.trigger)
    head(console, "Then")
    for line in textwrap.wrap(command(advice), console.width - 6, subsequent_indent="    ", break_on_hyphens=False, break_long_words=False):
        console.print(f"  {line} \\" if not command(advice).endswith(line.strip()) else f"  {line}", markup=False)
    _decisions(console, advice)
    if advice.free_run:
        console.print()
        say(console, "", advice.free_run)


def command(advice: Advice) -> str:
    """Return the command line that diagnoses the capture when its channels have kept the analyser's own names CH0, CH1 ..."""
    maps = " ".join(f"--map {lead.line}=CH{number}" for number, lead in enumerate(advice.leads))
    clock = f" --clock {advice.clock_hz:.0f}" if advice.clock_hz and all(lead.line != "CLK" for lead in advice.leads) else ""
    return f"strobewise diagnose capture.vcd {maps}{clock}"


def _leads(advice: Advice) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="bold")
    table.add_column("lead")
    table.add_column("pin", justify="right")
    table.add_column("line")
    table.add_column("helps to tell", overflow="fold")
    table.add_row("GND", str(GROUND_PIN), "GND", "clip it first")
    first = {lead.rules: lead.line for lead in reversed(advice.leads) if lead.line in BUSES}  # the other lines of a bus tell the same
    for number, lead in enumerate(advice.leads):
        asked = dict.fromkeys(question_of(rule).name for rule in map(find_rule, lead.rules) if rule is not None)
        words = ", ".join(asked) or "the cycles apart"
        if lead.line in BUSES and first[lead.rules] != lead.line:
            words = f"as {first[lead.rules]}"
        pin = "port" if lead.pin is None else str(lead.pin)
        table.add_row(f"CH{number}", pin, bar(lead.line), Text(words))
    return table


def _free_channels(console: Console, advice: Advice) -> None:
    """Say what stays free, and why: an address bus helps whole or not at all."""
    free = advice.channels - len(advice.leads)
    if free < 1:
        return
    lines = {lead.line for lead in advice.leads}
    why = ": A0-A15 help only all together" if not lines.issuperset(ADDRESS) else ""
    say(console, "  ", f"{free} channel{'s' if free != 1 else ''} may stay free{why}.")


def _decisions(console: Console, advice: Advice) -> None:
    relevant = [rule for rule in map(find_rule, (*advice.decides, *(each.rule for each in advice.undecided))) if rule is not None]
    told = answers([lead.line for lead in advice.leads], advice.channels, relevant)
    if told.answered:
        head(console, "This can answer")
        for question in told.answered:
            say(console, "  ", question.words)
    if told.open:
        head(console, "This cannot")
        for question, missing in told.open:
            takes = f"cannot be answered with {advice.channels}" if question in told.beyond else "takes other leads"
            takes = f"takes {names_text(missing)} as well" if question not in told.beyond and len(missing) <= FEW_LEADS else takes
            say(console, "  ", f"{question.words} ({takes})")
    if advice.symptom.late:
        head(console, "It fails after a while")
        say(console, "  ", "One short capture is likely to miss it. Let the analyser run until it fails: " + LATE)


def head(console: Console, title: str) -> None:
    """Print a heading, with an empty line above it."""
    console.print()
    console.print(Text(title, "bold"))


def say(console: Console, lead: str, text: str) -> None:
    """Print a text, wrapped, its first line behind `lead` and the others as far in."""
    lines = textwrap.wrap(text, max(30, console.width - 1 - len(lead)), break_on_hyphens=False)
    for number, line in enumerate(lines):
        console.print((lead if number == 0 else " " * len(lead)) + line, markup=False)


def document(advice: Advice) -> Document:
    """Return the advice as plain data."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "symptom": advice.symptom.name,
        "channels": advice.channels,
        "leads": [{"channel": n, "line": lead.line, "pin": lead.pin, "rules": list(lead.rules)} for n, lead in enumerate(advice.leads)],
        "clock_hz": advice.clock_hz,
        "sample_hz": advice.sample_hz,
        "sample_hz_min": advice.sample_hz_min,
        "duration_s": advice.duration_s,
        "trigger": advice.trigger,
        "decides": list(advice.decides),
        "undecided": [{"rule": each.rule, "missing": list(each.missing)} for each in advice.undecided],
        "cautions": list(advice.cautions),
        "free_run": advice.free_run,
        "command": command(advice),
    }


def render(advice: Advice) -> str:
    """Return the document as text, with a line feed at its end."""
    return json_text(document(advice))
