"""What every capture of raw samples has in common, wherever its bytes come from."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import Optional

from ...errors import CaptureError
from ..closing import Closing
from ..followed import Followed
from ..records import Block, Header
from ..vcd.state import BodyState, Layout
from .following import Follower, Piece
from .rate import SampleTimes


class SampledCapture(Followed, Closing):
    """A capture of raw samples, opened for reading. Use it as a context manager.

    A class of its own kind of file fills in the members, opens the file and yields its pieces.
    """

    path: str
    read_as: str
    header: Header
    warnings: list[str]
    times: SampleTimes
    unit_bytes: int  #: bytes of a sample, 0 without logic channels
    places: Sequence[Optional[int]]  #: for each channel of the header its bit in a sample; None for volts

    @abstractmethod
    def _pieces(self) -> Iterator[Piece]:
        """Yield the samples from the first one on. Raises CaptureError, OSError."""

    def _blocks(self, layout: Layout, state: BodyState) -> Iterator[Block]:
        follower = Follower(layout, state, self.places, self.unit_bytes, self.times)
        for piece in self._pieces():
            if piece.samples:
                block = follower.rows(piece)
                if len(block.times):
                    yield block
        if state.time is None:
            raise CaptureError("the capture holds no samples", self.path, remedy="export the capture again")
        yield follower.last_row()
