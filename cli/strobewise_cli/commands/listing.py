"""``strobewise listing``: the instructions that ran."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from strobewise_cli.commands.options import Subparsers, add_capture, add_machine_options, engine_options, opened
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.terminal import note

if TYPE_CHECKING:
    from strobewise.capture import Capture
    from strobewise.capture.channels.mapping import ChannelMap
    from strobewise.program.steps import Step

_EPILOG = """\
examples:
  strobewise listing boot.vcd                      the program as it ran, for people
  strobewise listing boot.vcd --format csv         one row an instruction, for scripts
  strobewise listing boot.vcd -o boot.lst          into a file
  strobewise listing boot.vcd --check              with the CPU model beside it, which notes every contradiction

The columns are start_s, address, bytes, text, t_states, expected_t_states, note. T-states are without wait states, which stand in the
note. Interrupts, NMIs, stays in HALT, resets, bus grants and gaps are rows of their own, with a note and no text.
"""


def run(args: argparse.Namespace) -> int:
    """Write the listing; memory stays flat however long the capture is."""
    from strobewise_cli.render import listing

    options = engine_options(args)
    header, rows = (listing.csv_header, listing.csv_rows) if args.format == "csv" else (listing.text_header, listing.text_rows)
    with opened(args.capture, options) as (capture, channel_map), open_output(args.output, "w") as out:
        scale = capture.header.timescale_fs
        for number, steps in enumerate(_steps(args, capture, channel_map, options.nominal_hz)):
            out.write((header() if number == 0 else "") + rows(steps, scale))
    return 0


def _steps(args: argparse.Namespace, capture: Capture, channels: ChannelMap, clock_hz: float | None) -> Iterator[list[Step]]:
    from strobewise.evidence.checked_listing import CheckedListing
    from strobewise.evidence.listing import program_steps

    if not args.check:
        yield from program_steps(capture, channels, clock_hz, args.capture)
        return
    checked = CheckedListing(capture, channels, clock_hz, args.capture)
    yield from checked
    predictor = checked.predictor
    outcome = f"{predictor.total} contradiction{'s' if predictor.total != 1 else ''}"
    beyond = ", too many to go on" if predictor.exhausted else ""
    note(f"{predictor.instructions} instructions checked: {outcome}{beyond} ({args.capture})")


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
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
    parser.add_argument("--check", action="store_true", help="run the CPU model beside the program and note where the bus contradicts it")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
