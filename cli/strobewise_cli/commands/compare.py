"""``strobewise compare``: two captures, before and after a repair or a working and a failing machine."""

from __future__ import annotations

import argparse
import sys

from strobewise.errors import UsageError
from strobewise_cli.commands.options import (
    Subparsers,
    add_machine_options,
    engine_options,
    refuse_two_standard_inputs,
    report_notes,
)
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar

_EPILOG = """\
examples:
  strobewise compare working.vcd failing.vcd       what the failing machine does that the working one does not
  strobewise compare before.vcd after.vcd          before and after a repair: what is gone, what is left
  strobewise compare good.vcd suspect.vcd --json - the same for scripts
  strobewise compare before.vcd after.vcd --html repair.html
                                                   the same as a page with the waveforms of both

One of the two may come from standard input (-), as long as no page is asked for, which reads both twice.

Different start moments, interrupts and wait states are no difference, nor are parts of the program that only one capture holds.

exit status: 0 alike, 1 they differ, 2 bad usage or unreadable capture
"""


def run(args: argparse.Namespace) -> int:
    """Compare, print or write what was asked for, and say in the exit status whether they differ."""
    from strobewise.compare.comparison import compare

    paths = [args.good, args.suspect]
    refuse_two_standard_inputs(paths)
    if "-" in paths and args.html is not None:
        raise UsageError("a page needs to read the capture twice", "--html", "write the capture to a file first")
    options = engine_options(args)
    with ProgressBar("reading", paths) as bar:
        comparison = compare(args.good, args.suspect, options, bar.update)
    for diagnosis in (comparison.good, comparison.suspect):
        for examined in diagnosis.captures:
            report_notes(examined)
    if args.json is not None:
        from strobewise_cli.render.compare_json import render

        with open_output(args.json, "w") as out:
            out.write(render(comparison))
    if args.html is not None:
        from strobewise_cli.render.compare_html import render_page

        page = render_page(comparison, options)
        with open_output(args.html, "w") as out:
            out.write(page)
    if STANDARD_OUTPUT not in (args.json, args.html):
        from strobewise_cli.render.compare_text import print_comparison

        print_comparison(comparison, sys.stdout)
    return 0 if comparison.alike else 1


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "compare",
        help="say what differs between two captures",
        description="Say what differs between two captures: before and after a repair, or a working and a failing machine.",
        epilog=_EPILOG,
    )
    parser.add_argument("good", metavar="GOOD", help="of the working machine, or before the repair: .vcd, .vcd.gz or .csv from a scope")
    parser.add_argument("suspect", metavar="SUSPECT", help="of the failing machine, or after the repair")
    parser.add_argument("--json", metavar="FILE", help="write the comparison as JSON (- is standard output)")
    parser.add_argument("--html", metavar="FILE", help="write the comparison as one self-contained page")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
