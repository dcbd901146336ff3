"""All files that a command line names: no output may replace an input, and no two outputs may meet in one place.

The tables say what each option means, by its name in the parsed arguments; a test holds them against every parser.
"""

from __future__ import annotations

import argparse
import os
import stat
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from strobewise.errors import UsageError
from strobewise.files.names import map_path
from strobewise.files.reading import descriptor, names_read
from strobewise_cli.output import STANDARD_OUTPUT

CAPTURES = ("capture", "captures", "good", "suspect", "like", "before", "after")  #: a map may lie beside each
INPUTS = (*CAPTURES, "map_file", "machine", "roms", "expect", "scenario")
INPUT_FOLDERS = ("folder", "watch", "closed")
OUTPUTS = ("output", "json", "html", "markdown", "junit", "record", "truth", "log", "rom_out", "write_map", "bundle")
#: Folder that is filled -> the names that are written there; None: names that are made up on the way.
OUTPUT_FOLDERS: dict[str, tuple[str, ...] | None] = {
    "results": ("journal.jsonl", "captures.parquet", "cases.parquet", "findings.parquet", "lines.parquet", "survey.duckdb"),
    "save": None,
    "into": None,
}

Identity = tuple[object, ...]


class _Output(NamedTuple):
    option: str
    name: str
    identities: frozenset[Identity]


def settle_files(args: argparse.Namespace) -> None:
    """Check the files of a command line before anything is read, and call standard output "-", whatever its name was.

    Raises UsageError where an output would replace an input, also through a link, or where two outputs are one file.
    """
    for name in OUTPUTS:
        value = getattr(args, name, None)
        if value is not None and descriptor(value) == 1:
            setattr(args, name, STANDARD_OUTPUT)
    names_read.clear()
    outputs = list(_outputs(args))
    _refuse_meeting(outputs)
    _refuse_replacing(outputs, _inputs(args))
    _refuse_captures_in(args, outputs)


def settle_files_read(args: argparse.Namespace) -> None:
    """Check the outputs again when the tables were read: they name further files, as a profile its ROM images. Raises UsageError."""
    _refuse_replacing(list(_outputs(args)), list(names_read))


def values_of(args: argparse.Namespace, names: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Yield (argument, file) for each file that these arguments name."""
    for name in names:
        value = getattr(args, name, None)
        for each in value if isinstance(value, list) else [value]:
            text = each[0] if isinstance(each, tuple) else each  # of a ROM image its file
            if text is not None:
                yield name, text


def _inputs(args: argparse.Namespace) -> Iterator[str]:
    yield from (value for _, value in values_of(args, INPUTS))
    yield from (map_path(value) for _, value in values_of(args, CAPTURES))


def _outputs(args: argparse.Namespace) -> Iterator[_Output]:
    to_standard = False
    for name, value in values_of(args, OUTPUTS):
        to_standard |= value == STANDARD_OUTPUT
        yield _Output("-o" if name == "output" else f"--{name.replace('_', '-')}", value, _identities(value, 1))
    for name, folder in values_of(args, OUTPUT_FOLDERS):
        for file in OUTPUT_FOLDERS[name] or ():
            yield _Output("-o", os.path.join(folder, file), _identities(os.path.join(folder, file), 1))
    if not to_standard:  # what a command says may go to a file as well
        yield _Output("standard output", "standard output", _identities(STANDARD_OUTPUT, 1) - {("descriptor", 1)})


def _identities(name: str, standard: int) -> frozenset[Identity]:
    """Return what makes a place the same as another one; nothing for a device, which nothing can be lost in.

    standard: the descriptor that "-" stands for.
    """
    number = standard if name == STANDARD_OUTPUT else descriptor(name)
    try:
        facts = os.stat(name) if number is None else os.fstat(number)
    except OSError:
        return frozenset({("descriptor", number)} if number is not None else {("new", os.path.normcase(os.path.realpath(name)))})
    found: set[Identity] = set() if number is None else {("descriptor", number)}
    if stat.S_ISREG(facts.st_mode) or stat.S_ISFIFO(facts.st_mode):
        found.add(("file", facts.st_dev, facts.st_ino))
    return frozenset(found)


def _refuse_meeting(outputs: list[_Output]) -> None:
    for at, first in enumerate(outputs):
        for second in outputs[at + 1 :]:
            if first.identities & second.identities and (first.option, first.name) != (second.option, second.name):
                options = f"{first.option} and {second.option}"
                raise UsageError(f"{options} would write to the same place", second.name, "give each a name of its own")


def _refuse_replacing(outputs: list[_Output], inputs: Iterable[str]) -> None:
    for name in inputs:
        read = {identity for identity in _identities(name, 0) if identity[0] == "file"}
        for output in outputs:
            if read & output.identities and not _is_pipe(output.name):
                raise _replaced(output, name)


def _replaced(output: _Output, name: str) -> UsageError:
    which = "" if name == output.name else f" {name}"
    return UsageError(f"the output would replace the input{which}", output.name, "choose another name for the output")


def _is_pipe(name: str) -> bool:
    number = 1 if name == STANDARD_OUTPUT else descriptor(name)
    try:
        return stat.S_ISFIFO((os.stat(name) if number is None else os.fstat(number)).st_mode)
    except OSError:
        return False


def _sheets_in(folder: str) -> Iterator[str]:
    """Yield what stands beside captures and is read with them: maps, and the sheets and profiles of cases."""
    for place, _, files in os.walk(folder):
        yield from (os.path.join(place, file) for file in files if file.endswith(".toml"))


def _refuse_captures_in(args: argparse.Namespace, outputs: list[_Output]) -> None:
    """Look through the folders: captures, maps and cases that are read from one, and captures that would lie where faults are saved."""
    for _, folder in values_of(args, INPUT_FOLDERS):
        replaced = {identity: output for output in outputs for identity in output.identities if identity[0] == "file"}
        if replaced and os.path.isdir(folder):
            from strobewise.archive.folder import find_captures

            for task in find_captures(folder, getattr(args, "results", None)):
                for identity in _identities(task.file, 0) & replaced.keys():
                    raise _replaced(replaced[identity], task.file)
            for path in _sheets_in(folder):
                for identity in _identities(path, 0) & replaced.keys():
                    raise _replaced(replaced[identity], path)
    for name, folder in values_of(args, OUTPUT_FOLDERS):
        if OUTPUT_FOLDERS[name] is None:
            for read in _inputs(args):
                if read != "-" and os.path.dirname(os.path.realpath(read)) == os.path.realpath(folder):
                    what = f"the input {read} lies in the folder that is written to"
                    raise UsageError(what, f"--{name} {folder}", "name another folder")
