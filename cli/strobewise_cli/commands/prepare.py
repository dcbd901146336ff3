"""``strobewise prepare``: an equivalent capture in another format, such as one that the capture host reads well."""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import IO, TYPE_CHECKING

from strobewise.bus.units import FS_PER_S, VCD_UNITS_FS
from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers, add_capture, add_machine_options, engine_options, opened
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    from strobewise.capture import Capture
    from strobewise.capture.channels.mapping import ChannelMap
    from strobewise.capture.records import Header
    from strobewise.capture.rewrite import Plan

_EPILOG = """\
examples:
  strobewise prepare boot.vcd.gz -o boot-host.vcd
  strobewise prepare clips.vcd --map M1=CH0 --map MREQ=CH1 -o clips-host.vcd
  strobewise prepare boot.vcd -o - | sigrok-cli -i - -I vcd --show
  strobewise prepare boot.vcd -o boot.sr              a session file of the host
  strobewise prepare boot.sr -o boot.csv              a table: seconds, then 0 or 1, a row for each change
  strobewise prepare boot.sr -o boot.raw              raw samples; says what --raw needs to read them

The host stops silently at buses written as vectors, makes one sample of every tick of a fine timescale, and loses what
changes at the last timestamp. The new file has one-bit channels under the lines' own names, the coarsest timescale that
keeps every edge within half a sample of its time, and a closing timestamp. Samples keep the rate that the capture tells or
shows, and a table keeps its times.
"""
ENDINGS = {".vcd": "vcd", ".sr": "sr", ".csv": "csv", ".raw": "raw", ".bin": "raw"}
_NAMES_SHOWN = 8


def run(args: argparse.Namespace) -> int:
    """Write the capture anew and say what changed."""
    kind = args.kind or next((kind for ending, kind in ENDINGS.items() if args.output.lower().endswith(ending)), "vcd")
    if args.output.endswith(".gz"):
        raise UsageError("the host reads no packed files", f"-o {args.output}", "choose a name that ends in .vcd")
    options = engine_options(args)
    if options.clocked is None:
        options = replace(options, clocked="no")  # the new file holds what was sampled, also where that was once a clock
    with _repeatable(args.capture) as path, opened(path, options) as (capture, channels):
        plan, write = _ways(kind)
        made = plan(capture, channels)
        with open_output(args.output, "wb") as out:
            write(capture, channels, made, out)
        lines = _report(args, channels, made, kind, capture.header)
    report = sys.stderr if args.output == STANDARD_OUTPUT else sys.stdout
    report.write("".join(one_line(line) + "\n" for line in lines))
    return 0


def _ways(kind: str) -> tuple[Callable[[Capture, ChannelMap], Plan], Callable[[Capture, ChannelMap, Plan, IO[bytes]], None]]:
    """Return how a kind of capture is planned and written."""
    from strobewise.capture import rewrite, sampled

    if kind == "vcd":
        return rewrite.plan, rewrite.write
    if kind == "csv":
        return sampled.plan_table, sampled.write_table
    return sampled.plan_samples, sampled.write_session if kind == "sr" else sampled.write_raw


@contextlib.contextmanager
def _repeatable(path: str) -> Iterator[str]:
    """Yield a file that can be read again: standard input is first written to the disk."""
    if path != "-" and os.path.isfile(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="strobewise-") as folder:
        held = os.path.join(folder, "capture.vcd")
        with open(held, "xb") as out, open(path, "rb") if path != "-" else contextlib.nullcontext(sys.stdin.buffer) as source:
            shutil.copyfileobj(source, out)
        yield held


def _report(args: argparse.Namespace, channels: ChannelMap, made: Plan, kind: str, header: Header) -> list[str]:
    """Return what was changed, one line a change. header: of the capture."""
    changes, step_fs = made.changes, header.timescale_fs
    lines = _times(args.output, made, kind, step_fs)
    if changes.origin_fs:
        lines.append(f"the capture begins at {_time(changes.origin_fs)}; the new one begins at 0")
    renamed = [f"{output.was} -> {output.name}" for output in made.outputs if output.was != output.name]
    if renamed:
        more = f" and {len(renamed) - _NAMES_SHOWN} more" if len(renamed) > _NAMES_SHOWN else ""
        lines.append(f"renamed: {', '.join(renamed[:_NAMES_SHOWN])}{more}")
    if channels.inverted:
        lines.append(f"complemented, as they were inverted: {', '.join(sorted(channels.inverted))}")
    volts = {channel.name for channel in header.channels if channel.is_volts} & {output.was for output in made.outputs}
    if volts:
        lines.append(f"volts are written as the levels that they mean: {', '.join(sorted(volts)[:_NAMES_SHOWN])} ({len(volts)} in all)")
    if changes.unknown_values:
        lines.append("values x and z are written as the level held before, and as inactive before the first level")
    if changes.lost_edges:
        lines.append(f"{changes.lost_edges} edges were too close together for any timescale and are lost")
    if made.left_out:
        lines.append(f"left out, no room: {', '.join(made.left_out[:_NAMES_SHOWN])} ({len(made.left_out)} in all)")
    if kind == "vcd":
        lines.append("closing timestamp added")
    if kind == "raw":
        from strobewise.capture.sampled import raw_text

        lines.append(f"to be read with --raw {raw_text(made, step_fs)}")
    return lines


def _times(path: str, made: Plan, kind: str, step_fs: int) -> list[str]:
    """Return what became of the times."""
    from strobewise.capture.rewrite import timescale_text

    changes = made.changes
    sample = made.sample_interval_fs
    if kind == "csv":
        return [f"{path}: {len(made.outputs)} channels, a row for each time at which one changes; no time moved"]
    lines = [f"{path}: {len(made.outputs)} channels, {made.samples} samples for the host at {_rate(float(made.rate(step_fs)))}"]
    if sample is not None:
        lines.append(f"the analyser sampled every {_time(sample)} ({_rate(FS_PER_S / sample)})")
    else:
        lines.append("no sample grid found: the times of the changes lie on none")
    shift = "no time moved" if not changes.largest_shift_fs else f"times moved by at most {_time(changes.largest_shift_fs)}"
    part = f", {changes.largest_shift_fs / sample:.2f} of a sample" if sample and changes.largest_shift_fs else ""
    lines.append(f"timescale {timescale_text(made.tick_fs)}: {shift}{part}" if kind == "vcd" else f"{shift}{part}")
    return lines


def _time(femtoseconds: float) -> str:
    unit, size = next((each for each in VCD_UNITS_FS.items() if abs(femtoseconds) >= each[1]), ("fs", 1))
    return f"{femtoseconds / size:.4g} {unit}"


def _rate(hertz: float) -> str:
    for unit, size in (("GHz", 1e9), ("MHz", 1e6), ("kHz", 1e3)):
        if hertz >= size * 0.9995:
            return f"{hertz / size:.4g} {unit}"
    return f"{hertz:.4g} Hz"


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "prepare",
        help="make a capture that the capture host reads well, or one in another format",
        description="Write an equivalent capture that the capture host reads well, or one in another format, and say what changed.",
        epilog=_EPILOG,
    )
    add_capture(parser)
    parser.add_argument("-o", "--output", metavar="FILE", required=True, help="the new capture (- is standard output)")
    parser.add_argument(
        "--as", dest="kind", choices=sorted(set(ENDINGS.values())), help="what to write (default: as the ending says, else vcd)"
    )
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
