"""Output files appear whole or not at all, and are confirmed on the terminal."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Iterator
from typing import IO, Any, BinaryIO, cast

from strobewise.errors import UsageError
from strobewise.files.plain_data import Json, sound
from strobewise.files.reading import descriptor
from strobewise.files.writing import BINARY, buffered, named_errors, whole_file
from strobewise_cli.terminal import one_line

STANDARD_OUTPUT = "-"


@contextlib.contextmanager
def open_output(path: str | os.PathLike[str], mode: str = "wb", confirm: bool = True) -> Iterator[IO[Any]]:
    """Open a file for writing; it takes its name only when the block ends without an exception.

    path: "-" is standard output; a name with ``.gz`` is packed, without a time stamp, so that equal content gives equal files.
    mode: "wb" for bytes, "w" for text (UTF-8, lines end with a line feed; bytes of a file name that are no text are written as escapes).
    confirm: say on a terminal that the file was written.
    Raises OSError with the name of the target, UsageError for a folder.
    """
    target = os.fspath(path)
    if target == STANDARD_OUTPUT:
        stream = _standard_text() if "b" not in mode else sys.stdout.buffer
        yield stream
        stream.flush()
        return
    if os.path.isdir(target):
        raise UsageError("this is a folder", target, "name a file in it")
    number = descriptor(target)
    plain = number is None and (os.path.isfile(target) or not os.path.exists(target))
    real = os.path.realpath(target)  # a link stays a link
    with whole_file(real, target) if plain else _straight(target, number) as raw, _packed(raw, target, mode) as stream:
        yield stream
    if confirm and plain:
        confirm_output(target)


def _standard_text() -> IO[str]:
    """Return standard output as it takes a document: the bytes that a file would hold, but for a terminal, which is shown its own text."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None and not sys.stdout.isatty():
        reconfigure(encoding="utf-8", errors="backslashreplace", newline="\n")
    return sys.stdout


def confirm_output(path: str) -> None:
    """Say on a terminal that a file was written."""
    if sys.stderr.isatty():
        print(f"wrote {one_line(path)}", file=sys.stderr)


@contextlib.contextmanager
def _straight(target: str, number: int | None) -> Iterator[BinaryIO]:
    """Open what is no plain file, a device or a stream that the shell has opened (number: its descriptor), for writing as it comes."""
    with named_errors(target):
        handle = os.open(target, os.O_WRONLY | BINARY) if number is None else os.dup(number)
    with buffered(handle, target) as out:
        yield out


@contextlib.contextmanager
def _packed(raw: BinaryIO, target: str, mode: str) -> Iterator[IO[Any]]:
    import io

    with contextlib.ExitStack() as stack:
        stream = raw
        if target.endswith(".gz"):
            import gzip

            packed = gzip.GzipFile(filename="", mode="wb", compresslevel=6, fileobj=raw, mtime=0)
            stream = cast(BinaryIO, stack.enter_context(packed))
        if "b" in mode:
            yield stream
        else:
            yield stack.enter_context(io.TextIOWrapper(stream, encoding="utf-8", errors="backslashreplace", newline="\n"))


def json_text(document: Json) -> str:
    """Return a document as JSON with a line feed at its end."""
    return json.dumps(sound(document), indent=1, ensure_ascii=True) + "\n"
