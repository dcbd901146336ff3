"""Opening a capture: a plain file, a gzip file (told by content, not by name), or standard input."""

from __future__ import annotations

import os
import select
import stat
import zlib
from io import FileIO

from ..errors import CaptureError

STANDARD_INPUT = "-"
_STANDARD_INPUT_HANDLE = 0  #: POSIX
GZIP_MAGIC = b"\x1f\x8b"


class TextSource:
    """The unpacked bytes of a capture, read forward.

    Raises CaptureError for a file that cannot be opened or read, and for a damaged or shortened gzip file.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.taken = 0  #: bytes of the file read so far, packed ones where it is packed
        self._file = self._open(path)
        self.repeatable = path != STANDARD_INPUT and stat.S_ISREG(os.fstat(self._file.fileno()).st_mode)
        self._held = self._read_file(2)
        while len(self._held) == 1:  # a pipe may hand over a single byte
            more = self._read_file(1)
            if not more:
                break
            self._held += more
        self._unpacker = zlib.decompressobj(wbits=31) if self._held == GZIP_MAGIC else None
        self._ahead = b""  #: unpacked, and looked at already

    def again(self) -> TextSource:
        """Return the same bytes, from their start. Raises CaptureError."""
        return TextSource(self.path)

    def close(self) -> None:
        """Close the file; standard input stays open."""
        self._file.close()

    @property
    def in_place(self) -> bool:
        """Return whether the bytes lie in a file as they are read here."""
        return self.repeatable and self._unpacker is None

    def peek(self, size: int) -> bytes:
        """Return the next `size` bytes, which stay to be read; fewer only where the source ends before."""
        while len(self._ahead) < size:
            more = self._read(size - len(self._ahead))
            if not more:
                break
            self._ahead += more
        return self._ahead

    def peek_on(self) -> bytes:
        """Return more of what comes, as a pipe holds it, behind what was looked at before; all of it stays to be read."""
        self._ahead += self._read(64 << 10)
        return self._ahead

    def read(self, size: int) -> bytes:
        """Return up to `size` bytes, b"" at the end only. A pipe returns what it holds: an endless one never stalls."""
        if self._ahead:
            data, self._ahead = self._ahead[:size], self._ahead[size:]
            return data
        return self._read(size)

    def _read(self, size: int) -> bytes:
        if self._unpacker is not None:
            return self._unpack(size)
        if self._held:
            held, self._held = self._held[:size], self._held[size:]
            return held + self._read_file(size - len(held)) if self.repeatable and len(held) < size else held
        return self._read_file(size)

    def readinto(self, target: memoryview) -> int:
        """Read into memory; return how many bytes, 0 at the end only."""
        if self._unpacker is None and not self._held and not self._ahead:
            try:
                count = self._file.readinto(target) or 0
                self.taken += count
                return count
            except OSError as error:
                raise self._unreadable(error) from None
        data = self.read(len(target))
        target[: len(data)] = data
        return len(data)

    def ready(self, seconds: float) -> bool:
        """Return whether more comes within this time; False where the system cannot say so of a pipe."""
        try:
            return seconds > 0 and bool(select.select([self._file], [], [], seconds)[0])
        except (OSError, ValueError):
            return False

    def _open(self, path: str) -> FileIO:
        try:
            if path == STANDARD_INPUT:
                return FileIO(_STANDARD_INPUT_HANDLE, "rb", closefd=False)  # unbuffered: gives what the pipe holds
            return FileIO(path, "rb")
        except FileNotFoundError:
            raise CaptureError("no such file", path, remedy="check the name") from None
        except IsADirectoryError:
            raise CaptureError("this is a folder, not a capture", path, remedy="name a file in it") from None
        except OSError as error:
            raise self._unreadable(error) from None

    def _read_file(self, size: int) -> bytes:
        try:
            data = self._file.read(size)
            self.taken += len(data)
            return data
        except OSError as error:
            raise self._unreadable(error) from None

    def _unreadable(self, error: OSError) -> CaptureError:
        reason = (error.strerror or "read error").lower()
        return CaptureError(f"cannot read the file: {reason}", self.path, remedy="check the file and its permissions")

    def _unpack(self, size: int) -> bytes:
        assert self._unpacker is not None
        while True:
            tail = b"" if self._unpacker.eof else self._unpacker.unconsumed_tail  # at the end what is left is in unused_data
            packed = tail or self._held or self._read_file(64 << 10)
            self._held = b""
            if not packed:
                if self._unpacker.eof:
                    return b""
                raise CaptureError("the gzip file is cut short", self.path, remedy="copy or export it again")
            if self._unpacker.eof:  # members may follow one another; zero padding may end the file
                if not packed.strip(b"\0"):
                    continue
                if not packed.startswith(GZIP_MAGIC[: len(packed)]):
                    what = "behind the end of the packed capture stand bytes that are no gzip"
                    raise CaptureError(what, self.path, remedy="copy it again, or unpack it with gzip -dc, which passes over them")
                self._unpacker = zlib.decompressobj(wbits=31)
            try:
                text = self._unpacker.decompress(packed, size)
            except zlib.error:
                raise CaptureError("the gzip file is damaged", self.path, remedy="copy or export it again") from None
            if self._unpacker.eof:
                self._held = self._unpacker.unused_data
            if text:
                return text
