"""The expansion device: it watches the port for opcode fetches and lays its own ROM over the host's."""

from __future__ import annotations

from typing import Optional, Sequence, Tuple


class Pager:
    """A device that pages its ROM in on a fetch from a trigger address and out on a fetch from a release range.

    The trigger's own byte already comes from the device; the releasing fetch still does too.
    """

    def __init__(
        self, contents: bytes, fetch_at: Sequence[int], released_by: Sequence[Tuple[int, int]], start: int = 0x0000
    ) -> None:
        self.contents = contents
        self.start = start
        self.triggers = frozenset(fetch_at)
        self.released_by = tuple(released_by)
        self.paged = False
        self.silent = False  #: it does not answer at all
        self.releases = True  #: False: once in, it stays in
        self.patience: Optional[int] = None  #: it leaves after so many fetches whatever they are
        self._leaving = False
        self._fetches = 0

    def reset(self) -> None:
        self.paged = False
        self._leaving = False

    def fetch(self, address: int) -> None:
        """See an opcode fetch (/M1 with /MREQ) on the port."""
        if self._leaving:
            self.paged = self._leaving = False
        if self.silent:
            return
        self._fetches += 1
        if address in self.triggers:
            self.paged = True
            self._fetches = 0
        elif self.paged and self.patience is not None and self._fetches >= self.patience:
            self._leaving = True
        elif self.paged and self.releases and any(first <= address <= last for first, last in self.released_by):
            self._leaving = True

    def settle(self) -> None:
        """End the fetch that was seen last: a releasing one takes the device off the bus."""
        if self._leaving:
            self.paged = self._leaving = False

    def read(self, address: int) -> Optional[int]:
        """Return the byte that the device drives, None where it does not."""
        if self.paged and not self.silent and self.start <= address < self.start + len(self.contents):
            return self.contents[address - self.start]
        return None
