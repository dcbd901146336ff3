"""``strobewise lines``: what every line did, without a verdict."""

from __future__ import annotations

import argparse
import sys

from strobewise_cli.commands.options import (
    Subparsers,
    add_capture,
    add_machine_options,
    engine_options,
    report_notes,
)
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar

_EPILOG = """\
examples:
  strobewise lines boot.vcd                     a table of the lines: state, edges, share of time high
  strobewise lines boot.vcd --json lines.json   the same for scripts (- is standard output)
  strobewise lines boot.vcd --map M1=CH3        with a channel named by hand
"""


def run(args: argparse.Namespace) -> int:
    """Read the capture, judge its lines, and print or write them."""
    from strobewise.diagnosis.facade import examine
    from strobewise.verdict.line_states import survey

    with ProgressBar("reading", [args.capture]) as bar:
        examined = examine(args.capture, engine_options(args), bar.update, apart=True)
    report_notes(examined)
    lines = survey(examined.evidence)
    if args.json is not None:
        from strobewise_cli.render.lines import render_json

        with open_output(args.json, "w") as out:
            out.write(render_json(examined, lines))
    if args.json != STANDARD_OUTPUT:
        from strobewise.diagnosis.facade import conclude
        from strobewise.verdict.coverage import guilty
        from strobewise_cli.render.lines import print_survey

        print_survey(examined, lines, guilty(conclude([examined]).findings), sys.stdout)
    return 0


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "lines",
        help="show what every line did",
        description="Show what every line of a capture did: its state, its edges, and what the rest of the bus says it should do.",
        epilog=_EPILOG,
    )
    add_capture(parser)
    parser.add_argument("--json", metavar="FILE", help="write the survey as JSON (- is standard output)")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
