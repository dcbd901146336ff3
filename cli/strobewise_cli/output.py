"""Output files appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable, Iterator
from typing import IO, Any, BinaryIO, cast

from strobewise.errors import UsageError

STANDARD_OUTPUT = "-"


@contextlib.contextmanager
def open_output(path: str | os.PathLike[str], mode: str = "wb") -> Iterator[IO[Any]]:
    """Open a file for writing; it takes its name only when the block ends without an exception.

    path: "-" is standard output; a name with ``.gz`` is packed, without a time stamp, so that equal content gives equal files.
    mode: "wb" for bytes, "w" for text (UTF-8, lines end with a line feed; bytes of a file name that are no text are written as escapes).
    Raises OSError with the name of the target, UsageError for a folder.
    """
    target = os.fspath(path)
    if target == STANDARD_OUTPUT:
        stream = sys.stdout if "b" not in mode else sys.stdout.buffer
        yield stream
        stream.flush()
        return
    if os.path.isdir(target):
        raise UsageError("this is a folder", target, "name a file in it")
    real = os.path.realpath(target)  # a link stays a link
    special = os.path.exists(real) and not os.path.isfile(real)
    part = real if special else os.path.join(os.path.dirname(real), f".{os.path.basename(real)}.{os.getpid()}.part")
    try:
        with _named_errors(target):
            raw = open(part, "wb") if special else os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "wb")
        with raw, _packed(raw, target, mode) as stream:
            yield stream
        if not special:
            with _named_errors(target):
                _keep_permissions(real, part)
                os.replace(part, real)
    except BaseException:
        if not special:
            with contextlib.suppress(OSError):
                os.unlink(part)
        raise


def refuse_to_overwrite(output: str | None, inputs: Iterable[str]) -> None:
    """Raise UsageError when the output would replace one of the inputs."""
    if output is None or output == STANDARD_OUTPUT or not os.path.isfile(output):
        return
    for path in inputs:
        if os.path.exists(path) and os.path.samefile(path, output):
            raise UsageError("the output would replace the input", output, "choose another name for the output")


@contextlib.contextmanager
def _named_errors(target: str) -> Iterator[None]:
    """Give an OSError the name that the user knows, not that of the part file."""
    try:
        yield
    except OSError as error:
        error.filename = target
        error.filename2 = None
        raise


@contextlib.contextmanager
def _packed(raw: BinaryIO, target: str, mode: str) -> Iterator[IO[Any]]:
    import io

    with _named_errors(target), contextlib.ExitStack() as stack:
        stream = raw
        if target.endswith(".gz"):
            import gzip

            packed = gzip.GzipFile(filename="", mode="wb", compresslevel=6, fileobj=raw, mtime=0)
            stream = cast(BinaryIO, stack.enter_context(packed))
        if "b" in mode:
            yield stream
        else:
            yield stack.enter_context(io.TextIOWrapper(stream, encoding="utf-8", errors="backslashreplace", newline="\n"))


def _keep_permissions(real: str, part: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.chmod(part, os.stat(real).st_mode & 0o7777)
