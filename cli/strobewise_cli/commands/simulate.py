"""``strobewise simulate``: a capture of a simulated machine, healthy or with faults put in on request."""

from __future__ import annotations

import argparse
import json
import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from strobewise.errors import ScenarioError, UsageError
from strobewise_cli.commands.options import Subparsers
from strobewise_cli.named_files import settle_files_read
from strobewise_cli.output import STANDARD_OUTPUT, open_output

if TYPE_CHECKING:
    from strobewise.machine import Fault, Scenario
    from strobewise.machine.faults.table import Value

_EPILOG = """\
examples:
  strobewise simulate healthy.toml -o healthy.vcd.gz                  the machine of a scenario
  strobewise simulate mine.toml --fault dead-low:line=M1 -o m1.vcd    the same machine with /M1 dead
  strobewise simulate mine.toml --lines M1,MREQ --fault ram-bit-dead:bit=3,start=0x8000 --duration 0.01 -o ram.vcd
  strobewise simulate --list-faults                                   every fault with its parameters

A machine profile is a scenario, too: a healthy machine that runs a demo program, or the ROM files that the profile names.
Several --fault options act together. The same scenario and seed give the same bytes.
"""


def run(args: argparse.Namespace) -> int:
    """Write the capture, and on request what really happened."""
    if args.list_faults:
        print(fault_list(), end="")
        return 0
    if args.scenario is None:
        raise UsageError("no scenario", "SCENARIO", "name a scenario or a machine profile, or use --list-faults")
    from strobewise.machine import load_scenario, run_scenario
    from strobewise.profile.machine import shipped_profiles

    scenario = load_scenario(shipped_profiles().get(args.scenario, args.scenario))
    settle_files_read(args)
    capture = run_scenario(_with_options(scenario, args), args.seed)
    with open_output(args.output, "w") as file:
        capture.write_vcd(file)
    if args.truth is not None:
        with open_output(args.truth, "w") as file:
            json.dump(capture.truth, file, indent=1)
            file.write("\n")
    return 0


def _with_options(scenario: Scenario, args: argparse.Namespace) -> Scenario:
    """Return the scenario with what the command line says in place of its own words."""
    changes: dict[str, Any] = {}
    for option, name in (("duration", "duration_s"), ("start", "start_s"), ("sample_rate", "sample_hz"), ("names", "names")):
        value = getattr(args, option)
        if value is not None:
            changes[name] = value
    if args.lines is not None:
        changes["lines"] = _lines(args.lines)
    faults = scenario.faults + tuple(_fault(text) for text in args.faults)
    return replace(scenario, capture=replace(scenario.capture, **changes), faults=faults)


def _lines(text: str) -> tuple[str, ...]:
    from strobewise.bus.lines import BIT
    from strobewise.machine import LINE_SETS

    if text in LINE_SETS:
        return LINE_SETS[text]
    names = tuple(name.strip().upper() for name in text.split(","))
    for name in names:
        if name not in BIT:
            allowed = f"lines such as CLK,M1,A0, or one of {', '.join(LINE_SETS)}"
            raise UsageError(f"no line is called {name!r}", "--lines", allowed)
    if len(set(names)) != len(names):
        raise UsageError("a line is named twice", "--lines", "name each line once")
    return names


def _fault(text: str) -> Fault:
    """Return the fault of KIND or KIND:KEY=VALUE,KEY=VALUE."""
    from strobewise.machine import Fault

    kind, _, rest = text.partition(":")
    parameters: dict[str, Value] = {}
    for part in rest.split(",") if rest else []:
        key, sign, value = part.partition("=")
        if not sign:
            raise UsageError(f"{part!r} is no KEY=VALUE", f"--fault {text}", "write KIND:KEY=VALUE,KEY=VALUE")
        parameters[key.strip()] = _value(value.strip())
    try:
        return Fault(kind, parameters)
    except ScenarioError as error:
        raise UsageError(error.what, f"--fault {text}", error.remedy) from None


def _value(text: str) -> Value:
    """Return a parameter's value: a number, a truth value, lines joined by +, or a word."""
    if text in ("true", "false"):
        return text == "true"
    if "+" in text and "e+" not in text:
        return text.split("+")
    for convert in (lambda number: int(number, 0), float):
        try:
            return convert(text)
        except ValueError:
            pass
    return text


def fault_list() -> str:
    """Return the catalogue of faults for people."""
    from strobewise.machine import FAULTS

    out = []
    for kind in FAULTS.values():
        out.append(kind.name)
        out += textwrap.wrap(kind.explanation, 100, initial_indent="    ", subsequent_indent="    ")
        for parameter in kind.parameters:
            default = "must be given" if parameter.default is None else f"default {_shown(parameter.default)}"
            out.append(f"    {parameter.name}: {parameter.allowed.removeprefix('one of , ')} ({default})")
        out.append("")
    return "\n".join(out)


def _shown(value: Value) -> str:
    if value == "" and isinstance(value, str):
        return "by the line"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _seconds(text: str) -> float:
    units = {"us": 1e-6, "ms": 1e-3, "s": 1.0}
    for unit, factor in units.items():
        if text.endswith(unit) and text[: -len(unit)]:
            text, scale = text[: -len(unit)], factor
            break
    else:
        scale = 1.0
    try:
        value = float(text) * scale
    except ValueError:
        value = -1.0
    if not 0 <= value <= 3600:
        raise UsageError(f"{text!r} is no time", "--duration or --start", "write seconds, or 10ms, or 500us")
    return value


def _rate(text: str) -> int:
    from strobewise_cli.commands.options import clock_hz

    try:
        return round(clock_hz(text))  # 1 kHz to 1 GHz, as for clocks
    except UsageError:
        remedy = "1 kHz to 1 GHz, written as 24000000, 24M or 24MHz"
        raise UsageError(f"{text!r} is no sample rate", "--sample-rate", remedy) from None


def _names(text: str) -> str:
    from strobewise.machine.vcd_text import NAMING, UNLABELLED

    if text not in (*NAMING, UNLABELLED):
        raise UsageError(f"no style is called {text!r}", "--names", "one of " + ", ".join((*NAMING, UNLABELLED)))
    return text


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "simulate",
        help="write a capture of a simulated machine, with faults on request",
        description="Write a capture of a simulated machine, healthy or with faults put in where they really act.",
        epilog=_EPILOG,
    )
    parser.add_argument("scenario", metavar="SCENARIO", nargs="?", help="a scenario or a machine profile in TOML, or a generic profile")
    parser.add_argument(
        "-o", "--output", metavar="FILE", default=STANDARD_OUTPUT,
        help="write the VCD to a file (packed when its name ends in .gz) instead of standard output",
    )  # fmt: skip
    parser.add_argument("--truth", metavar="FILE", help="write what really happened, as JSON: machine cycles and faults")
    parser.add_argument(
        "--fault", dest="faults", metavar="KIND:KEY=VALUE,...", action="append", default=[],
        help="put a fault in; lines as a pair are joined by +; may be given again and again",
    )  # fmt: skip
    parser.add_argument("--list-faults", action="store_true", help="explain every fault and its parameters, then stop")
    parser.add_argument("--seed", type=_seed, metavar="N", help="another seed for everything that is random")
    parser.add_argument("--duration", type=_seconds, metavar="TIME", help="how long to capture: 0.005, 5ms, 800us")
    parser.add_argument("--start", type=_seconds, metavar="TIME", help="when to begin, counted from power-on")
    parser.add_argument("--lines", metavar="LINES", help="lines to capture, such as M1,MREQ, or a set: full, control, eight, two")
    parser.add_argument("--sample-rate", type=_rate, metavar="HZ", help="the analyser's rate: 24M")
    parser.add_argument("--names", type=_names, metavar="STYLE", help="how the channels are labelled")
    parser.set_defaults(run=run)
    return parser


def _seed(text: str) -> int:
    try:
        value = int(text, 0)
    except ValueError:
        value = -1
    if value < 0:
        raise UsageError(f"{text!r} is no seed", "--seed", "a whole number, 0 or more")
    return value
