"""``strobewise diagnose``: the main job."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from strobewise.bus.units import told_in_t_states
from strobewise.errors import UsageError
from strobewise_cli.commands.options import (
    Subparsers,
    add_capture,
    add_machine_options,
    engine_options,
    refuse_two_standard_inputs,
    report_notes,
)
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar
from strobewise_cli.terminal import note

if TYPE_CHECKING:
    from strobewise.diagnosis.examined import Examined
    from strobewise.diagnosis.facade import Diagnosis
    from strobewise.profile.options import Options

EXIT_STATUS = {"no_fault_found": 0, "fault": 1, "cannot_decide": 3}

_EPILOG = """\
examples:
  strobewise diagnose boot.vcd                              the verdict, for people
  strobewise diagnose boot.vcd --brief                      ten lines to read at arm's length
  strobewise diagnose boot.vcd --json boot.json             the same for scripts (- is standard output)
  strobewise diagnose boot.vcd --html boot.html             a page with waveforms around the findings
  strobewise diagnose clips.vcd --map M1=CH0 --map MREQ=CH1 channels without names
  strobewise diagnose boot.vcd --machine bench.toml         with what is known of the machine
  strobewise diagnose first.vcd second.vcd                  several captures of one machine, one verdict

exit status: 0 no fault found, 1 fault found, 3 the capture cannot decide, 2 bad usage or unreadable capture
"""


def run(args: argparse.Namespace) -> int:
    """Diagnose, print or write what was asked for, and return the exit status of the verdict."""
    from strobewise.diagnosis.facade import diagnose

    refuse_two_standard_inputs(args.captures)
    if args.html is not None and STANDARD_OUTPUT in args.captures:
        raise UsageError("a page needs to read the capture twice", "--html", "write the capture to a file first")
    options = engine_options(args)
    with ProgressBar("reading", args.captures) as bar:
        diagnosis = diagnose(args.captures, options, bar.update, apart=True)
    for examined in diagnosis.captures:
        report_notes(examined)
        if args.write_maps:
            _write_guess(examined)
    with told_in_t_states(diagnosis.evidence.counted_t_s):
        _write(args, diagnosis, options)
    return EXIT_STATUS[diagnosis.verdict.state]


def _write(args: argparse.Namespace, diagnosis: Diagnosis, options: Options) -> None:
    """Write the files that were asked for, and the report where standard output is none of them."""
    if args.json is not None:
        from strobewise_cli.render.diagnosis_json import render

        with open_output(args.json, "w") as out:
            out.write(render(diagnosis))
    if args.html is not None:
        from strobewise_cli.render.html_report import render_page

        page = render_page(diagnosis, options)
        with open_output(args.html, "w") as out:
            out.write(page)
    if args.markdown is not None:
        from strobewise_cli.render.markdown import render_markdown

        with open_output(args.markdown, "w") as out:
            out.write(render_markdown(diagnosis))
    if STANDARD_OUTPUT not in (args.json, args.html, args.markdown):
        if args.brief:
            from strobewise_cli.render.brief_text import print_brief as show
        else:
            from strobewise_cli.render.diagnosis_text import print_diagnosis as show
        show(diagnosis, sys.stdout)


def _write_guess(examined: Examined) -> None:
    """Write what the behaviour of channels without names says beside their capture; a map that is there already is let alone."""
    from strobewise.capture.channels.beside import map_text
    from strobewise.files.names import map_path
    from strobewise.files.reading import is_stream

    channels = examined.channels
    if is_stream(examined.path) or not channels.unlabelled or not channels.channels or channels.map_file is not None:
        note(f"no map was written: its channels have names, or show no line ({examined.path})")
        return
    with open_output(map_path(examined.path), "w") as out:
        out.write(map_text(channels.channels.items(), guessed=True))
    note(f"{map_path(examined.path)} holds what the channels look like: check it against your leads")


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "diagnose",
        help="say what is wrong: verdict, suspects, evidence, next measurement",
        description="Say what is wrong with the machine, from a capture of its bus.",
        epilog=_EPILOG,
    )
    add_capture(parser, many=True)
    parser.add_argument("--json", metavar="FILE", help="write the diagnosis as JSON (- is standard output)")
    parser.add_argument(
        "--html", metavar="FILE", help="write it as one self-contained page, with waveforms; reads the capture twice, so not from -"
    )
    parser.add_argument("--brief", action="store_true", help="print ten lines at most: the fault, the pin, the caution, the first step")
    parser.add_argument("--markdown", metavar="FILE", help="write the diagnosis as Markdown, for a job sheet or a forum post")
    parser.add_argument(
        "--write-map", dest="write_maps", action="store_true",
        help="write what channels without names look like beside their capture, as CAPTURE.map.toml, which is then taken and checked",
    )  # fmt: skip
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
