"""``strobewise hookup``: before the capture, what to clip where, at which rate."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from strobewise.errors import UsageError
from strobewise.files.names import MAP_ENDING, map_path
from strobewise.files.reading import is_stream
from strobewise_cli.commands.options import Subparsers, add_sampling_options, clock_hz, probe_place, probes_of, refuse_strangers, rom_image
from strobewise_cli.output import STANDARD_OUTPUT, open_output

if TYPE_CHECKING:
    from strobewise.hookup.plan import Advice
    from strobewise.replay.known import Program

SYMPTOM_NAMES = ("dead", "resets", "ignores-expansion", "dies-warm", "memory-size", "garbage", "hangs", "unknown")
DEFAULT_CHANNELS = 8

_EPILOG = """\
examples:
  strobewise hookup                                                eight channels, no symptom yet
  strobewise hookup --channels 16 --symptom ignores-expansion      what to clip when the expansion port is dead
  strobewise hookup --channels 2 --symptom dead --clock 4M         two clips go a long way
  strobewise hookup --write-map boot.vcd                           and keep the plan as the names of the channels of boot.vcd
  strobewise hookup --channels 8 --after first.vcd                 which clips next, when the first capture decided nothing
  strobewise hookup --rom boot.rom@0 --machine board.toml          two clips and a program that is known
  strobewise hookup --free-run --channels 24                       the CPU alone: does it count through all addresses?

symptoms:
  dead               nothing happens, or the screen stays blank
  resets             it starts again and again
  ignores-expansion  it runs, but what is plugged into the expansion port does not appear
  dies-warm          it works cold and fails after some minutes
  memory-size        it finds less memory than is fitted
  garbage            garbage on the screen, or it crashes at once
  hangs              it starts and then stops answering
"""


def run(args: argparse.Namespace) -> int:
    """Print the advice, or write it as JSON."""
    from strobewise.hookup.plan import CHANNELS_MAX, advise, next_symptom
    from strobewise.hookup.symptoms import find_symptom

    if not 1 <= args.channels <= CHANNELS_MAX:
        raise UsageError(f"{args.channels} channels", "--channels", f"a number from 1 to {CHANNELS_MAX}")
    if args.free_run or args.roms:
        return _special(args)
    symptom = find_symptom(args.symptom)
    assert symptom is not None  # the parser knows the names
    settled: tuple[str, ...] = ()
    clock = args.clock
    if args.after is not None:
        from strobewise.diagnosis.facade import diagnose
        from strobewise.profile.options import Options

        places, own = probes_of(args)
        told = Options(tuple(args.maps), args.map_file, args.clock, probe_at=places, own_probes=own, clocked=args.clocked, raw=args.raw)
        refuse_strangers(args, told)
        diagnosis = diagnose([args.after], told)
        symptom, settled = next_symptom(diagnosis.verdict, diagnosis.findings, diagnosis.evidence, symptom)
        clock = clock or diagnosis.evidence.clock.hz
    advice = advise(args.channels, symptom, clock, settled=settled)
    from strobewise_cli.render.hookup_text import print_advice, render

    if args.json is not None:
        with open_output(args.json, "w") as out:
            out.write(render(advice))
    if args.write_map is not None:
        _write_map(args.write_map, advice)
    if args.json != STANDARD_OUTPUT:
        print_advice(advice, sys.stdout)
    return 0


def _special(args: argparse.Namespace) -> int:
    """Print, or write as JSON, how to capture a free run, or a machine whose program is known."""
    from strobewise_cli.output import json_text
    from strobewise_cli.render import hookup_special

    if args.free_run:
        from strobewise.hookup.free_run import advise_free_run

        if args.channels < 3:
            raise UsageError(f"{args.channels} channels", "--channels", "a free run takes three at least: /M1, /MREQ and an address line")
        free_run = advise_free_run(args.channels, args.clock)
        document = hookup_special.free_run_document(free_run)
    else:
        from strobewise.hookup.known_program import advise_program

        about = advise_program(_program(args), args.clock)
        given = [f"--rom {file}@0x{address:04x}" for file, address, _ in args.roms]
        told = " ".join([*given, *([f"--machine {args.machine}"] if args.machine is not None else [])])
        document = hookup_special.program_document(about, told)
    if args.json is not None:
        with open_output(args.json, "w") as out:
            out.write(json_text(document))
    if args.json == STANDARD_OUTPUT:
        return 0
    if args.free_run:
        hookup_special.print_free_run(free_run, sys.stdout)
    else:
        hookup_special.print_program(about, told, sys.stdout)
    return 0


def _program(args: argparse.Namespace) -> Program:
    """Return the program that --rom and --machine give."""
    from strobewise.profile.machine import find_profile, load_profile
    from strobewise.profile.options import Options
    from strobewise.replay.known import known_program

    profile = load_profile(find_profile(args.machine)) if args.machine is not None else None
    program = known_program(Options(roms=tuple(args.roms), profile=profile))
    if program is None:
        raise UsageError("nothing is known of what runs after reset", "--rom", "give the image that begins at 0x0000")
    return program


def _map_of(capture: str) -> str:
    """Return where the map of a capture goes, which is there or will be made. Raises UsageError for what has no place beside it."""
    if is_stream(capture) or os.path.isdir(capture) or not os.path.basename(capture):
        raise UsageError("no map can lie beside that", f"--write-map {capture}", "name the capture, there or yet to be made")
    return map_path(capture)


def _write_map(path: str, advice: Advice) -> None:
    """Write the plan as the map of the capture that it is for. Its channels are CH0, CH1 ... unless it is there already."""
    from strobewise.capture import open_capture
    from strobewise.capture.channels.beside import map_text
    from strobewise.capture.channels.mapping import raw_channels

    capture = path.removesuffix(MAP_ENDING)
    names = [f"CH{number}" for number in range(len(advice.leads))]
    if os.path.isfile(capture):
        with open_capture(capture) as there:
            names = [use.name for use in raw_channels(there.header.channels).uses]
    if len(names) < len(advice.leads):
        what = f"it has {len(names)} channels, and the plan has {len(advice.leads)} leads"
        raise UsageError(what, capture, f"give --channels {len(names)}")
    with open_output(path, "w") as out:
        out.write(map_text(zip([lead.line for lead in advice.leads], names, strict=False)))


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "hookup",
        help="before the capture: what to clip where, at which rate",
        description="Say which lines to clip, where and in which order, how to set the analyser, and what that can find.",
        epilog=_EPILOG,
    )
    parser.add_argument("--channels", metavar="N", type=int, default=DEFAULT_CHANNELS, help="channels of the analyser (default: 8)")
    parser.add_argument("--symptom", choices=SYMPTOM_NAMES, default="unknown", help="what the machine does; see below")
    parser.add_argument("--clock", metavar="HZ", type=clock_hz, help="the machine's clock: 3500000, 3.5M or 3.5MHz")
    parser.add_argument("--after", metavar="CAPTURE", help="a capture that decided nothing: advise the next one")
    after = parser.add_argument_group("that capture")
    after.add_argument("--map", dest="maps", metavar="LINE=CHANNEL", action="append", default=[], help="a channel of that capture")
    after.add_argument("--map-file", metavar="FILE", help='the same from a TOML file: a table [map] of LINE = "CHANNEL"')
    after.add_argument(
        "--probe-at", dest="probes", metavar="LINE=PLACE", action="append", default=[], type=probe_place,
        help="where a line's lead sat: cpu (the default) or connector",
    )  # fmt: skip
    add_sampling_options(after)
    parser.add_argument(
        "--write-map", metavar="CAPTURE", type=_map_of,
        help="write this plan as the map of the capture that you are going to make, beside it as CAPTURE.map.toml",
    )  # fmt: skip
    parser.add_argument(
        "--rom", dest="roms", metavar="FILE@ADDRESS", action="append", default=[], type=rom_image,
        help="the program is known: two leads and a reset, for as long as it takes to tell the faults apart",
    )  # fmt: skip
    parser.add_argument("--machine", metavar="PROFILE", help="with --rom: the memory map, a profile in TOML or the name of a shipped one")
    parser.add_argument("--free-run", action="store_true", help="the CPU alone, its data lines held at 00h: how to set it up and clip it")
    parser.add_argument("--json", metavar="FILE", help="write the advice as JSON (- is standard output)")
    parser.set_defaults(run=run)
    return parser
