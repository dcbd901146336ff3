"""The line survey alone, for a terminal and as JSON."""

from __future__ import annotations

from collections.abc import Collection
from typing import IO

from strobewise.bus.model import LineState
from strobewise.diagnosis.examined import Examined
from strobewise.files.plain_data import Document
from strobewise_cli.output import json_text
from strobewise_cli.render.diagnosis_json import capture_document, line_document
from strobewise_cli.render.diagnosis_text import print_lines
from strobewise_cli.terminal import one_line

FORMAT = "strobewise-lines"
VERSION = 1
_NAMES_SHOWN = 12


def render_json(examined: Examined, lines: list[LineState]) -> str:
    """Return the survey as text, with a line feed at its end; its objects are those of the diagnosis."""
    clock = examined.evidence.clock
    document: Document = {
        "format": FORMAT,
        "version": VERSION,
        "capture": capture_document(examined),
        "lines": [line_document(line) for line in lines],
        "clock_hz": examined.evidence.clock_hz,
        "clock_source": clock.source,
    }
    return json_text(document)


def print_survey(examined: Examined, lines: list[LineState], marked: Collection[str], stream: IO[str]) -> None:
    """Print the table of lines, those marked that findings speak of, and the channels that carry none."""
    print_lines(lines, marked, stream)
    names = [one_line(use.name) for use in examined.channels.unmapped]
    if names:
        more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
        stream.write(f"channels without a line: {', '.join(names[:_NAMES_SHOWN])}{more}\n")
    if examined.channels.unlabelled:
        stream.write("the names are the analyser's own; say which is which with --map, as --map M1=CH0\n")
