"""Reading raw samples: a file of them, or a stream without an end."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Optional

import numpy as np

from ...errors import CaptureError
from ...records.raw import RawForm
from .. import limits
from ..records import Channel, Header
from ..samples.following import Piece
from ..samples.rate import SampleTimes
from ..samples.reader import SampledCapture
from ..source import TextSource

WAIT_S = 0.02  #: how long a pipe is waited for, so that a piece is worth the trouble


class RawCapture(SampledCapture):
    """Raw samples opened for reading. Raises CaptureError."""

    read_as = "raw samples, as --raw says"

    def __init__(
        self, path: str, form: RawForm, block_bytes: int = limits.BLOCK_BYTES, source: Optional[TextSource] = None
    ) -> None:
        self.path = path
        self.block_bytes = max(block_bytes // form.unit_bytes, 1) * form.unit_bytes
        self.warnings = []
        self.unit_bytes = form.unit_bytes
        self.times = SampleTimes.at(form.rate)
        self.places = [bit for _, bit in form.channels]
        channels = tuple(Channel(name, "", str(number), 1, None, "wire") for number, (name, _) in enumerate(form.channels))
        self.header = Header(self.times.tick_fs, channels, rate=form.rate)
        self._source = source or TextSource(path)
        self._fresh = True

    @property
    def taken(self) -> int:
        """Return how many bytes of the file were read so far."""
        return self._source.taken

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    def _rewind(self) -> None:
        if not self._fresh:
            if not self._source.repeatable:
                raise CaptureError("a pipe can be read only once", self.path, remedy="write the capture to a file first")
            self._source.close()
            self._source = TextSource(self.path)
            self.warnings.clear()
        self._fresh = False

    def _pieces(self) -> Iterator[Piece]:
        """Yield the samples as they come: whole pieces of a file, of a pipe what it holds."""
        buffer = np.empty(self.block_bytes, np.uint8)
        held = 0
        while True:
            size = self._fill(memoryview(buffer.data), held)
            whole = size // self.unit_bytes
            if size == held:
                break
            yield Piece(whole, buffer[: whole * self.unit_bytes])
            held = size - whole * self.unit_bytes
            rest = buffer[whole * self.unit_bytes : size].copy()
            buffer = np.empty(self.block_bytes, np.uint8)  # the piece may still be in use
            buffer[:held] = rest
        if held:
            self.warnings.append(f"the last sample is cut off: it has {held} of {self.unit_bytes} bytes")

    def _fill(self, memory: memoryview, held: int) -> int:
        """Read behind what is held, and go on for a moment where more is to come; return how many bytes there are then."""
        size = held
        until = time.monotonic() + WAIT_S
        while size < len(memory):
            count = self._source.readinto(memory[size:])
            if not count:
                break
            size += count
            if not self._source.repeatable and not self._source.ready(until - time.monotonic()):
                break
        return size
