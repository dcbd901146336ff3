"""A diagnosis for a person at a terminal: the verdict first, then what to do, then why."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import IO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strobewise.bus.lines import LINE, bar, in_ranges, pin_text
from strobewise.bus.model import Finding, LineState, Step, Verdict
from strobewise.bus.units import time_words, told_in_t_states
from strobewise.capture.channels.mapping import MAP_OPTION, ChannelMap
from strobewise.diagnosis.examined import Examined
from strobewise.diagnosis.facade import Diagnosis
from strobewise.diagnosis.observations import observations
from strobewise.verdict.coverage import guilty, left_to_clip
from strobewise.verdict.coverage import words as coverage_words
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.render.phrases import sentence
from strobewise_cli.terminal import one_line, report_console

HEADLINES = {
    "fault": "FAULT", "leads": "CHECK THE LEADS FIRST", "cannot_decide": "CANNOT DECIDE", "no_fault_found": "NO FAULT FOUND",
    "so_far": "NO FAULT FOUND SO FAR",
}  # fmt: skip
COLOURS = {
    "fault": "bold red", "leads": "bold yellow", "cannot_decide": "bold yellow", "no_fault_found": "bold green", "so_far": "bold yellow",
    "warning": "yellow", "note": "dim",
}  # fmt: skip
STATE_WORDS = {"stuck_high": "stuck high", "stuck_low": "stuck low", "not_captured": "not captured"}


def aspect(verdict: Verdict) -> str:
    """Return under which of HEADLINES a verdict is shown: a fault of the leads is no red fault, little seen no green light."""
    return "leads" if verdict.blames_leads else "so_far" if verdict.says_little else verdict.state


def told(verdict: Verdict) -> str:
    """Return the headline without the words of HEADLINES that stand in front of it."""
    plain = HEADLINES[verdict.state]
    text = verdict.headline
    for head in (HEADLINES[aspect(verdict)], plain):
        if text.lower().startswith(head.lower()):
            return text[len(head) :]
    return f": {text}"


def power_words(step: Step) -> str:
    """Return what a step wants of the power, as the beginning of its sentence; nothing where it touches nothing."""
    return f"Power {step.power}: " if step.power else ""


def how_sure(diagnosis: Diagnosis) -> str:
    """Return how sure it is that the lines behave as said, whoever is to blame; nothing where no fault was found."""
    first = next((f for f in diagnosis.findings if f.severity == "fault"), None)
    if first is None:
        return ""
    return f"{first.confidence * 100:.0f} % that it behaves as said, by what was measured"


WHO = "Who is to blame, by rule of thumb (common practice, our weights)"


def with_cautions(steps: Sequence[Step]) -> Iterator[tuple[str, Step]]:
    """Yield each step with the caution that goes before it; one that was just said is not said again."""
    said = ""
    for step in steps:
        yield ("" if step.caution == said else step.caution), step
        said = step.caution or said


def print_diagnosis(diagnosis: Diagnosis, stream: IO[str]) -> None:
    """Print the report. Colour only on a terminal, and never as the only sign of anything."""
    console = report_console(stream)
    verdict = diagnosis.verdict
    _paragraph(console, HEADLINES[aspect(verdict)], told(verdict), COLOURS[aspect(verdict)])
    if verdict.suspects and verdict.state != "no_fault_found":
        console.print()
        if how_sure(diagnosis):
            console.print(Text("How sure", "bold"))
            console.print(f"  {how_sure(diagnosis)}", markup=False)
        console.print(Text(WHO, "bold"))
        for share in verdict.suspects:
            console.print(f"  {share.confidence * 100:3.0f} %  {SUSPECT_WORDS[share.suspect]}", markup=False)
    if verdict.next_steps:
        console.print()
        console.print(Text("Next", "bold"))
        for number, (caution, step) in enumerate(with_cautions(verdict.steps), 1):
            if caution:
                _hanging(console, "  !  ", caution)
            _hanging(console, f"  {number}. ", sentence(f"{power_words(step)}{step.text}"))
    if left_to_clip(verdict) and verdict.state == "cannot_decide":
        _hanging(console, "  -> ", "clip as well: " + ", ".join(pin_text(name) for name in left_to_clip(verdict)))
    if verdict.not_judged and verdict.state != "no_fault_found":
        console.print()
        _hanging(console, "", f"Not judged with these leads: {coverage_words(verdict.not_judged)}.")
    if diagnosis.findings:
        console.print()
        console.print(Text("Findings", "bold"))
        for finding in diagnosis.findings:
            _finding(console, finding)
    console.print()
    _capture_lines(console, diagnosis)
    _lines_table(console, diagnosis.lines, guilty(diagnosis.findings))


def _paragraph(console: Console, head: str, text: str, style: str) -> None:
    wrapped = textwrap.wrap(one_line(f"{head}{text}"), console.width - 1) or [head]
    first = Text(wrapped[0])
    first.stylize(style, 0, len(head))
    console.print(first)
    for line in wrapped[1:]:
        console.print(line, markup=False)


def _hanging(console: Console, lead: str, text: str) -> None:
    lines = textwrap.wrap(one_line(text), console.width - 1 - len(lead))
    for number, line in enumerate(lines):
        console.print((lead if number == 0 else " " * len(lead)) + line, markup=False)


def _finding(console: Console, finding: Finding) -> None:
    tag = f"  [{finding.severity}] "
    span = ""
    if finding.first_s is not None and finding.last_s is not None and finding.last_s > finding.first_s:
        span = f" ({time_words(finding.first_s)} to {time_words(finding.last_s)})"
    elif finding.first_s is not None:
        span = f" (at {time_words(finding.first_s)})"
    text = f"{finding.evidence}{span}. Rule {finding.rule}."
    lines = textwrap.wrap(one_line(text), console.width - 5)
    head = Text(tag.rstrip(), COLOURS[finding.severity])
    console.print(head)
    for line in lines:
        console.print("    " + line, markup=False)


def rate_words(examined: Examined) -> str:
    """Return how a capture was sampled; nothing where that is not known."""
    if examined.evidence.clocked:
        return f"sampled once a clock, at its {examined.evidence.clocked} edge"
    return f"sampled at {1e-6 / examined.sample_interval_s:.4g} MHz" if examined.sample_interval_s else ""


def _capture_lines(console: Console, diagnosis: Diagnosis) -> None:
    console.print(Text("Capture", "bold"))
    for examined in diagnosis.captures:
        evidence = examined.evidence
        with told_in_t_states(evidence.counted_t_s):
            _hanging(console, "  ", ", ".join(filter(None, (f"{examined.path}: {time_words(evidence.duration_s)}", rate_words(examined)))))
        if examined.read_as:
            _hanging(console, "    ", f"read as {examined.read_as}")
        for text in map_words(examined):
            _hanging(console, "    ", text)
    evidence = diagnosis.evidence
    clock = evidence.clock
    if evidence.clock_hz and evidence.clocked:
        console.print(f"  clock {evidence.clock_hz / 1e6:.4g} MHz (given)", markup=False)
    elif evidence.clock_hz:
        source = {"CLK": "measured", "given": "given"}.get(clock.source, f"estimated from /{clock.source}")
        samples = "" if evidence.samples_per_t is None else f", {evidence.samples_per_t:.1f} samples a T-state"
        console.print(f"  clock {evidence.clock_hz / 1e6:.4g} MHz ({source}){samples}", markup=False)
    counts = [f"{n} {kind.replace('_', ' ')}" for kind, n in evidence.cycles.items() if n]
    if evidence.inferred_fetches:
        counts.append(f"{evidence.inferred_fetches} of the fetches inferred")
    _hanging(console, "  ", "cycles: " + (", ".join(counts) or "none"))
    for seen in observations(evidence):
        _hanging(console, "  ", f"{seen.topic}: {seen.text}")
    names = [one_line(use.name) for use in diagnosis.captures[0].channels.unmapped]
    if names:
        shown = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
        _hanging(console, "  ", f"channels without a line: {shown}")


def map_words(examined: Examined) -> list[str]:
    """Return which map was taken, where the channels' own names are not all, and which leads sat at the connector."""
    channels = examined.channels
    sources = dict.fromkeys(channels.said_by.values())
    told = []
    if sources:
        by_name = [line for line in channels.channels if line not in channels.said_by]
        parts = [f"{_named_lines(channels, source)} by {_source_words(channels, source)}" for source in sources]
        parts += [f"{', '.join(in_ranges(by_name))} by their own names"] if by_name else []
        told = [f"channels named: {'; '.join(parts)}"]
    elif channels.map_file is not None:
        told = [f"the map {Path(channels.map_file).name} names no channel of this capture"]
    elif examined.evidence.unlabelled and channels.channels:
        told = ["channels named by what they do, which is a guess"]
    away = [bar(line) for line, place in examined.evidence.probe_at.items() if place == "connector" and line in channels.channels]
    return told + ([f"leads at the connector: {', '.join(away)}"] if away else [])


def _named_lines(channels: ChannelMap, source: str) -> str:
    return ", ".join(in_ranges([line for line in channels.channels if channels.said_by.get(line) == source]))


def _source_words(channels: ChannelMap, source: str) -> str:
    """Return what named channels, without the path as it was typed."""
    name = source if source == MAP_OPTION else Path(source).name
    return f"{name} (a guess)" if channels.guessed and source == channels.map_file else name


def print_lines(lines: list[LineState], marked: Collection[str], stream: IO[str]) -> None:
    """Print the line survey alone. marked: lines that findings speak of."""
    _lines_table(report_console(stream), lines, marked)


def _lines_table(console: Console, lines: list[LineState], marked: Collection[str]) -> None:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("line")
    table.add_column("pin", justify="right")
    table.add_column("state")
    table.add_column("edges", justify="right")
    table.add_column("high", justify="right")
    table.add_column("remark", overflow="fold")
    for line in lines:
        if line.state == "not_captured":
            continue
        pin = LINE[line.line].pin if line.line in LINE else None
        remark = line.remark + (f"; follows {bar(line.follows)}" if line.follows else "")
        odd = line.line in marked
        state = Text(STATE_WORDS.get(line.state, line.state) + (" <" if odd else ""), "bold" if odd else "")
        high = "" if line.high_fraction is None else f"{line.high_fraction * 100:.0f} %"
        table.add_row(bar(line.line), "" if pin is None else str(pin), state, str(line.edges), high, Text(remark))
    console.print(table)
    missing = [line.line for line in lines if line.state == "not_captured"]
    if missing:
        _hanging(console, "not captured: ", ", ".join(in_ranges(missing)))
