"""``strobewise cycles``: the machine cycles of a capture, one a row."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from strobewise_cli.commands.options import Subparsers, add_capture, add_machine_options, engine_options, opened, processes
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar

if TYPE_CHECKING:
    from strobewise.capture import Capture
    from strobewise.capture.channels.mapping import ChannelMap
    from strobewise.cycles.table import CycleTable
    from strobewise.profile.options import Options

_EPILOG = """\
examples:
  strobewise cycles boot.vcd                             one row a machine cycle, as CSV
  strobewise cycles boot.vcd -o boot.csv                 the same into a file
  strobewise cycles boot.vcd --format jsonl | head -3    one JSON object a line
  strobewise cycles night.vcd --processes 8 -o night.csv gigabytes, on a machine with many processors
  strobewise cycles clips.vcd --map M1=CH0 --map MREQ=CH1 --clock 3.5M

The columns are start_s, end_s, kind, t_states, wait_states, address, data, inferred, note.
A field is empty where the capture cannot tell; inferred is 1 where a kind was concluded without its own strobe.
"""


def run(args: argparse.Namespace) -> int:
    """Write the machine cycles; memory stays flat however long the capture is."""
    from strobewise_cli.render.cycles import format_rows, header

    options = engine_options(args)
    scrolling = args.output == STANDARD_OUTPUT and sys.stdout.isatty()  # the rows themselves show how far it is
    with (
        opened(args.capture, options, named=True) as (capture, channel_map),
        ProgressBar("reading", [args.capture], quiet=scrolling) as bar,
        open_output(args.output, "wb") as out,
    ):
        out.write(header(args.format))
        with _tables(capture, channel_map, options, args.processes) as tables:
            for table in tables:
                out.write(format_rows(table, capture.header.timescale_fs, args.format))
                bar.update(capture.taken)
    return 0


@contextlib.contextmanager
def _tables(capture: Capture, channels: ChannelMap, options: Options, processes: int) -> Iterator[Iterator[CycleTable]]:
    """Give the machine cycles, rebuilt here from what is read ahead, or both by several processes."""
    if processes > 1:
        from strobewise.archive.split import split_cycles

        yield split_cycles(capture, channels, options.nominal_hz, processes)
        return
    from strobewise.capture.ahead import read_ahead
    from strobewise.cycles.rebuild import cycle_tables

    with read_ahead(capture, channels, apart=True) as blocks:
        yield cycle_tables(capture, channels, options.nominal_hz, blocks)


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "cycles", help="list the machine cycles", description="List the machine cycles of a capture.", epilog=_EPILOG
    )
    add_capture(parser)
    parser.add_argument("--format", choices=("csv", "jsonl"), default="csv", help="form of the rows (default: csv)")
    parser.add_argument("-o", "--output", metavar="FILE", default=STANDARD_OUTPUT, help="write to a file instead of standard output")
    parser.add_argument(
        "--processes", metavar="N", type=processes, default=1,
        help="read a plain VCD of gigabytes with N processes, where so many processors are free; the rows are the same",
    )  # fmt: skip
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
