"""A diagnosis in at most ten lines, to be read at arm's length: the fault, the pin, how sure, the caution, the first step."""

from __future__ import annotations

import textwrap
from typing import IO

from strobewise.bus.lines import bar
from strobewise.diagnosis.facade import Diagnosis
from strobewise.rules.base import CAUTION_CLIP, CAUTION_LIVE, CAUTION_SOLDER
from strobewise.verdict.words import SUSPECT_WORDS, chips_named, names
from strobewise_cli.render.diagnosis_text import HEADLINES, aspect, power_words, told
from strobewise_cli.render.phrases import sentence
from strobewise_cli.terminal import one_line

WIDTH = 72
FAULT_LINES, PIN_LINES, SURE_LINES, CAUTION_LINES, STEP_LINES = 3, 1, 1, 2, 3  #: ten together

#: What matters most of each caution; the full report has all of it.
SHORT_CAUTION = {
    CAUTION_CLIP: "power off and unplug before moving a clip, ground first. Mains or a display tube inside: trained hands only",
    CAUTION_LIVE: "power is on: ground first, never bridge two pins. Mains or a display tube inside: trained hands only",
    CAUTION_SOLDER: "power off, unplug, earthed wrist strap. Mains or a display tube inside: trained hands only",
}


def brief(diagnosis: Diagnosis) -> list[str]:
    """Return the lines, ten at most."""
    verdict = diagnosis.verdict
    lines = _part("", f"{HEADLINES[aspect(verdict)]}{told(verdict)}", FAULT_LINES)
    if verdict.state == "no_fault_found":
        return lines
    first = next((finding for finding in diagnosis.findings if finding.severity != "note"), None)
    chips = chips_named(first) if first is not None else ()
    if chips and first is not None:  # a memory's line is none of the CPU's pins
        lines += _part("Chip:    ", f"{', '.join(chips)}{' (' + ', '.join(map(bar, first.lines)) + ')' if first.lines else ''}", PIN_LINES)
    elif first is not None and first.pins:
        lines += _part("Pin:     ", names(first.lines), PIN_LINES)
    if first is not None and first.severity == "fault" and verdict.suspects:
        suspect = verdict.suspects[0]
        part = SUSPECT_WORDS[suspect.suspect].partition(" (")[0]
        lines += _part("Sure:    ", f"{first.confidence * 100:.0f} % that it is so, {suspect.confidence * 100:.0f} % {part}", SURE_LINES)
    if verdict.steps:
        step = verdict.steps[0]
        if step.caution:
            lines += _part("Caution: ", sentence(SHORT_CAUTION.get(step.caution, step.caution)), CAUTION_LINES)
        lines += _part("Step:    ", sentence(f"{power_words(step)}{_first_clause(step.text)}"), STEP_LINES)
    return lines


def print_brief(diagnosis: Diagnosis, stream: IO[str]) -> None:
    """Print the lines."""
    stream.write("\n".join(brief(diagnosis)) + "\n")


def _first_clause(step: str) -> str:
    """Return what a step asks for, without what its outcomes would mean."""
    asked = step.partition("; ")[0]
    head, colon, _ = asked.partition(": ")
    return head if colon and len(head) >= WIDTH else asked


def _part(lead: str, text: str, most: int) -> list[str]:
    indent = " " * len(lead)
    return textwrap.wrap(one_line(text), WIDTH, initial_indent=lead, subsequent_indent=indent, max_lines=most, placeholder=" ...")
