"""Files that appear whole or not at all: written under a random name that nobody else has, then given their own.

Nothing that stands there is followed or removed: a part file is made anew or not at all, and only who made it removes it.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import time
from typing import TYPE_CHECKING, BinaryIO, Iterator

from ..errors import UsageError
from .reading import errors_about

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

PART_PREFIX = ".strobewise-"  #: a short name of its own: that of the target may be as long as the system allows
PART_SUFFIX = ".part"
BINARY = getattr(os, "O_BINARY", 0)  #: where a file may be opened as text, line feeds would become two characters
LOCK_FILE = ".strobewise-lock"  #: stays in a folder that was held, where the system cannot lock the folder itself
_LOOK_AGAIN_S = 0.02  #: our choice: nobody waits long at it, and waiting costs nothing


class _NamedFile(io.FileIO):
    """A file whose errors carry the name that the user knows."""

    def __init__(self, handle: int, target: str) -> None:
        super().__init__(handle, "wb")
        self._target = target

    def write(self, data: ReadableBuffer, /) -> int:
        try:
            return super().write(data)
        except OSError as error:
            error.filename = self._target
            raise


def buffered(handle: int, target: str) -> BinaryIO:
    """Return an open file for writing that says `target` where something goes wrong, and closes the handle."""
    return io.BufferedWriter(_NamedFile(handle, target), 1 << 16)


@contextlib.contextmanager
def named_errors(target: str) -> Iterator[None]:
    """Give an OSError the name that the user knows, not that of a part file."""
    try:
        yield
    except OSError as error:
        error.filename = target
        error.filename2 = None
        raise


@contextlib.contextmanager
def whole_file(target: str, called: str = "") -> Iterator[BinaryIO]:
    """Open a file for writing; it takes its name when the block ends without an exception, and is gone otherwise.

    The file that had the name is replaced, with its permissions kept. called: the name for errors, where it is another one. Raises OSError.
    """
    called = called or target
    part = os.path.join(os.path.dirname(target), f"{PART_PREFIX}{os.urandom(8).hex()}{PART_SUFFIX}")
    with named_errors(called):
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY, 0o666)
    try:
        with buffered(handle, called) as out:
            yield out
        with named_errors(called):
            take_name(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(part)
        raise


def copy_whole(source: str, target: str) -> None:
    """Copy a file; the copy appears whole or not at all. Raises OSError, which names the file that could not be read or written."""
    import shutil

    with open(source, "rb") as original, whole_file(target) as out, errors_about(source):
        shutil.copyfileobj(original, out)


def take_name(part: str, target: str) -> None:
    """Put a finished file in the place of another, and keep the permissions of what stood there. Raises OSError."""
    with contextlib.suppress(FileNotFoundError):
        os.chmod(part, os.stat(target).st_mode & 0o7777)
    os.replace(part, target)


@contextlib.contextmanager
def own_folder(beside: str) -> Iterator[str]:
    """Make a folder in `beside`, for files that a library makes under a name of its own; it goes with the context.

    Its path is absolute: a library may take a relative one for an address ("s3:").
    """
    import shutil
    import tempfile

    made = tempfile.mkdtemp(PART_SUFFIX, PART_PREFIX, os.path.abspath(beside))
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


@contextlib.contextmanager
def claimed(folder: str, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a folder against a second run, for as long as this process has it, and no longer if it dies.

    wait_s: how long to wait for another one to let go. Where the system or the file system knows no such locks nothing is held.
    Raises UsageError when another process has it still, OSError.
    """
    handle = _lock_handle(folder)
    if handle is None:
        yield
        return
    until = time.monotonic() + wait_s
    try:
        while not _locked(handle):
            if time.monotonic() >= until:
                raise UsageError("another run is writing there", folder, "wait for it, or name another folder")
            time.sleep(_LOOK_AGAIN_S)
        yield
    finally:
        os.close(handle)


def _lock_handle(folder: str) -> int | None:
    """Return what is locked for a folder, None where the system has no locks that go with their process."""
    if sys.platform == "win32":  # a folder cannot be opened there
        return os.open(os.path.join(folder, LOCK_FILE), os.O_RDWR | os.O_CREAT | BINARY)
    try:
        import fcntl  # noqa: F401
    except ImportError:
        return None
    return os.open(folder, os.O_RDONLY)


def _locked(handle: int) -> bool:
    """Try to lock, and return whether it is ours, or cannot be had at all: a file system without locks."""
    if sys.platform == "win32":
        import errno
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            return error.errno not in (errno.EACCES, errno.EDEADLK)
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        pass
    return True
