"""``strobewise stimulus``: a test program as a ROM image, made for a machine's memory map."""

from __future__ import annotations

import argparse
import re
import sys

from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers
from strobewise_cli.named_files import settle_files_read
from strobewise_cli.output import STANDARD_OUTPUT, open_output

_EPILOG = """\
examples:
  strobewise stimulus --machine bench.toml -o test.bin            for this machine's ROM and RAM
  strobewise stimulus --size 8K -o test.bin                       for a ROM of 8 KB; no RAM is tested
  strobewise stimulus --machine bench.toml --listing              what it does, as a listing
  strobewise diagnose boot.vcd --machine bench.toml --stimulus    and judge a capture of it, from two leads on

Burn the image into an EPROM, or load it into a ROM emulator, in place of the machine's ROM at 0000h. It shows nothing on a screen
and writes to no port: the bus is its only output. Begin the capture at reset. Power off and unplug before a chip is changed; MOS
parts die from static.
"""


def run(args: argparse.Namespace) -> int:
    """Write the image, the listing, or both."""
    from strobewise.profile.machine import find_profile, load_profile
    from strobewise.replay.stimulus import stimulus_for

    if args.output is None and not args.listing:
        raise UsageError("nothing to write", "--output", "name a file for the image with -o, or ask for --listing")
    profile = None
    if args.machine is not None:
        profile = load_profile(find_profile(args.machine))
        settle_files_read(args)
    stimulus = stimulus_for(profile, None, args.size)
    if args.output is not None:
        with open_output(args.output) as file:
            file.write(stimulus.image)
    if args.listing:
        shown = sys.stderr if args.output == STANDARD_OUTPUT else sys.stdout
        size = len(stimulus.image)
        shown.write(f"test program of version {stimulus.version}, {size} bytes from 0000h; the rest is filling\n{stimulus.listing}")
    return 0


def _size(text: str) -> int:
    match = re.fullmatch(r"([0-9]{1,6})(k?)", text.strip().lower())
    size = 0 if match is None else int(match[1]) * (1024 if match[2] else 1)
    if size & size - 1 or not 0x800 <= size <= 0x10000:
        raise UsageError(f"{text!r} is no size of a ROM", "--size", "a power of two from 2K to 64K, as in 8K")
    return size


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "stimulus",
        help="a test program as a ROM image, whose only output is the bus",
        description="Write a test program as a ROM image, made for a machine's memory map.",
        epilog=_EPILOG,
    )
    parser.add_argument("-o", "--output", metavar="FILE", help="the image (- is standard output)")
    parser.add_argument("--machine", metavar="PROFILE", help="the machine's profile: its ROM at 0000h and its RAM")
    parser.add_argument("--size", metavar="BYTES", type=_size, help="size of the ROM, as in 8K; without it that of the profile, else 8K")
    parser.add_argument("--listing", action="store_true", help="print the program's instructions")
    parser.set_defaults(run=run)
    return parser
