"""The zip archive of a session: its entries read forward, a chunk behind the other, in bounded memory.

An archive may claim much and hold little: entries that lie over one another are refused, and so is what is packed in any way but the one
that the host uses. What is left unpacks to some thousand times the size of the file at most (deflate, RFC 1951), and never more than a
piece of it is held.
"""

from __future__ import annotations

import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import IO, Optional

from ...errors import CaptureError
from ..source import TextSource

MAGIC = b"PK\x03\x04"  #: of the first entry (zip file format specification, 4.3.7)
MAX_ENTRIES = 1 << 17
MAX_SPOOLED_BYTES = 8 << 30  #: of a session that cannot be read in place: from a pipe, or packed again
SAVE_AGAIN = "save or copy the session again"
_DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OverflowError, struct.error)


class Archive:
    """An open archive. Raises CaptureError for what is damaged."""

    def __init__(self, source: TextSource) -> None:
        self.path = source.path
        self._file = _seekable(source)
        try:
            with self._checked():
                self._zip = zipfile.ZipFile(self._file)
                self._check(self._zip.infolist())
        except BaseException:
            self._file.close()
            raise
        self._entries = {info.filename: info for info in self._zip.infolist()}

    def close(self) -> None:
        """Close the file."""
        self._zip.close()
        self._file.close()

    def small(self, name: str, most: int) -> Optional[bytes]:
        """Return what a small entry holds, None where there is none."""
        if name not in self._entries:
            return None
        with self._checked(), self._zip.open(name) as entry:
            data = entry.read(most + 1)
        if len(data) > most:
            raise CaptureError(f"the entry {name} of the session holds more than {most} bytes", self.path, remedy=SAVE_AGAIN)
        return data

    def chunks(self, name: str) -> tuple[str, ...]:
        """Return the entries that hold the samples of this name: name-1, name-2 and so on; or the name alone. May be none."""
        numbered: list[str] = []
        while f"{name}-{len(numbered) + 1}" in self._entries:
            numbered.append(f"{name}-{len(numbered) + 1}")
        return tuple(numbered) or ((name,) if name in self._entries else ())

    def beyond(self, name: str) -> bool:
        """Return whether there are chunks behind a gap in the numbers."""
        count = sum(1 for entry in self._entries if entry.startswith(name + "-") and entry[len(name) + 1 :].isdecimal())
        return count > len(self.chunks(name))

    def size(self, names: Sequence[str]) -> int:
        """Return how many bytes some entries unpack to, as the archive says."""
        return sum(self._entries[name].file_size for name in names)

    def read(self, names: Sequence[str], size: int) -> Iterator[tuple[bytes, int]]:
        """Yield what some entries hold, joined, in pieces of `size` bytes, the last one shorter; and the bytes of the file that it took."""
        held = b""
        taken = 0
        for name in names:
            info = self._entries[name]
            done = 0
            with self._checked():
                entry = self._zip.open(name)
            with entry:
                while True:
                    with self._checked():
                        data = entry.read(size - len(held))
                    if not data:
                        break
                    done += len(data)
                    held += data
                    if len(held) == size:
                        yield held, taken + info.compress_size * done // max(info.file_size, 1)
                        held = b""
            taken += info.compress_size
        if held:
            yield held, taken

    def _check(self, entries: Sequence[zipfile.ZipInfo]) -> None:
        if len(entries) > MAX_ENTRIES:
            raise CaptureError(f"the session has more than {MAX_ENTRIES} entries", self.path, remedy=SAVE_AGAIN)
        end = 0
        for info in sorted(entries, key=lambda info: info.header_offset):
            if info.header_offset < end:
                raise zipfile.BadZipFile
            end = info.header_offset + info.compress_size
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or info.flag_bits & 1:
                raise CaptureError(f"the entry {info.filename!r} is packed in a way that is not read here", self.path, remedy=SAVE_AGAIN)

    @contextmanager
    def _checked(self) -> Iterator[None]:
        try:
            yield
        except _DAMAGE:
            raise CaptureError("the session file is damaged or cut short", self.path, remedy=SAVE_AGAIN) from None
        except OSError as error:
            reason = (error.strerror or "read error").lower()
            raise CaptureError(f"cannot read the file: {reason}", self.path, remedy="check the file and its permissions") from None


def _seekable(source: TextSource) -> IO[bytes]:
    """Return the bytes of a source as a file that can be read from any place; a pipe is first written to the disk."""
    if source.in_place:
        file = open(source.path, "rb")
        source.close()
        return file
    spooled = tempfile.TemporaryFile(prefix="strobewise-")
    try:
        while data := source.read(1 << 20):
            spooled.write(data)
            if spooled.tell() > MAX_SPOOLED_BYTES:
                raise CaptureError(f"the session has more than {MAX_SPOOLED_BYTES >> 30} GiB", source.path, remedy="name the file itself")
    except BaseException:
        spooled.close()
        raise
    finally:
        source.close()
    return spooled
