"""``strobewise prepare``: an equivalent capture that the capture host's VCD import reads well."""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from typing import TYPE_CHECKING

from strobewise.bus.units import FS_PER_S
from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers, add_capture, add_machine_options, engine_options, opened
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    from strobewise.capture.channels.mapping import ChannelMap
    from strobewise.capture.rewrite import Plan

_EPILOG = """\
examples:
  strobewise prepare boot.vcd.gz -o boot-host.vcd
  strobewise prepare clips.vcd --map M1=CH0 --map MREQ=CH1 -o clips-host.vcd
  strobewise prepare boot.vcd -o - | sigrok-cli -i - -I vcd --show

The host stops silently at buses written as vectors, makes one sample of every tick of a fine timescale, and loses what
changes at the last timestamp. The new file has one-bit channels under the lines' own names, the coarsest timescale that
keeps every edge within half a sample of its time, and a closing timestamp.
"""
_NAMES_SHOWN = 8


def run(args: argparse.Namespace) -> int:
    """Write the capture anew and say what changed."""
    from strobewise.capture.rewrite import plan, write

    if args.output.endswith(".gz"):
        raise UsageError("the host reads no packed files", f"-o {args.output}", "choose a name that ends in .vcd")
    with _repeatable(args.capture) as path, opened(path, engine_options(args)) as (capture, channels):
        made = plan(capture, channels)
        with open_output(args.output, "wb") as out:
            write(capture, channels, made, out)
    report = sys.stderr if args.output == STANDARD_OUTPUT else sys.stdout
    report.write("".join(one_line(line) + "\n" for line in _report(args, channels, made)))
    return 0


@contextlib.contextmanager
def _repeatable(path: str) -> Iterator[str]:
    """Yield a file that can be read again: standard input is first written to the disk."""
    if path != "-" and os.path.isfile(path):
        yield path
        return
    with tempfile.NamedTemporaryFile(prefix="strobewise-", suffix=".vcd") as held:
        if path == "-":
            shutil.copyfileobj(sys.stdin.buffer, held)
        else:
            with open(path, "rb") as source:
                shutil.copyfileobj(source, held)
        held.flush()
        yield held.name


def _report(args: argparse.Namespace, channels: ChannelMap, made: Plan) -> list[str]:
    """Return what was changed, one line a change."""
    from strobewise.capture.rewrite import timescale_text

    changes = made.changes
    sample = made.sample_interval_fs
    lines = [f"{args.output}: {len(made.outputs)} channels, {made.samples} samples for the host at "
             f"{_rate(FS_PER_S / made.tick_fs)}"]  # fmt: skip
    if sample is not None:
        lines.append(f"the analyser sampled every {_time(sample)} ({_rate(FS_PER_S / sample)})")
    else:
        lines.append("no sample grid found: the times of the changes lie on none")
    shift = "no time moved" if not changes.largest_shift_fs else f"times moved by at most {_time(changes.largest_shift_fs)}"
    part = f", {changes.largest_shift_fs / sample:.2f} of a sample" if sample and changes.largest_shift_fs else ""
    lines.append(f"timescale {timescale_text(made.tick_fs)}: {shift}{part}")
    if changes.origin_fs:
        lines.append(f"the capture begins at {_time(changes.origin_fs)}; the new one begins at 0")
    renamed = [f"{output.was} -> {output.name}" for output in made.outputs if output.was != output.name]
    if renamed:
        more = f" and {len(renamed) - _NAMES_SHOWN} more" if len(renamed) > _NAMES_SHOWN else ""
        lines.append(f"renamed: {', '.join(renamed[:_NAMES_SHOWN])}{more}")
    if channels.inverted:
        lines.append(f"complemented, as they were inverted: {', '.join(sorted(channels.inverted))}")
    if changes.unknown_values:
        lines.append("values x and z are written as the level held before, and as inactive before the first level")
    if changes.lost_edges:
        lines.append(f"{changes.lost_edges} edges were too close together for any timescale and are lost")
    if made.left_out:
        lines.append(f"left out, no room: {', '.join(made.left_out[:_NAMES_SHOWN])} ({len(made.left_out)} in all)")
    lines.append("closing timestamp added")
    return lines


def _time(femtoseconds: float) -> str:
    for unit, size in (("s", 1e15), ("ms", 1e12), ("us", 1e9), ("ns", 1e6), ("ps", 1e3)):
        if abs(femtoseconds) >= size:
            return f"{femtoseconds / size:.4g} {unit}"
    return f"{femtoseconds:.4g} fs"


def _rate(hertz: float) -> str:
    for unit, size in (("GHz", 1e9), ("MHz", 1e6), ("kHz", 1e3)):
        if hertz >= size * 0.9995:
            return f"{hertz / size:.4g} {unit}"
    return f"{hertz:.4g} Hz"


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "prepare",
        help="make a capture that the capture host reads well",
        description="Write an equivalent capture that the capture host's VCD import reads well, and say what changed.",
        epilog=_EPILOG,
    )
    add_capture(parser)
    parser.add_argument("-o", "--output", metavar="FILE", required=True, help="the new capture (- is standard output)")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
