"""``strobewise capture``: from the analyser to the verdict, through the capture host."""

from __future__ import annotations

import argparse
import os
import re
import sys
from typing import TYPE_CHECKING

from strobewise.errors import UsageError
from strobewise_cli.commands.hookup import SYMPTOM_NAMES
from strobewise_cli.commands.options import Subparsers, add_machine_options, clock_hz, engine_options
from strobewise_cli.output import STANDARD_OUTPUT, open_output

if TYPE_CHECKING:
    from strobewise.profile.options import Options
    from strobewise_cli.acquire.host import Device
    from strobewise_cli.acquire.plan import Plan

ENDINGS = (".vcd", ".vcd.gz")
UNITS_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
LONGEST_S = 100 * 3600.0

_EPILOG = """\
examples:
  strobewise capture --list                                  which analysers are there
  strobewise capture --check-leads --symptom dead            ten milliseconds: which lead lives
  strobewise capture -o boot.vcd --symptom dead              capture as hookup advises, and judge
  strobewise capture -o boot.vcd --map M1=D0 --map MREQ=D1   with these leads
  strobewise capture -o boot.vcd --trigger RESET=rising      wait for the machine to be switched on
  strobewise capture -o warm.vcd --until-fault --for 30min   burst after burst; each one that fails is kept

The channels of the file have the names of their lines; FILE.map.toml beside it says which lead was which.

exit status: 0 captured, whatever the verdict; 2 bad usage, no capture host, or nothing came
"""


def run(args: argparse.Namespace) -> int:
    """Record, check what came, and say what it shows."""
    from strobewise_cli.acquire.host import abilities, devices
    from strobewise_cli.render import capture_text

    _refuse_nonsense(args)
    if args.list:
        capture_text.print_devices([(device, abilities(device.driver)) for device in devices()], sys.stdout)
        return 0
    options = engine_options(args)
    device = args.device or _only_device(devices())
    plan = _plan(args, device)
    capture_text.print_plan(plan, device, sys.stdout)
    if args.check_leads:
        _check(device, plan, options)
    if args.output is not None and (args.until_fault or args.seconds is not None):
        _bursts(args, device, plan, options)
    elif args.output is not None:
        _once(args, device, plan, options)
    return 0


def _refuse_nonsense(args: argparse.Namespace) -> None:
    if not (args.list or args.check_leads or args.output):
        raise UsageError("nothing says where the capture goes", "-o", "give -o FILE, or --check-leads or --list alone")
    if args.output is not None and not args.output.endswith(ENDINGS):
        raise UsageError("a capture is written as VCD", f"-o {args.output}", f"end the name with {' or '.join(ENDINGS)}")
    if args.output is not None and os.path.exists(args.output) and not os.path.isfile(args.output):
        raise UsageError("this is no plain file", f"-o {args.output}", "a capture takes the place of a file, name another one")
    if args.output is not None and not os.path.isdir(os.path.dirname(os.path.realpath(args.output))):
        raise UsageError("there is no such folder", f"-o {args.output}", "make it first")
    if args.raw is not None:
        raise UsageError("the capture host writes a capture that says what it is", "--raw", "leave it out")
    if args.map_file is not None:
        raise UsageError("the leads are given one by one here", "--map-file", "give --map LINE=CHANNEL for each")
    if args.json == STANDARD_OUTPUT:
        raise UsageError("standard output says what is captured", "--json -", "name a file")


def _only_device(found: list[Device]) -> str:
    real = [device.driver for device in found if not device.is_demo]
    if len(real) == 1:
        return real[0]
    if real:
        raise UsageError(f"there are {len(real)} devices", "--device", f"choose {' or '.join(real)}")
    raise UsageError("the capture host finds no analyser", "--device", "plug it in, or try with --device demo, whose signals are made up")


def _plan(args: argparse.Namespace, device: str) -> Plan:
    from strobewise.hookup.symptoms import find_symptom
    from strobewise_cli.acquire.host import abilities
    from strobewise_cli.acquire.plan import Wish, make_plan

    symptom = find_symptom(args.symptom)
    assert symptom is not None  # the parser knows the names
    wish = Wish(args.maps, args.channels, symptom, args.clock, args.rate, args.duration, args.trigger)
    return make_plan(wish, abilities(device))


def _check(device: str, plan: Plan, options: Options) -> None:
    from strobewise_cli.acquire.arrival import looks
    from strobewise_cli.acquire.session import look_at_leads
    from strobewise_cli.render.capture_text import print_leads

    diagnosis, troubles = look_at_leads(device, plan, options)
    print_leads(looks(diagnosis, plan), troubles, sys.stdout)


def _once(args: argparse.Namespace, device: str, plan: Plan, options: Options) -> None:
    from strobewise_cli.acquire.session import take
    from strobewise_cli.render import capture_text

    taken = take(device, plan, options, args.output)
    capture_text.print_taken(taken, sys.stdout)
    _judged(args, taken.diagnosis)


def _bursts(args: argparse.Namespace, device: str, plan: Plan, options: Options) -> None:
    from strobewise_cli.acquire.session import bursts
    from strobewise_cli.render import capture_text

    number, failed, last = 0, 0, None
    try:
        for number, taken in enumerate(bursts(device, plan, options, args.output, args.seconds, args.until_fault), 1):
            capture_text.print_burst(number, taken, sys.stdout)
            failed += taken.failed
            last = taken if taken.failed or last is None else last
    except KeyboardInterrupt:
        pass  # the bench has seen enough: what failed is kept already
    print(f"\n{number} burst{'s' if number != 1 else ''}, {failed} with a fault.\n")
    if last is not None and last.failed:
        _judged(args, last.diagnosis)


def _judged(args: argparse.Namespace, diagnosis: object) -> None:
    from strobewise.diagnosis.facade import Diagnosis
    from strobewise_cli.render.brief_text import print_brief
    from strobewise_cli.render.diagnosis_json import render
    from strobewise_cli.render.diagnosis_text import print_diagnosis

    assert isinstance(diagnosis, Diagnosis)
    if args.json is not None:
        with open_output(args.json, "w") as out:
            out.write(render(diagnosis))
    (print_brief if args.brief else print_diagnosis)(diagnosis, sys.stdout)


def _seconds(text: str) -> float:
    match = re.fullmatch(r"([0-9]*\.?[0-9]+)\s*(us|ms|s|min|h|)", text.strip().lower())
    value = float(match[1]) * UNITS_S[match[2] or "s"] if match is not None else 0.0
    if not 0 < value <= LONGEST_S:
        raise UsageError(f"{text!r} is no length of time", "--duration or --for", "write 50ms, 2s or 30min")
    return value


def _trigger(text: str) -> tuple[str, str]:
    line, _, edge = text.partition("=")
    line, edge = line.strip().lstrip("/").upper(), edge.strip().lower()
    if not line or edge not in ("rising", "falling"):
        raise UsageError(f"{text!r} is no line and edge", "--trigger", "write LINE=rising or LINE=falling, as RESET=rising")
    return line, edge


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "capture",
        help="take a capture through the capture host, and judge it",
        description="Take a capture through the capture host sigrok, the leads named as planned, check what came, and say what it shows.",
        epilog=_EPILOG,
    )
    parser.add_argument("-o", dest="output", metavar="FILE", help="where it goes: a .vcd or .vcd.gz; its map stands beside it")
    parser.add_argument("--list", action="store_true", help="list the devices that the host finds, then stop")
    parser.add_argument("--device", metavar="DRIVER", help="which of them, as --list names it; needed where there are several")
    parser.add_argument("--check-leads", action="store_true", help="look at the leads for 10 ms first; without -o that is all")
    parser.add_argument("--channels", metavar="N", type=_channels, help="use this many channels (default: all that the device has)")
    parser.add_argument("--symptom", choices=SYMPTOM_NAMES, default="unknown", help="what the machine does, as for hookup: plans the leads")
    parser.add_argument("--rate", metavar="HZ", type=_rate, help="samples a second, 24M (default: as hookup advises)")
    parser.add_argument("--duration", metavar="TIME", type=_seconds, help="how long: 50ms, 2s (default: as hookup advises)")
    parser.add_argument("--trigger", metavar="LINE=EDGE", type=_trigger, help="wait for this edge, rising or falling; without it: at once")
    parser.add_argument("--until-fault", action="store_true", help="record burst after burst until one fails")
    parser.add_argument("--for", dest="seconds", metavar="TIME", type=_seconds, help="record bursts for so long: 30min")
    parser.add_argument("--brief", action="store_true", help="say the verdict in ten lines")
    parser.add_argument("--json", metavar="FILE", help="write the diagnosis as JSON, too")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser


def _channels(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 64:
        raise UsageError(f"{text!r} is no number of channels", "--channels", "a number from 1 to 64")
    return int(text)


def _rate(text: str) -> int:
    return round(clock_hz(text))
