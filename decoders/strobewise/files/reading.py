"""Small files that a user names: plain files of bounded size, whatever stands under the name."""

from __future__ import annotations

import contextlib
import os
import re
import stat
from typing import TYPE_CHECKING, Dict, Iterator, Optional, Union

from .plain_data import Toml

if TYPE_CHECKING:
    from pathlib import Path

MAX_TABLE_BYTES = 1 << 20  #: a profile, a map, a scenario, expectations: far more than a person writes

#: Names under which the shell hands over open streams: ``<(command)``, ``>(command)``. See proc(5) of Linux.
_DESCRIPTOR = re.compile(r"/(?:dev|proc/self)/fd/([0-9]{1,6})$")
_KEY_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*"""
#: A dotted key (toml.io, 1.0.0) of more parts than any file here has, where one may stand: no string holds a line like that by chance.
_DEEP_KEY = re.compile(rf"(?:^|[{{,\[])[ \t]*{_KEY_PART}(?:\.[ \t]*{_KEY_PART}){{31}}", re.MULTILINE)
#: What this run of the program has read by name: a profile names images, a scenario a profile. The command line asks before it writes.
names_read: Dict[str, None] = {}
#: What Python's reader says of a name such as "C:\\roms" in double quotes, where a backslash begins an escape.
_BACKSLASH_ERRORS = ("Unescaped '\\' in a string", "Invalid hex value")
_STANDARD = {"/dev/stdin": 0, "/dev/stdout": 1, "/dev/stderr": 2}  #: POSIX


class TooLarge(ValueError):
    """A file of more bytes than it may have."""


def descriptor(name: Union[str, Path]) -> Optional[int]:
    """Return the number of the open stream that a name stands for, None for the name of a file."""
    text = os.path.abspath(os.fspath(name))
    match = _DESCRIPTOR.match(text)
    return int(match[1]) if match else _STANDARD.get(text)


def is_stream(name: Union[str, Path]) -> bool:
    """Return whether a name stands for an open stream, a device, a pipe or a socket: nothing lies beside it, and nothing in it is kept."""
    if os.fspath(name) == "-" or descriptor(name) is not None:
        return True
    try:
        mode = os.stat(name).st_mode
    except (OSError, ValueError):
        return False  # not there yet
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


@contextlib.contextmanager
def errors_about(name: Union[str, Path]) -> Iterator[None]:
    """Give an OSError that names no file, as one of reading, the name that the user knows."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = os.fspath(name)
        raise


def read_named(path: Union[str, Path], most: int) -> bytes:
    """Return the content of a file of at most `most` bytes.

    A device, a named pipe or a socket is refused unopened or unread; an open stream (``<(command)``) is read as far as it is allowed to go.
    Raises ValueError, which says what is wrong (TooLarge is one); OSError.
    """
    names_read[os.fspath(path)] = None
    with errors_about(path):
        return _read(path, most)


def _read(path: Union[str, Path], most: int) -> bytes:
    number = descriptor(path)
    if number is not None:
        handle = os.dup(number)
    else:
        # Neither waits for the other end of a pipe, nor makes a terminal ours.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0))
    with open(handle, "rb", buffering=0) as file:
        facts = os.fstat(file.fileno())
        mode = facts.st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(21, "is a directory", os.fspath(path))
        if number is None and not stat.S_ISREG(mode):
            raise ValueError("this is no plain file")
        content = bytearray()
        while len(content) <= most and (more := file.read(most + 1 - len(content))):
            content += more
    if len(content) > most:
        raise TooLarge(f"it holds {facts.st_size if stat.S_ISREG(mode) else f'more than {most}'} bytes")
    return bytes(content)


def read_toml(path: Union[str, Path]) -> Dict[str, Toml]:
    """Return the top table of a TOML file. Raises ValueError, which says what is wrong (tomllib.TOMLDecodeError is one); OSError."""
    import tomllib  # since Python 3.11: whoever only reads images does without

    content = read_named(path, MAX_TABLE_BYTES)
    try:
        text = content.decode("utf-8-sig")  # some editors put a mark of order before it
        if _DEEP_KEY.search(text):  # the parser takes the square of their number
            raise ValueError("a key has too many parts")
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        if str(error).startswith(_BACKSLASH_ERRORS):
            error.args = (f"{error}; in a file's name write / for a backslash, or put single quotes around it",)
        raise
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    except RecursionError:
        raise ValueError("its values are nested too deeply") from None
