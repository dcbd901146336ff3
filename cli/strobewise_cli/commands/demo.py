"""``strobewise demo``: the demo captures: what they hold, where they are, and a copy of them."""

from __future__ import annotations

import argparse
import csv
import os
from pathlib import Path
from typing import NamedTuple

from strobewise.errors import UsageError
from strobewise.files.writing import copy_whole
from strobewise_cli.commands.options import Subparsers
from strobewise_cli.hostpath import demo_folder
from strobewise_cli.terminal import one_line

INDEX = "sources.csv"
COPIED = ("good/*", "faults/*/*", "machines/*", "scenarios/*", INDEX)  #: what a copy gets: captures, and what they were made from

_EPILOG = """\
examples:
  strobewise demo                     what there is
  strobewise demo copy traces         the captures, their machines and scenarios into the folder traces
  strobewise diagnose traces/good/healthy-full.vcd.gz
  strobewise demo --path              where they lie in the installed package
"""


class Demo(NamedTuple):
    """One demo capture."""

    file: str  #: below the folder, with forward slashes
    about: str  #: what it holds, in a few words


def run(args: argparse.Namespace) -> int:
    """List the captures, or copy them."""
    if (args.action is None and args.into is not None) or (args.action == "copy" and args.into is None):
        raise UsageError("the folder to copy to is missing", "FOLDER", "strobewise demo copy FOLDER")
    if args.action == "copy":
        _copy(args.into)
    elif args.path:
        print(demo_folder())
    else:
        _list()
    return 0


def demos() -> list[Demo]:
    """Return what there is, healthy machines first."""
    from strobewise.profile.fields import load_toml

    folder = demo_folder()
    with open(folder / INDEX, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [Demo(row["file"], str(load_toml(folder / row["scenario"], UsageError)["name"])) for row in rows]


def _list() -> None:
    found = demos()
    width = max(len(demo.file) for demo in found)
    print(f"demo captures in {one_line(str(demo_folder()))}")
    for demo in found:
        print(f"  {demo.file:<{width}}  {demo.about}")
    print("\nmachines, for --machine")
    for path in sorted((demo_folder() / "machines").glob("*.toml")):
        print(f"  machines/{path.name}")
    print("\nstrobewise demo copy traces puts them into the folder traces")


def _copy(into: str) -> None:
    """Copy what is not there yet; a file of the same name that holds something else is the user's, and stays."""
    source = demo_folder()
    names = [path.relative_to(source) for pattern in COPIED for path in sorted(source.glob(pattern)) if path.is_file()]
    missing = [name for name in names if not _is_there(source / name, Path(into, name))]
    for name in missing:
        target = Path(into, name)
        os.makedirs(target.parent, exist_ok=True)
        copy_whole(str(source / name), str(target))
    there = len(names) - len(missing)
    print(f"{len(missing)} files copied to {one_line(into)}" + (f", {there} were there already" if there else ""))


def _is_there(source: Path, target: Path) -> bool:
    """Say whether the copy stands there. Raises UsageError where something else does."""
    try:
        if target.read_bytes() == source.read_bytes():
            return True
    except FileNotFoundError:
        return False
    except OSError as error:  # a folder of this name, a file where a folder must be, no permission
        raise UsageError("nothing can be copied there", str(error.filename), "name another folder") from None
    raise UsageError("another file of this name is there", str(target), "name another folder, or move the file")


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "demo",
        help="the demo captures: list them, copy them",
        description="List the demo captures that come with the program, or copy them to try things with.",
        epilog=_EPILOG,
    )
    parser.add_argument("action", metavar="ACTION", nargs="?", choices=("copy",), help="copy: put them into a folder")
    parser.add_argument("into", metavar="FOLDER", nargs="?", help="the folder for copy; made if it is not there")
    parser.add_argument("--path", action="store_true", help="print the folder in which they are")
    parser.set_defaults(run=run)
    return parser
