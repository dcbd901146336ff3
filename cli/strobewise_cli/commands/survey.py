"""``strobewise survey``: many captures at once."""

from __future__ import annotations

import argparse
import os
import sys

from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers, add_machine_options, engine_options, processes
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar

_EPILOG = """\
examples:
  strobewise survey captures                        examine every capture in the folder and the folders in it
  strobewise survey captures -o results             keep the results: Parquet tables and a DuckDB file
  strobewise survey captures --html page.html       a page, with what changes from capture to capture in each case drawn
  strobewise survey captures -o results             the same again: only what is new or has changed is examined
  strobewise survey captures -o results --scheduler tcp://bench:8786
                                                    on a Dask cluster
  duckdb results/survey.duckdb "SELECT path, m1_rise_ns FROM captures WHERE m1_rise_ns > 90"

A capture that cannot be read is listed and does not stop the rest. A survey that was cut off goes on where it stopped.

exit status: 0 no fault found in any, 1 some at fault, 3 some undecided or unreadable and none at fault, 2 bad usage
"""


def run(args: argparse.Namespace) -> int:
    """Examine the folder, keep and print what came of it."""
    from strobewise.archive.folder import ENDINGS
    from strobewise.archive.run import survey_folder

    options = engine_options(args)
    if args.again and args.results is None:
        raise UsageError("nothing is kept from one survey to the next without -o", "--again", "leave it out, or give -o FOLDER")
    with ProgressBar("captures") as bar:

        def progress(done: int, total: int) -> None:
            bar.total = total
            bar.update(done)

        survey = survey_folder(args.folder, options, args.results, args.processes, args.scheduler, args.again, progress)
    if not survey.records:
        raise UsageError("there is no capture in the folder", args.folder, f"captures end in one of {', '.join(ENDINGS)}")
    if args.json is not None:
        from strobewise_cli.render.survey_text import render_json

        with open_output(args.json, "w") as out:
            out.write(render_json(survey))
    if args.html is not None:
        from strobewise_cli.render.survey_html import render_page

        with open_output(args.html, "w") as out:
            out.write(render_page(survey))
    if args.json != STANDARD_OUTPUT:
        from strobewise_cli.render.survey_text import print_survey

        print_survey(survey, args.results, sys.stdout)
    if survey.count(state="fault"):
        return 1
    return 3 if survey.count(state="no_fault_found") < len(survey.records) else 0


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "survey",
        help="examine many captures at once",
        description="Examine every capture in a folder, on the processes of this machine or on a cluster.",
        epilog=_EPILOG,
    )
    parser.add_argument("folder", metavar="FOLDER", help="a folder with captures in it, however deep")
    parser.add_argument(
        "-o", "--output", dest="results", metavar="FOLDER",
        help="keep the results there: captures, findings and lines as Parquet, and survey.duckdb",
    )  # fmt: skip
    parser.add_argument("--json", metavar="FILE", help="write the results as JSON (- is standard output)")
    parser.add_argument("--html", metavar="FILE", help="write them as a page, with what changes over time in each case drawn")
    parser.add_argument(
        "--processes", metavar="N", type=processes, default=os.cpu_count() or 1, help="processes at work (default: one for each processor)"
    )
    parser.add_argument("--scheduler", metavar="ADDRESS", help="work on the Dask cluster with this scheduler, as tcp://bench:8786")
    parser.add_argument("--again", action="store_true", help="examine everything anew, also what is in the results already")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
