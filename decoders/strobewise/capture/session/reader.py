"""Reading a session file: raw samples become rows, chunk after chunk; volts become levels by the input limits."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Optional

import numpy as np

from ...errors import CaptureError
from .. import limits
from ..records import Channel, Header
from ..samples.following import Piece, Volts
from ..samples.rate import SAY_CLOCKED, SampleTimes
from ..samples.reader import SampledCapture
from ..source import TextSource
from .archive import SAVE_AGAIN, Archive
from .metadata import MAX_METADATA_BYTES, VERSIONS, Metadata, MetadataError, RateError, parse_metadata

FLOAT_BYTES = 4  #: of a sample of an analog channel: IEEE 754, single precision


class SessionCapture(SampledCapture):
    """A session file of the capture host, opened for reading.

    Raises CaptureError, from the constructor for the archive and its metadata and from `blocks` for the samples.
    """

    read_as = "a session file, told by its first bytes"

    def __init__(
        self, path: str, block_bytes: int = limits.BLOCK_BYTES, source: Optional[TextSource] = None, rateless: bool = False
    ) -> None:
        """rateless: it need name no rate, see samples.rate.NO_RATE."""
        self.path = path
        self.block_bytes = block_bytes
        self.taken = 0  #: bytes of the samples read so far, as they lie in the archive
        self._archive = Archive(source or TextSource(path))
        try:
            self._metadata = self._read_metadata(rateless)
            self._first_warnings = self._look()
        except BaseException:
            self._archive.close()
            raise
        self.warnings = [*self._first_warnings]
        read = [channel for channel in self._metadata.channels if channel.place is not None or self._archive.chunks(channel.entry)]
        self.places = [channel.place for channel in read]
        self._volts = [channel for channel in read if channel.place is None]
        self.unit_bytes = self._metadata.unit_bytes
        self.times = SampleTimes.at(self._metadata.rate)
        channels = tuple(
            Channel(channel.name, "", str(number), 1, None, "wire" if channel.place is not None else "real")
            for number, channel in enumerate(read)
        )
        self.header = Header(self.times.tick_fs, channels, rate=self._metadata.rate)

    def close(self) -> None:
        """Close the file."""
        self._archive.close()

    def _rewind(self) -> None:
        self.taken = 0
        self.warnings[:] = self._first_warnings

    def _read_metadata(self, rateless: bool) -> Metadata:
        version = self._archive.small("version", 64)
        data = self._archive.small("metadata", MAX_METADATA_BYTES)
        if version is None or data is None:
            raise CaptureError("this archive is no session file: version and metadata are missing", self.path, remedy="name a capture")
        if version.strip().decode("latin-1") not in VERSIONS:
            what = f"a session file of a version that is not known here: {version[:8].decode('latin-1').strip()!r}"
            raise CaptureError(what, self.path, remedy="export the capture as VCD")
        try:
            return parse_metadata(data, rateless)
        except MetadataError as error:
            remedy = f"{SAVE_AGAIN}; {SAY_CLOCKED}" if isinstance(error, RateError) else SAVE_AGAIN
            raise CaptureError(f"the session file cannot be used: {error}", self.path, remedy=remedy) from None

    def _look(self) -> list[str]:
        """Return what there is to say before reading. Raises CaptureError where there are no samples."""
        warnings = []
        if self._metadata.devices > 1:
            warnings.append(f"the session has {self._metadata.devices} devices; the first one is read")
        names = dict.fromkeys(channel.entry for channel in self._metadata.channels)
        if not any(self._archive.size(self._archive.chunks(name)) for name in names):
            raise CaptureError("the session holds no samples", self.path, remedy="capture again")
        if any(self._archive.beyond(name) for name in names):
            warnings.append("a chunk of the session is missing: it is read up to there")
        return warnings

    def _pieces(self) -> Iterator[Piece]:
        """Yield the samples; all channels end with the shortest."""
        count = max(1, self.block_bytes // max(self.unit_bytes, FLOAT_BYTES * bool(self._volts)))
        streams = [(channel.entry, FLOAT_BYTES) for channel in self._volts]
        if self.unit_bytes:
            logic = next(channel.entry for channel in self._metadata.channels if channel.place is not None)
            streams.insert(0, (logic, self.unit_bytes))
        readers = [self._archive.read(self._archive.chunks(name), count * size) for name, size in streams]
        while True:
            read = [next(reader, (b"", 0)) for reader in readers]
            lengths = [len(data) // size for (data, _), (_, size) in zip(read, streams, strict=True)]
            least = min(lengths)
            self.taken = max(self.taken, sum(taken for _, taken in read))
            if any(len(data) > least * size for (data, _), (_, size) in zip(read, streams, strict=True)):
                self.warnings.append("the channels end at different samples, or within one: the capture is read up to the first end")
            if least:
                arrays = [data[: least * size] for (data, _), (_, size) in zip(read, streams, strict=True)]
                samples = np.frombuffer(arrays.pop(0), np.uint8) if self.unit_bytes else None
                yield Piece(least, samples, [self._in_volts(data) for data in arrays])
            if least < count:
                return

    def _in_volts(self, data: bytes) -> Volts:
        volts = np.frombuffer(data, "<f4").astype(np.float64)
        if not np.isfinite(volts).all():
            raise CaptureError("a voltage is no number", self.path, remedy=SAVE_AGAIN)
        return volts
