"""Options that several commands share, and the way from a name on the command line to an open capture."""

from __future__ import annotations

import argparse
import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, TypeAlias

from strobewise.bus.clocked import EDGES
from strobewise.bus.lines import ADDRESS, CONTROL, DATA
from strobewise.bus.model import LEAD_PLACES, LeadPlace
from strobewise.errors import LineMapError, UsageError
from strobewise.profile.options import of_one_capture, read_rom
from strobewise_cli.named_files import CAPTURES, settle_files_read, values_of
from strobewise_cli.terminal import note, warn

if TYPE_CHECKING:
    from strobewise.capture import Capture
    from strobewise.capture.channels.mapping import ChannelMap
    from strobewise.case.records import Taken
    from strobewise.diagnosis.examined import Examined
    from strobewise.profile.options import Options
    from strobewise.records.raw import RawForm

CAPTURE_HELP = (
    "a .vcd, a session file of the capture host (.sr), or a .csv of a scope or an analyser, each packed (.gz) or not; "
    "a waveform file (.fst); or - for standard input"
)
MOST_PROCESSES = 256
_CLOCK_RANGE_HZ = (1e3, 1e9)
_UNITS = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


Subparsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  #: what a command adds its parser to
RomImage = tuple[str, int, bytes]  #: file, address of its first byte, content


def add_capture(parser: argparse.ArgumentParser, many: bool = False) -> None:
    """Add the positional CAPTURE, or CAPTURE... ."""
    if many:
        parser.add_argument("captures", metavar="CAPTURE", nargs="+", help=CAPTURE_HELP)
    else:
        parser.add_argument("capture", metavar="CAPTURE", help=CAPTURE_HELP)


def add_machine_options(parser: argparse.ArgumentParser) -> None:
    """Add --map, --map-file, --machine, --rom, --like, --clock, --probe-at and --raw."""
    group = parser.add_argument_group("the leads and the machine")
    group.add_argument(
        "--map", dest="maps", metavar="LINE=CHANNEL", action="append", default=[],
        help="this channel is that line; LINE=!CHANNEL for an inverted probe, LINE=none for a line that was not captured; "
        "may be given again and again; FILE::LINE=CHANNEL is about one of several captures",
    )  # fmt: skip
    group.add_argument("--map-file", metavar="FILE", help='the same from a TOML file: a table [map] of LINE = "CHANNEL"')
    group.add_argument(
        "--machine", metavar="PROFILE",
        help="what the machine is made of: a profile in TOML, or rom16-ram48, rom8-ram16, ram64; "
        "strobewise explain rom16-ram48 shows how to write one",
    )  # fmt: skip
    group.add_argument(
        "--rom", dest="roms", metavar="FILE@ADDRESS", action="append", default=[], type=rom_image,
        help="what a ROM should contain and where it starts, for example monitor.rom@0x0000; again with the same address: another "
        "version that may be fitted instead",
    )  # fmt: skip
    add_taken_options(group)
    group.add_argument(
        "--like", metavar="GOOD", help="a healthy capture of the same machine: what its ports answer helps the program's replay on"
    )
    group.add_argument("--no-replay", dest="replay", action="store_false", help="do not run the program beside the capture, if it is known")
    group.add_argument("--clock", metavar="HZ", type=clock_hz, help="the clock, when CLK was not captured: 3500000, 3.5M or 3.5MHz")
    group.add_argument(
        "--probe-at", dest="probes", metavar="LINE=PLACE", action="append", default=[], type=probe_place,
        help="where a line's lead sits: cpu (the default) or connector; FILE::LINE=PLACE is about one of several captures",
    )  # fmt: skip


def add_taken_options(group: argparse._ActionsContainer, raw: Callable[[str], object] | None = None) -> None:
    """Add what a capture's file does not say of itself: --stimulus, --free-run, --clocked, --raw. raw: see add_sampling_options."""
    group.add_argument(
        "--stimulus", action="store_true", help="the machine runs the test program that strobewise stimulus wrote for this --machine"
    )
    group.add_argument(
        "--free-run", action="store_true", help="the CPU runs free, its data lines held at 00h; strobewise hookup --free-run says how"
    )
    add_sampling_options(group, raw)


def add_sampling_options(group: argparse._ActionsContainer, raw: Callable[[str], object] | None = None) -> None:
    """Add --clocked and --raw. raw: what becomes of the text of the latter, raw_form where nothing is said."""
    group.add_argument(
        "--clocked", choices=(*EDGES, "no"), metavar="EDGE",
        help="the analyser took one sample for each clock of the CPU, at its falling or rising edge: then lengths are counted in T-states, "
        "and seconds need --clock; found by itself where it is plain, no switches that off",
    )  # fmt: skip
    group.add_argument(
        "--raw", metavar="RATE[/BYTES]:LINE=BIT,...", type=raw or raw_form,
        help="the capture is raw samples: so many a second, of so many bytes, the least significant first, with each line on a bit "
        "from 0, as 24M:MREQ=0,M1=1 or 12M/2:MREQ=0,D=8..15",
    )  # fmt: skip


def taken_said(args: argparse.Namespace) -> Taken:
    """Return what the options of ``add_taken_options`` say, with ``raw_words``, as a case keeps it."""
    from strobewise.case.records import Taken

    return Taken(args.raw or "", args.clocked, args.stimulus, args.free_run)


def engine_options(args: argparse.Namespace) -> Options:
    """Return what the options of ``add_machine_options`` say, as the engine takes it; reads the profile.

    Raises ProfileError, OSError.
    """
    from strobewise.profile.options import Options

    profile = None
    if args.machine is not None:
        from strobewise.profile.machine import find_profile, load_profile

        profile = load_profile(find_profile(args.machine))
        settle_files_read(args)
    stimulus, replay = getattr(args, "stimulus", False), getattr(args, "replay", True)
    free_run = getattr(args, "free_run", False)
    everywhere, own = probes_of(args)
    options = Options(
        tuple(args.maps), args.map_file, args.clock, profile, tuple(args.roms), everywhere, stimulus, free_run, replay, own_probes=own,
        clocked=args.clocked, raw=args.raw,
    )  # fmt: skip
    refuse_strangers(args, options)
    return options if getattr(args, "like", None) is None else _with_ports(args.like, options)


def _with_ports(good: str, options: Options) -> Options:
    """Learn from a healthy capture what the ports answer."""
    from dataclasses import replace

    from strobewise.diagnosis.ports import learn_ports

    if good == "-":
        raise UsageError("a healthy capture cannot come from standard input", "--like", "name its file")
    return replace(options, ports=learn_ports(good, options))


def probes_of(args: argparse.Namespace) -> tuple[dict[str, LeadPlace], tuple[tuple[str, str, LeadPlace], ...]]:
    """Return where leads sit: line and place for all captures, and (file, line, place) for one of them each."""
    everywhere = {line: place for file, line, place in args.probes if file is None}
    return everywhere, tuple((file, line, place) for file, line, place in args.probes if file is not None)


def refuse_strangers(args: argparse.Namespace, options: Options) -> None:
    """Raise UsageError where FILE:: names no capture of this command; what a folder holds is not known yet."""
    from strobewise.profile.options import same_capture

    paths = [path for _, path in values_of(args, CAPTURES)]
    for file in options.files_named():
        if paths and not any(same_capture(file, path) for path in paths):
            raise UsageError(f"{file!r} is none of the captures", "--map or --probe-at", f"the captures are {', '.join(paths)}")


@contextlib.contextmanager
def opened(path: str, options: Options, named: bool = False) -> Iterator[tuple[Capture, ChannelMap]]:
    """Open a capture and find its lines; say on standard error what was noticed while doing so.

    named: lines are needed, so that a capture with nothing but an analyser's own names is refused.
    Raises CaptureError, LineMapError.
    """
    from strobewise.capture import open_capture
    from strobewise.capture.clocked.view import as_clocked
    from strobewise.diagnosis.labels import label_channels

    with open_capture(path, options.raw, options.one_a_clock) as plain:
        channel_map = label_channels(path, plain, options)
        if channel_map.map_file is not None:
            note(map_note(channel_map))
        for text in channel_map.notes:
            note(f"{text} ({path})")
        if named and not channel_map.channels:
            raise _no_lines(channel_map, path)
        capture, channel_map = as_clocked(plain, channel_map, options.clocked, options.nominal_hz)
        yield capture, channel_map
        for text in capture.warnings:
            warn(f"{text} ({path})")


def _no_lines(channel_map: ChannelMap, path: str) -> LineMapError:
    names = [use.name for use in channel_map.uses]
    shown = ", ".join(map(repr, names[:8])) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    return LineMapError(
        "no channel has the name of a line", path, f"it has {shown}; say which is which, as --map M1={names[0] if names else 'CH0'}"
    )


def map_note(channels: ChannelMap) -> str:
    """Say which map beside a capture was taken."""
    return f"the channels are named by {channels.map_file}{', which is a guess' if channels.guessed else ''}"


def report_notes(examined: Examined) -> None:
    """Say on standard error what was noticed while a capture was examined."""
    for text in examined.channels.notes:
        note(f"{text} ({examined.path})")
    for text in examined.evidence.warnings:
        warn(f"{text} ({examined.path})")


def refuse_two_standard_inputs(paths: Sequence[str]) -> None:
    """Raise UsageError when more than one capture should come from standard input."""
    if list(paths).count("-") > 1:
        raise UsageError("only one capture can come from standard input", "CAPTURE", "write the others to files")


def clock_hz(text: str) -> float:
    """Return a frequency in hertz: 3500000, 3.5M, 3.5MHz, 3500k."""
    match = re.fullmatch(r"([0-9][0-9_]*\.?[0-9]*(?:e\+?[0-9]+)?)\s*([kmg]?)(?:hz)?", text.strip().lower())
    if match is None:
        raise UsageError(f"{text!r} is no frequency", "--clock", "write it as 3500000, 3.5M or 3.5MHz")
    hertz = float(match[1]) * _UNITS[match[2]]
    low, high = _CLOCK_RANGE_HZ
    if not low <= hertz <= high:
        raise UsageError(f"{hertz:g} Hz is no clock of such a machine", "--clock", "write the unit too, as in 3.5M")
    return hertz


def rom_image(text: str) -> RomImage:
    """Return the file and address of FILE@ADDRESS."""
    from pathlib import Path

    path, at, number = text.rpartition("@")
    match = re.fullmatch(r"(0x)?([0-9a-f]+)(h)?", number.strip().lower())
    if not at or not path or match is None:
        raise UsageError(f"{text!r} is no file and address", "--rom", "write FILE@ADDRESS, for example monitor.rom@0x0000")
    try:
        address = int(match[2], 16 if match[1] or match[3] else 10)
    except ValueError:
        raise UsageError(f"{number!r} is no address", "--rom", "write it as 0x2800 or 2800h") from None
    try:
        return path, address, read_rom(Path(path), address)
    except ValueError as error:
        raise UsageError(str(error), f"--rom {path}", "check the file and the address") from None


def raw_form(text: str) -> RawForm:
    """Return what raw samples are."""
    from strobewise.capture.raw.form import parse_raw

    return parse_raw(text)


def raw_words(text: str) -> str:
    """Return what raw samples are as it was said, once it is known to make sense."""
    raw_form(text)
    return text


def processes(text: str) -> int:
    """Return a number of processes."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= MOST_PROCESSES:
        raise UsageError(f"{text!r} is no number of processes", "--processes", f"give 1 to {MOST_PROCESSES}")
    return int(text)


def probe_place(text: str) -> tuple[str | None, str, LeadPlace]:
    """Return file (None for all), line and place of LINE=cpu, LINE=connector or FILE::LINE=PLACE."""
    file, rest = of_one_capture(text)
    line, _, place = rest.partition("=")
    line, name = line.strip().lstrip("/").upper(), place.strip().lower()
    found = next((each for each in LEAD_PLACES if each == name), None)
    if found is None or line not in (*CONTROL, *ADDRESS, *DATA):
        raise UsageError(f"{text!r} is no line and place", "--probe-at", "write LINE=cpu or LINE=connector, as M1=connector")
    return file, line, found
