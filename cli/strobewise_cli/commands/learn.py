"""``strobewise learn``: a machine profile out of healthy captures."""

from __future__ import annotations

import argparse
import os

from strobewise.errors import UsageError
from strobewise.files.names import seen_from
from strobewise.files.reading import TooLarge, is_stream, read_named
from strobewise_cli.commands.options import Subparsers, add_capture, add_machine_options, engine_options, refuse_two_standard_inputs
from strobewise_cli.output import open_output
from strobewise_cli.terminal import note, warn

ADDRESSES = 1 << 16  #: that the CPU has: no image is longer

_EPILOG = """\
examples:
  strobewise learn good.vcd -o machine.toml                     clock, interrupt, memory, paging of this machine
  strobewise learn boot.vcd game.vcd -o machine.toml            from several captures: what each shows is put together
  strobewise learn good.vcd -o machine.toml --rom-out seen.rom  the bytes of the ROM that were seen, the rest FFh
  strobewise diagnose later.vcd --machine machine.toml

A profile that is there already keeps every line; what it does not say is added. An image keeps the bytes that were not seen.
What was seen, and what was not, stands in comments at its end.
"""


def run(args: argparse.Namespace) -> int:
    """Learn, and write what was learned."""
    from strobewise.learn.machine import learn, rom_image
    from strobewise.learn.text import profile_text

    refuse_two_standard_inputs(args.captures)
    before = _before(args.output)
    learned, diagnoses = learn(args.captures, engine_options(args))
    for path, diagnosis in zip(args.captures, diagnoses, strict=True):
        if diagnosis.verdict.state != "no_fault_found":
            warn(f"this is not a good capture, and what is learned from it may be wrong: {diagnosis.verdict.summary} ({path})")
    image = rom_image(learned, _image_before(args.rom_out))
    if args.rom_out is not None and image is None:
        raise UsageError("no ROM was seen", "--rom-out", "capture A0 to A15 and D0 to D7 while the machine starts")
    rom_file = None
    if args.rom_out is not None and image is not None:
        start, content, known = image
        with open_output(args.rom_out) as out:
            out.write(content)
        note(f"{known} of {len(content)} bytes from 0x{start:04x} were seen, the others as they were, FFh in a new file ({args.rom_out})")
        rom_file = None if is_stream(args.rom_out) else seen_from(args.output, args.rom_out)
    text = profile_text(learned, before, rom_file)
    with open_output(args.output, "w") as out:
        out.write(text)
    return 0


def _image_before(path: str | None) -> bytes:
    """Return the image as it stands, which somebody may have completed."""
    if path is None or is_stream(path) or not os.path.isfile(path):
        return b""
    try:
        return read_named(path, ADDRESSES)
    except TooLarge:
        what = f"{path} has more than {ADDRESSES} bytes, and is no image of a ROM"
        raise UsageError(what, "--rom-out", "choose another name") from None


def _before(path: str) -> str | None:
    """Return the profile as it stands, None where there is none. Raises ProfileError where it is not one."""
    from pathlib import Path

    from strobewise.profile.machine import load_profile

    if is_stream(path) or not os.path.isfile(path):
        return None
    load_profile(path)
    return Path(path).read_text(encoding="utf-8-sig")


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "learn",
        help="a machine profile out of healthy captures",
        description="Write a machine profile out of captures of a machine that works.",
        epilog=_EPILOG,
    )
    add_capture(parser, many=True)
    parser.add_argument("-o", "--output", metavar="FILE", required=True, help="the profile (- is standard output)")
    parser.add_argument("--rom-out", metavar="FILE", help="the bytes of the ROM that were seen; others stay, FFh in a new file")
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
