"""``strobewise prove``: whether a repair is proven."""

from __future__ import annotations

import argparse
import sys

from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers, add_machine_options, engine_options, report_notes
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar

EXIT_STATUS = {"proven": 0, "still_there": 1, "new_fault": 1, "not_proven": 3}

_EPILOG = """\
examples:
  strobewise prove --before dead.vcd --after mended.vcd          with the same leads
  strobewise prove --before a.vcd b.vcd --after c.vcd d.vcd      captures with different clips
  strobewise prove --before warm.vcd --minutes-on warm.vcd=20 --after long.vcd --minutes-on long.vcd=60
                                                                 a fault that comes when the machine is warm

Proven is a repair when the fault's conditions were met again, on the same leads and for long enough, when no other fault has come, and the
program is seen to run on. A fault that comes and goes: had it stayed, keeping away for so long has a chance of exp(-t/m), m the mean time
until it came before; below 5 % the repair is proven.

exit status: 0 proven, 1 still there or a new fault, 3 not proven (and what is missing), 2 bad usage or unreadable capture
"""


def run(args: argparse.Namespace) -> int:
    """Judge the captures and say whether the repair is proven."""
    from strobewise.case.proof import Witness, prove
    from strobewise.diagnosis.facade import conclude, examine

    paths = [*args.before, *args.after]
    if STANDARD_OUTPUT in paths:
        raise UsageError("a proof names its captures", "-", "write the capture to a file first")
    minutes = _minutes(args)
    options = engine_options(args)
    sides: list[list[Witness]] = []
    with ProgressBar("reading", paths) as bar:
        for captures in (args.before, args.after):
            examined = [examine(path, options, bar.update) for path in captures]
            sides.append([Witness(conclude([each]), minutes.get(each.path)) for each in examined])
    for witness in (*sides[0], *sides[1]):
        report_notes(witness.diagnosis.captures[0])
    proof = prove(*sides)
    if args.json is not None:
        from strobewise_cli.render.case_json import render_proof

        with open_output(args.json, "w") as out:
            out.write(render_proof(proof))
    if args.json != STANDARD_OUTPUT:
        from strobewise_cli.render.case_text import print_proof

        print_proof(proof, sys.stdout)
    return EXIT_STATUS[proof.state]


def _minutes(args: argparse.Namespace) -> dict[str, float]:
    """Return how long the machine had been on, by capture. Raises UsageError."""
    from strobewise.profile.options import same_capture

    told: dict[str, float] = {}
    for text in args.minutes_on:
        file, _, number = text.rpartition("=")
        path = next((path for path in (*args.before, *args.after) if same_capture(file, path)), None)
        try:
            value = float(number)
        except ValueError:
            value = -1.0
        if path is None or not 0.0 <= value < float("inf"):
            raise UsageError(f"{text!r} is no capture and minutes", "--minutes-on", "write CAPTURE=MINUTES, with one of the captures")
        told[path] = value
    return told


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "prove",
        help="say whether a repair is proven",
        description="Say whether captures from after a repair prove that the fault of those before it is gone.",
        epilog=_EPILOG,
    )
    parser.add_argument("--before", metavar="CAPTURE", nargs="+", required=True, help="captures in which the fault shows")
    parser.add_argument("--after", metavar="CAPTURE", nargs="+", required=True, help="captures from after the repair")
    parser.add_argument(
        "--minutes-on", metavar="CAPTURE=MINUTES", action="append", default=[],
        help="how long the machine had been on when a capture began, where the fault needs warmth",
    )  # fmt: skip
    parser.add_argument("--json", metavar="FILE", help="write it as JSON (- is standard output)")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
