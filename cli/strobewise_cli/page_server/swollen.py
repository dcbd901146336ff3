"""How large a packed capture is once it is unpacked, so that a small file cannot keep the page busy for hours."""

from __future__ import annotations

import zipfile

from strobewise.capture.source import GZIP_MAGIC, TextSource
from strobewise.errors import UsageError

UNPACKED_MOST = 2 << 30  #: bytes; judging as many takes some twenty seconds of processor time
_PIECE = 1 << 20


def refuse_swollen(path: str, most: int = UNPACKED_MOST) -> None:
    """Refuse a packed capture that unpacks to more than `most` bytes; nothing is kept of it. Raises UsageError, CaptureError, OSError."""
    with open(path, "rb") as file:
        packed = file.read(2) == GZIP_MAGIC
    if packed:
        source, size = TextSource(path), 0
        try:
            while size <= most and (piece := source.read(_PIECE)):
                size += len(piece)
        finally:
            source.close()
    elif zipfile.is_zipfile(path):
        try:
            with zipfile.ZipFile(path) as archive:
                size = sum(entry.file_size for entry in archive.infolist())
        except zipfile.BadZipFile:
            return  # the reader says what is wrong with it
    else:
        return
    if size > most:
        remedy = "capture for a shorter time, or put it in with strobewise case add"
        raise UsageError(f"the capture unpacks to more than {most / 1e9:.3g} GB", "the page", remedy)
