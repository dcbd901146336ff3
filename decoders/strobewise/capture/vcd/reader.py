"""Reading a VCD capture: bytes in, blocks of packed words out, memory flat whatever the size of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from typing import NamedTuple, Optional

import numpy as np

from ...errors import CaptureError
from .. import limits
from ..closing import Closing
from ..followed import Followed
from ..records import Block, Header
from ..source import TextSource
from . import text
from .general import Rows, last_word, read_general, rows_of
from .header import Declarations, HeaderParser
from .mixed import MixedTables, read_mixed
from .plain import PlainTables, read_plain
from .positions import BodyError
from .state import BodyState, Layout, TickCount

FIRST_BLOCK_BYTES = 16 << 10  #: small: an endless pipe shows what it brings, and whether it is clocked is seen in the first block
INITIAL_BYTES = 2 << 10  #: as much as initial values take: until they are there a slower reader reads
NOT_PLAIN_BLOCKS = 3  #: after so many blocks in a row that are not plain, only each eighth is tried
TRY_AGAIN_BLOCKS = 8  #: a stretch of other changes costs an eighth of the look that finds its end
KEPT_BYTES = 24 << 20
EXPORT_AGAIN = "export the capture again"
_NO_BLANK = bytes([0, *range(0x21, 0x100)])  #: a tail of zeros is what a disk leaves of a file that was never written whole

Reader = Callable[[bytes, Layout, BodyState], tuple[Rows, int]]


class Knowledge(NamedTuple):
    """What reading a capture has found out, besides its blocks."""

    state: Optional[BodyState]
    warnings: list[str]
    taken: int


class VcdCapture(Followed, Closing):
    """A VCD file opened for reading. Use it as a context manager.

    Raises CaptureError, from the constructor for the header and from `blocks` for the samples.
    """

    read_as = ""

    def __init__(self, path: str, block_bytes: int = limits.BLOCK_BYTES, source: Optional[TextSource] = None) -> None:
        self.path = path
        self.block_bytes = block_bytes
        self.warnings: list[str] = []
        self._source = source or TextSource(path)
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
        self._taken_apart = 0  #: bytes read by another process

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    @property
    def taken(self) -> int:
        """Return how many bytes of the file were read so far."""
        return max(self._taken_apart, self._source.taken)

    def knowledge(self) -> Knowledge:
        """Return what reading has found out up to now, for a capture that is read by another process (see capture.apart)."""
        return Knowledge(self._state, self.warnings, self.taken)

    def learn(self, knowledge: Knowledge) -> None:
        """Take over what another process found out."""
        self._state, self._taken_apart = knowledge.state, knowledge.taken
        self.warnings[:] = knowledge.warnings

    def note_taken(self, taken: int) -> None:
        """Note how many bytes another process has read."""
        self._taken_apart = taken

    def _rewind(self) -> None:
        if not self._fresh:
            if not self._source.repeatable:
                raise CaptureError("a pipe can be read only once", self.path, remedy="write the capture to a file first")
            self._source.close()
            self._source = self._source.again()
            self._read_header()
            self.warnings[:] = self._header_warnings
        self._fresh = False

    def _read_header(self) -> Header:
        parser = HeaderParser()
        data, ended, wanted, near = b"", False, 64 << 10, False
        while True:
            while len(data) < wanted and not ended:
                more = self._source.read(wanted - len(data))
                ended = not more
                data += more
                near = near or b"$enddefinitions" in data[-len(more) - 16 :]
                if near:  # an endless pipe may hold no more for long
                    break
            declarations = self._declarations(parser, data, ended)
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
        return Header(declarations.timescale_fs, declarations.channels, self._offset)

    def _declarations(self, parser: HeaderParser, data: bytes, complete: bool) -> Optional[Declarations]:
        try:
            return parser.parse(data, complete)
        except BodyError as error:
            if error.offset is None:
                raise CaptureError(error.what, self.path, remedy=error.remedy) from None
            line = 1 + data.count(b"\n", 0, error.offset)
            raise CaptureError(error.what, self.path, line, error.offset, error.remedy) from None

    def _blocks(self, layout: Layout, state: BodyState) -> Iterator[Block]:
        _keep_freed_memory()
        readers = _Readers(layout, state)
        buffer = np.full(text.PAD + limits.MAX_WORD_BYTES + self.block_bytes + 2 * text.PAD, 0x20, np.uint8)
        memory = memoryview(buffer.data)
        held, size = b"", min(FIRST_BLOCK_BYTES, self.block_bytes)
        while True:
            begin = text.PAD + len(held)
            memory[text.PAD : begin] = held
            end = begin + self._fill(memory[begin : begin + size])
            if end == begin:
                break
            cut = _behind_last_blank(memory[text.PAD : end]) + text.PAD
            if cut > text.PAD:
                size = self.block_bytes
                behind = bytes(memory[cut:end])
                padded = buffer[: -(-(cut + text.PAD) // 8) * 8]
                padded[cut:] = 0x20
                rows, consumed = self._read_block(padded, cut, readers)
                held = bytes(memory[text.PAD + consumed : cut]) + behind
                if len(rows.times):
                    yield _block(rows, layout)
            else:
                held = bytes(memory[text.PAD : end])
            self._check_word(len(held))
        yield from self._finish(held, layout, state)

    def _fill(self, target: memoryview) -> int:
        """Read on; return how many bytes, 0 at the end. A pipe gives what it holds."""
        if not self._rest:
            return self._source.readinto(target)
        count = min(len(target), len(self._rest))
        target[:count], self._rest = self._rest[:count], self._rest[count:]
        return count

    def _read_block(self, padded: text.Bytes, end: int, readers: _Readers) -> tuple[Rows, int]:
        """Read the whole words in padded[PAD:end] with the fastest reader that takes them."""
        done = readers.read(padded, end - text.PAD)
        if done is None:
            words = padded[text.PAD : end].tobytes()
            if readers.state.time is None:
                return self._read_beginning(words, readers)
            return self._read(read_general, words, readers.layout, readers.state)
        self._offset += done[1]
        self._line += int(np.count_nonzero(padded[text.PAD : text.PAD + done[1]] == 0x0A))
        return done

    def _read_beginning(self, words: bytes, readers: _Readers) -> tuple[Rows, int]:
        """Read initial values, and what stands behind them with the fastest reader that takes it."""
        upto = words.rfind(b"\n", 0, INITIAL_BYTES) + 1 or len(words)
        rows, consumed = self._read(read_general, words[:upto], readers.layout, readers.state)
        if upto == len(words):
            return rows, consumed
        if not consumed:  # a vector's value, and its id on the next line
            return self._read(read_general, words, readers.layout, readers.state)
        padded = text.padded(words[consumed:])
        more, also = self._read_block(padded, text.PAD + len(words) - consumed, readers)
        return rows.followed_by(more), consumed + also

    def _read(self, reader: Reader, words: bytes, layout: Layout, state: BodyState) -> tuple[Rows, int]:
        """Read whole words; count bytes and lines."""
        try:
            rows, consumed = reader(words, layout, state)
        except BodyError as error:
            offset = error.offset or 0
            line = self._line + words.count(b"\n", 0, offset)
            raise CaptureError(error.what, self.path, line, self._offset + offset, error.remedy) from None
        self._offset += consumed
        self._line += words.count(b"\n", 0, consumed)
        return rows, consumed

    def _check_word(self, length: int) -> None:
        if length > limits.MAX_WORD_BYTES:
            raise CaptureError(f"a word of more than {limits.MAX_WORD_BYTES} bytes", self.path, self._line, self._offset, EXPORT_AGAIN)

    def _finish(self, held: bytes, layout: Layout, state: BodyState) -> Iterator[Block]:
        """Read what stands behind the last line end, leave out a last word that is cut off, give out the last row."""
        held = held.rstrip(b"\0")
        start = last_word(held)
        if start is not None and held[-1] <= 0x20:  # a word with a blank behind it is whole
            start = len(held)
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


def _keep_freed_memory() -> None:
    """Have the C library keep the memory of a block's arrays for the next block.

    Common practice with glibc: once a large area was freed, smaller ones are no longer handed back to the system, to come
    back as fresh pages that must be cleared. It saves a quarter of the time; elsewhere it does nothing. The area is not touched.
    """
    np.empty(KEPT_BYTES, np.uint8)


class _Readers:
    """Chooses a reader for each block: the plain one for what is plain, the mixed one for most else, the general one for the rest."""

    def __init__(self, layout: Layout, state: BodyState) -> None:
        self.layout, self.state = layout, state
        self._plain = PlainTables(layout)
        self._ticks = TickCount()
        self._refused = 0  #: blocks in a row that were not plain

    @cached_property
    def _mixed(self) -> MixedTables:
        return MixedTables(self.layout)  # half a megabyte, and most captures are plain throughout

    def read(self, padded: text.Bytes, size: int) -> Optional[tuple[Rows, int]]:
        """Return rows and how many bytes were read; None for a block that only the general reader can read."""
        state = self.state
        if state.time is None or state.skipping or not (self._plain.usable or self._mixed.usable):
            return None
        block = text.split(padded)
        if self._refused < NOT_PLAIN_BLOCKS or self._refused % TRY_AGAIN_BLOCKS == 0:
            rows = read_plain(block, self._plain, state, self._ticks)
            if rows is not None:
                self._refused = 0
                return rows, size
        self._refused += 1
        return read_mixed(block, size, self._mixed, state, self._ticks)


def _behind_last_blank(memory: memoryview) -> int:
    """Return the offset behind the last line end, else behind the last blank, else 0."""
    near = max(0, len(memory) - 4096)
    found = memory[near:].tobytes().rfind(b"\n")
    if found >= 0:
        return near + found + 1
    whole = memory.tobytes()
    return whole.rfind(b"\n") + 1 or len(whole.rstrip(_NO_BLANK))


def _block(rows: Rows, layout: Layout) -> Block:
    """Show the bits of the layout's word that are mapped, inverted probes undone."""
    words, unknown, output = rows.words, rows.unknown, np.uint64(layout.output)
    if layout.invert:
        words = words ^ np.uint64(layout.invert)
    if layout.all_mapped:
        return Block(rows.times, words, unknown if unknown is not None and unknown.any() else None)
    if unknown is not None:
        unknown = unknown & output
    return Block(rows.times, words & output, unknown if unknown is not None and unknown.any() else None)
