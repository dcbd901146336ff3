"""``strobewise verify``: captures as regression tests."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from strobewise.errors import StrobewiseError, UsageError
from strobewise.files.names import seen_from
from strobewise_cli.commands.options import (
    Subparsers,
    add_capture,
    add_machine_options,
    engine_options,
    refuse_two_standard_inputs,
    report_notes,
)
from strobewise_cli.named_files import settle_files_read
from strobewise_cli.output import STANDARD_OUTPUT, open_output
from strobewise_cli.progress import ProgressBar
from strobewise_cli.terminal import note, warn

if TYPE_CHECKING:
    from strobewise.expectations import CheckedCapture, Expectations, Observation
    from strobewise.profile.options import Options

_EPILOG = """\
examples:
  strobewise verify good.vcd --record board.expect.toml          write what a good capture shows
  strobewise verify good.vcd --record board.expect.toml --exact  the same without tolerance, for this very file
  strobewise verify new.vcd --expect board.expect.toml           check another one against it
  strobewise verify *.vcd.gz --expect board.expect.toml --junit report.xml

The file of expectations is TOML, made to be read and edited. --machine, --map, --clock and the like stand above what it says.

exit status: 0 as expected, 1 not, 2 bad usage or unreadable capture
"""


def run(args: argparse.Namespace) -> int:
    """Check captures, or record expectations from them."""
    refuse_two_standard_inputs(args.captures)
    if args.record is not None:
        if args.junit is not None:
            raise UsageError("nothing is checked while recording", "--junit", "leave it out, or give --expect")
        return _record(args)
    if args.exact:
        raise UsageError("only a recording can be exact", "--exact", "give --record FILE, or leave it out")
    return _verify(args)


def _verify(args: argparse.Namespace) -> int:
    from strobewise.expectations import load_expectations, options_of

    expected = load_expectations(args.expect)
    options = options_of(expected, engine_options(args))
    settle_files_read(args)
    results = [_checked(capture, expected, options) for capture in args.captures]
    if args.junit is not None:
        from strobewise_cli.render.junit import render

        with open_output(args.junit) as out:
            out.write(render(results, args.expect))
    if args.junit != STANDARD_OUTPUT:
        from strobewise_cli.render.verify_text import print_results

        print_results(results, args.expect, sys.stdout)
    if errors := [result.error for result in results if result.error]:
        raise StrobewiseError(*_parts(errors, len(results)))
    return 0 if all(result.passed for result in results) else 1


def _checked(capture: str, expected: Expectations, options: Options) -> CheckedCapture:
    """Check one capture; one that cannot be read does not keep the others from being checked."""
    from strobewise.expectations import CheckedCapture, check, observe

    try:
        with ProgressBar(f"reading {capture}") as bar:
            seen = observe(capture, options, expected.events, bar.update)
    except StrobewiseError as error:
        return CheckedCapture(capture, (), str(error))
    except OSError as error:
        return CheckedCapture(capture, (), f"{error.strerror or error} ({error.filename or capture})")
    for examined in seen.diagnosis.captures:
        report_notes(examined)
    return check(capture, expected, seen)


def _parts(errors: Sequence[str], total: int) -> tuple[str, str, str]:
    if total == 1:
        return errors[0], "", ""
    return f"{len(errors)} of {total} captures could not be read, the first: {errors[0]}", "", ""


def _record(args: argparse.Namespace) -> int:
    from strobewise.expectations import observe, recorded

    options = engine_options(args)
    seen: list[Observation] = []
    for capture in args.captures:
        with ProgressBar(f"reading {capture}") as bar:
            seen.append(observe(capture, options, (), bar.update))
        for examined in seen[-1].diagnosis.captures:
            report_notes(examined)
        verdict = seen[-1].diagnosis.verdict
        if verdict.state != "no_fault_found":
            warn(f"this is not a good capture, and the file will expect that: {verdict.summary} ({capture})")
    files = [seen_from(args.record, name) for name in args.captures if name != "-"]
    machine = None if args.machine is None else seen_from(args.record, args.machine)
    text = recorded(seen, files, args.exact, machine, args.maps, args.clock)
    for given, option in ((args.map_file, "--map-file"), (args.roms, "--rom"), (args.probes, "--probe-at")):
        if given:
            note(f"{option} is not written into the file: give it again with --expect, or add it by hand")
    with open_output(args.record, "w") as out:
        out.write(text)
    return 0


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "verify",
        help="check captures against what is expected of them",
        description="Check captures against a file of expectations, or write that file from good captures.",
        epilog=_EPILOG,
    )
    add_capture(parser, many=True)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--expect", metavar="FILE", help="what is expected, in TOML")
    what.add_argument("--record", metavar="FILE", help="write the expectations that these captures meet (- is standard output)")
    parser.add_argument("--exact", action="store_true", help="with --record: no tolerance, and a digest of the machine cycles")
    parser.add_argument("--junit", metavar="FILE", help="write the checks as JUnit XML (- is standard output)")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
