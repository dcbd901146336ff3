"""A waveform file as the VCD that it stands for: a process of its own writes the text, and the reader of VCD reads it."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from collections.abc import Sequence
from typing import IO

from ...errors import CaptureError
from ..source import TextSource
from ..vcd.reader import VcdCapture
from . import convert

LIBRARY = "pylibfst"
NO_LIBRARY = (f"waveform files need {LIBRARY}, which is not installed", "pip install 'strobewise[fst]', or export it as VCD")
PIECE_BYTES = 1 << 20


class WaveSource(TextSource):
    """The text of a waveform file, as another process writes it."""

    def __init__(self, path: str) -> None:
        self.path, self.taken, self.repeatable = path, 0, True
        self._ahead = b""
        self._process = subprocess.Popen(command(path), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert self._process.stdout is not None
        self._text: IO[bytes] = self._process.stdout

    def again(self) -> TextSource:
        """Return the same text, from its start."""
        return WaveSource(self.path)

    def close(self) -> None:
        """End the other process."""
        self._text.close()
        self._process.kill()
        self._process.wait()

    @property
    def in_place(self) -> bool:
        """Return whether the bytes lie in a file as they are read here: no."""
        return False

    def readinto(self, target: memoryview) -> int:
        """Read into memory; return how many bytes, 0 at the end only."""
        data = self.read(min(len(target), PIECE_BYTES))
        target[: len(data)] = data
        return len(data)

    def ready(self, seconds: float) -> bool:
        """Return whether more comes within this time: there is a file behind it, always."""
        return True

    def _read(self, size: int) -> bytes:
        data = self._text.read(size)
        if not data and (status := self._process.wait()) != 0:
            raise self._refused(status)
        self.taken = os.path.getsize(self.path) if not data else self.taken
        return data

    def _refused(self, status: int) -> CaptureError:
        if status == convert.NOT_INSTALLED:
            what, remedy = NO_LIBRARY
        elif status == convert.NOT_READABLE:
            what, remedy = "the waveform file (FST) is damaged, or cut short", "let the simulator end, or export it as VCD"
        else:
            what, remedy = "the library that reads waveform files (FST) broke down over this one", "export it as VCD"
        return CaptureError(what, self.path, remedy=remedy)


class WaveCapture(VcdCapture):
    """A waveform file opened for reading. Raises CaptureError."""

    read_as = "a waveform file (FST), told by its first bytes"


def command(path: str) -> Sequence[str]:
    """Return the command of the process that writes the text."""
    # By its file: it needs nothing of the package, which the other process need not find.
    return [sys.executable, "-I", convert.__file__, os.path.abspath(path)]


def open_waves(source: TextSource) -> WaveCapture:
    """Open the waveform file that a source of bytes stands for. Raises CaptureError."""
    path, in_place = source.path, source.in_place
    source.close()
    if not in_place:
        raise CaptureError("a waveform file (FST) is read from a file that is not packed", path, remedy="unpack it, or write it to a file")
    if importlib.util.find_spec(LIBRARY) is None:
        raise CaptureError(NO_LIBRARY[0], path, remedy=NO_LIBRARY[1])
    return WaveCapture(path, source=WaveSource(path))
