"""Reading a VCD capture: bytes in, blocks of packed words out, memory flat whatever the size of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Optional

import numpy as np

from ..errors import CaptureError
from . import limits
from .positions import BodyError
from .records import AnalogLevels, BitAssignment, BitStatistics, Block, Header
from .source import TextSource
from .state import BodyState, Layout
from .vcd_fast import Tables, read_fast
from .vcd_general import Rows, last_word, read_general, rows_of
from .vcd_header import Declarations, parse_declarations

FIRST_BLOCK_BYTES = 16 << 10  #: small: initial values go through a slower reader than what follows
EXPORT_AGAIN = "export the capture again"
_NO_BLANK = bytes(range(0x21, 0x100))

Reader = Callable[[bytes, Layout, BodyState], tuple[Rows, int]]


class VcdCapture:
    """A VCD file opened for reading. Use it as a context manager.

    Raises CaptureError, from the constructor for the header and from `blocks` for the samples.
    """

    def __init__(self, path: str, block_bytes: int = limits.BLOCK_BYTES) -> None:
        self.path = path
        self.block_bytes = block_bytes
        self.warnings: list[str] = []
        self._source = TextSource(path)
        self._rest = b""
        self._layout: Optional[Layout] = None
        self._state: Optional[BodyState] = None
        try:
            self.header = self._read_header()
        except BaseException:
            self._source.close()
            raise
        self._header_warnings = tuple(self.warnings)
        self._fresh = True

    def __enter__(self) -> VcdCapture:
        return self

    def __exit__(
        self, kind: Optional[type[BaseException]], error: Optional[BaseException], trace: Optional[TracebackType]
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    @property
    def taken(self) -> int:
        """Return how many bytes of the file were read so far."""
        return self._source.taken

    @property
    def start_time(self) -> Optional[int]:
        """Return the first time of the capture in ticks, None before it was read."""
        return self._state.start_time if self._state else None

    @property
    def end_time(self) -> Optional[int]:
        """Return the last time read so far in ticks; after reading, the end of the capture, with or without a change."""
        return self._state.time if self._state else None

    def channel_statistics(self) -> dict[tuple[str, int], BitStatistics]:
        """Return what every bit of every channel did up to now, by id code and position (0 = rightmost)."""
        if self._state is None or self._layout is None:
            return {}
        return self._state.statistics(self._layout)

    def analog_levels(self) -> dict[str, AnalogLevels]:
        """Return the levels of every channel of volts that had a sample, by identifier code."""
        if self._state is None:
            return {}
        return {code.decode("latin-1"): record.result() for code, record in self._state.volts.items() if record.samples}

    def blocks(self, assignment: Iterable[BitAssignment]) -> Iterator[Block]:
        """Read the samples; may be called again for a file, once for a pipe.

        Raises CaptureError for a damaged body, ValueError for an assignment that the channels do not allow.
        """
        layout = Layout(self.header, list(assignment))
        self._rewind()
        self._layout, self._state = layout, BodyState(layout)
        return self._blocks(layout, self._state)

    def _rewind(self) -> None:
        if not self._fresh:
            if not self._source.repeatable:
                raise CaptureError(
                    "a pipe can be read only once", self.path, remedy="write the capture to a file first"
                )
            self._source.close()
            self._source = TextSource(self.path)
            self._read_header()
            self.warnings[:] = self._header_warnings
        self._fresh = False

    def _read_header(self) -> Header:
        data, ended, wanted = b"", False, 64 << 10
        while True:
            while len(data) < wanted and not ended:
                more = self._source.read(wanted - len(data))
                ended = not more
                data += more
                if b"$enddefinitions" in more:  # do not wait for more of an endless pipe
                    break
            declarations = self._declarations(data, ended)
            if declarations is not None:
                break
            if len(data) >= limits.MAX_HEADER_BYTES:
                raise CaptureError(
                    f"no $enddefinitions in the first {limits.MAX_HEADER_BYTES} bytes",
                    self.path,
                    1,
                    0,
                    "export the capture again as VCD",
                )
            wanted = min(2 * len(data), limits.MAX_HEADER_BYTES) if len(data) >= wanted else wanted
        self.warnings.extend(declarations.warnings)
        self._rest = data[declarations.end :]
        self._offset = declarations.end
        self._line = 1 + data.count(b"\n", 0, declarations.end)
        return Header(declarations.timescale_fs, declarations.channels, self._offset, self._line)

    def _declarations(self, data: bytes, complete: bool) -> Optional[Declarations]:
        try:
            return parse_declarations(data, complete)
        except BodyError as error:
            if error.offset is None:
                raise CaptureError(error.what, self.path, remedy=error.remedy) from None
            line = 1 + data.count(b"\n", 0, error.offset)
            raise CaptureError(error.what, self.path, line, error.offset, error.remedy) from None

    def _blocks(self, layout: Layout, state: BodyState) -> Iterator[Block]:
        held = b""
        tables = Tables(layout)
        for piece in self._pieces():
            held += piece
            cut = _behind_last_blank(held)
            if cut == 0:
                self._check_word(len(held))
                continue
            text = held[:cut]
            rows, consumed = self._read_block(text, layout, state, tables)
            held = held[consumed:]
            if len(rows.times):
                yield _block(rows, layout)
        yield from self._finish(held, layout, state)

    def _pieces(self) -> Iterator[bytes]:
        """Yield the text of the body in pieces of about `block_bytes`; a pipe gives what it holds."""
        rest, self._rest = self._rest, b""
        start, size = 0, min(FIRST_BLOCK_BYTES, self.block_bytes)
        while start < len(rest):
            yield rest[start : start + size]
            start, size = start + size, self.block_bytes
        while piece := self._source.read(size):
            yield piece
            size = self.block_bytes

    def _read_block(self, text: bytes, layout: Layout, state: BodyState, tables: Tables) -> tuple[Rows, int]:
        """Read whole words with the fastest reader that takes them."""
        done = read_fast(text, layout, state, tables)
        if done is not None:
            self._offset += done[1]
            self._line += int(np.count_nonzero(np.frombuffer(text, np.uint8, done[1]) == 0x0A))
            return done
        return self._read(read_general, text, layout, state)

    def _read(self, reader: Reader, text: bytes, layout: Layout, state: BodyState) -> tuple[Rows, int]:
        """Read whole words; count bytes and lines."""
        try:
            rows, consumed = reader(text, layout, state)
        except BodyError as error:
            offset = error.offset or 0
            line = self._line + text.count(b"\n", 0, offset)
            raise CaptureError(error.what, self.path, line, self._offset + offset, error.remedy) from None
        self._offset += consumed
        self._line += text.count(b"\n", 0, consumed)
        return rows, consumed

    def _check_word(self, length: int) -> None:
        if length > limits.MAX_WORD_BYTES:
            raise CaptureError(
                f"a word of more than {limits.MAX_WORD_BYTES} bytes", self.path, self._line, self._offset, EXPORT_AGAIN
            )

    def _finish(self, held: bytes, layout: Layout, state: BodyState) -> Iterator[Block]:
        """Read what stands behind the last blank, leave out a last word that is cut off, give out the last row."""
        start = last_word(held)
        if start is not None:
            rows, consumed = self._read(read_general, held[:start], layout, state)
            if len(rows.times):
                yield _block(rows, layout)
            held = held[consumed:]
            try:
                rows, consumed = self._read(read_general, held, layout, state)
            except CaptureError:
                consumed = 0
            if consumed < len(held):
                self.warnings.append(f"line {self._line} is cut off: the capture is read up to there")
            elif len(rows.times):
                yield _block(rows, layout)
        if state.time is None:
            if not state.bit_seen.any():
                raise CaptureError("the capture holds no samples", self.path, self._line, self._offset, EXPORT_AGAIN)
            state.time = state.start_time = 0
        yield _block(rows_of([state.time], [state.levels], [state.unknown]), layout)


def _behind_last_blank(text: bytes) -> int:
    """Return the offset behind the last line end, else behind the last blank, else 0."""
    return text.rfind(b"\n") + 1 or len(text.rstrip(_NO_BLANK))


def _block(rows: Rows, layout: Layout) -> Block:
    output = np.uint64(layout.output)
    words = rows.words ^ np.uint64(layout.invert) if layout.invert else rows.words
    unknown = rows.unknown & output
    return Block(rows.times, words & output, unknown if unknown.any() else None)
