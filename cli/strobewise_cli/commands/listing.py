"""``strobewise listing``: the instructions that ran."""

from __future__ import annotations

import argparse
from typing import Any

from strobewise_cli.commands.options import add_capture, add_machine_options, engine_options, opened
from strobewise_cli.output import STANDARD_OUTPUT, open_output, refuse_to_overwrite

_EPILOG = """\
examples:
  strobewise listing boot.vcd                      the program as it ran, for people
  strobewise listing boot.vcd --format csv         one row an instruction, for scripts
  strobewise listing boot.vcd -o boot.lst          into a file

The columns are start_s, address, bytes, text, t_states, expected_t_states, note. T-states are without wait states, which stand in the
note. Interrupts, NMIs, stays in HALT, resets, bus grants and gaps are rows of their own, with a note and no text.
"""


def run(args: argparse.Namespace) -> int:
    """Write the listing; memory stays flat however long the capture is."""
    from strobewise.evidence.listing import program_steps
    from strobewise_cli.render import listing

    refuse_to_overwrite(args.output, [args.capture])
    options = engine_options(args)
    header, rows = (listing.csv_header, listing.csv_rows) if args.format == "csv" else (listing.text_header, listing.text_rows)
    with opened(args.capture, options) as (capture, channel_map), open_output(args.output, "w") as out:
        scale = capture.header.timescale_fs
        for number, steps in enumerate(program_steps(capture, channel_map, options.nominal_hz, args.capture)):
            out.write((header() if number == 0 else "") + rows(steps, scale))
    return 0


def add_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "listing",
        help="list the instructions that ran",
        description="List the instructions that ran, from a capture of the bus.",
        epilog=_EPILOG,
    )
    add_capture(parser)
    parser.add_argument("--format", choices=("text", "csv"), default="text", help="form of the rows (default: text, for people)")
    parser.add_argument("-o", "--output", metavar="FILE", default=STANDARD_OUTPUT, help="write to a file instead of standard output")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
