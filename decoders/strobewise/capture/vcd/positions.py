"""Where in a capture something is wrong, while only a part of the file is at hand."""

from __future__ import annotations

from typing import Optional


class BodyError(Exception):
    """What is wrong in the text at hand, and at which offset in it; the reader turns it into a CaptureError."""

    def __init__(self, what: str, offset: Optional[int], remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.offset = offset
        self.remedy = remedy
