"""Reading a CSV: columns of 0 and 1 are logic; volts become levels by the input limits with hysteresis, and stay as evidence.

Times are given in picoseconds: fine enough for any scope, and whole numbers of them at every sample rate in use. Where the file
tells its sample rate, they are those of its samples.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Optional

import numpy as np
import numpy.typing as npt

from ...errors import CaptureError
from .. import limits
from ..closing import Closing
from ..followed import Followed, account
from ..records import Block, Channel, Header, Times
from ..samples.rate import SampleTimes
from ..source import TextSource
from ..vcd.header import quoted
from ..vcd.positions import BodyError
from ..vcd.state import BodyState, Layout
from .header import EXPORT_AGAIN, NO_UNIT, ScopeHead, parse_head, split_row, to_number
from .rows import read_levels

TICK_FS = 1000  #: a picosecond: finer than any oscilloscope samples, and 100 days fit into 64 bits
TICKS_PER_SECOND = 10**12
MOST_SAMPLES = 2.0**44  #: of which the times fit
LONGEST_S = 1_000_000  #: beyond it a float no longer tells picoseconds apart, by far
#: Seen with the host that is installed here, whose session file of the same capture has them right.
MIXED_UP = "the capture host mixes up the columns of volts in its own CSV: save the capture as a session file (.sr)"
REPEATED_TIMES = "samples that repeat a time are left out: export the times with more digits"
_QUOTED = re.compile(r'"[^"\n]*"')
_MEND = "correct or delete that line, or export it again"

Samples = npt.NDArray[np.float64]


class ScopeCapture(Followed, Closing):
    """A CSV opened for reading; the same interface as VcdCapture.

    A column that holds only 0 and 1 is logic, not volts: a file is searched for that when it is opened; of a pipe the
    first piece decides. Raises CaptureError, from the constructor for the head and from `blocks` for the samples.
    """

    read_as = "a CSV, told by its first rows"

    def __init__(
        self, path: str, block_bytes: int = limits.BLOCK_BYTES, source: Optional[TextSource] = None, rateless: bool = False
    ) -> None:
        """rateless: it need tell neither times nor a rate, see samples.rate.NO_RATE."""
        self.path = path
        self._rateless = rateless
        self.block_bytes = block_bytes
        self.warnings: list[str] = []
        self._layout: Optional[Layout] = None
        self._state: Optional[BodyState] = None
        self._source = source or TextSource(path)
        self._fresh = False
        try:
            self._head = self._read_head()
            kinds = self._kinds()
        except BaseException:
            self._source.close()
            raise
        channels = tuple(
            Channel(column.name, "", str(number), 1, None, kind)
            for number, (column, kind) in enumerate(zip(self._head.columns, kinds, strict=True))
        )
        self._clock = None if self._head.rate is None else SampleTimes.at(self._head.rate)
        self.header = Header(TICK_FS if self._clock is None else self._clock.tick_fs, channels, self._head.end, self._head.rate)

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    @property
    def taken(self) -> int:
        """Return how many bytes of the file were read so far."""
        return self._source.taken

    def _rewind(self) -> None:
        if not self._fresh:
            if not self._source.repeatable:
                raise CaptureError("a pipe can be read only once", self.path, remedy="write the capture to a file first")
            self._source.close()
            self._source = TextSource(self.path)
            self._head = self._read_head()
        self._fresh = False
        self.warnings[:] = [NO_UNIT] if self._head.no_unit else []
        if self._head.by_host and sum(channel.is_volts for channel in self.header.channels) > 1:
            self.warnings.append(MIXED_UP)
        self._sample = -1

    def _read_head(self) -> ScopeHead:
        data, ended = b"", False
        while True:
            try:
                head = parse_head(data, ended, self._rateless) if data or ended else None
            except BodyError as error:
                line = None if error.offset is None else 1 + data.count(b"\n", 0, error.offset)
                raise CaptureError(error.what, self.path, line, error.offset, error.remedy) from None
            if head is not None:
                break
            if len(data) > limits.MAX_CSV_LINE_BYTES and b"\n" not in data[-limits.MAX_CSV_LINE_BYTES :]:
                raise self._too_long(1 + data.count(b"\n"), len(data))
            more = self._source.read(64 << 10)
            ended = not more
            data += more
        self._rest = data[head.end :]
        self._offset, self._line = head.end, head.line
        self._fresh = True
        return head

    def _too_long(self, line: int, offset: int) -> CaptureError:
        return CaptureError(f"a line of more than {limits.MAX_CSV_LINE_BYTES} bytes", self.path, line, offset, EXPORT_AGAIN)

    def _kinds(self) -> list[str]:
        """Find the columns of logic: read on until every column has shown a voltage, or to the end."""
        logic = np.ones(len(self._head.columns), bool)
        if not self._source.repeatable:
            whole, _, _ = self._rest.rpartition(b"\n")
            piece = self._parse(whole) if whole else np.empty((0, self._head.width))
            logic &= self._is_logic(piece)
        else:
            for piece in self._pieces():
                logic &= self._is_logic(piece)
                if not logic.any():
                    break
            self._fresh = False
        return ["wire" if only_levels else "real" for only_levels in logic.tolist()]

    def _is_logic(self, samples: Samples) -> npt.NDArray[np.bool_]:
        values = samples[:, [column.place for column in self._head.columns]]
        only: npt.NDArray[np.bool_] = ((values == 0.0) | (values == 1.0)).all(axis=0)
        return only

    def _pieces(self) -> Iterator[Samples]:
        """Yield the rows, float64 (n, columns of the file), as they stand in the file."""
        held, self._rest = self._rest, b""
        while True:
            cut = held.rfind(b"\n") + 1
            if cut:
                text, held = held[:cut], held[cut:]
                yield self._parse(text)
                self._offset += len(text)
                self._line += text.count(b"\n")
            elif len(held) > limits.MAX_CSV_LINE_BYTES:
                raise self._too_long(self._line, self._offset)
            more = self._source.read(self.block_bytes)
            if not more:
                break
            held += more
        if held.strip():  # a last line without its end
            try:
                yield self._parse(held)
            except CaptureError:
                self.warnings.append(f"line {self._line} is cut off: the capture is read up to there")

    def _parse(self, text: bytes) -> Samples:
        head = self._head
        if head.time_index in (None, 0):
            plain = read_levels(text, head.separator, head.width, head.time_index == 0, head.decimal_comma)
            if plain is not None and np.isfinite(plain).all():
                return plain
        lines = text.decode("latin-1")
        if head.decimal_comma:
            lines = lines.replace(",", ".") if head.separator != "," else _QUOTED.sub(lambda cell: cell[0].replace(",", "."), lines)
        rows = [line for line in lines.replace('"', "").splitlines() if line and not line.isspace()]
        if not rows:
            return np.empty((0, self._head.width))
        try:
            samples = np.loadtxt(rows, delimiter=self._head.separator, comments=None, ndmin=2, usecols=range(self._head.width))
        except ValueError:
            raise self._bad_row(text) from None
        if not np.isfinite(samples).all():
            raise self._bad_row(text)
        return samples

    def _bad_row(self, text: bytes) -> CaptureError:
        """Find the first bad row the slow way."""
        offset = self._offset
        for number, line in enumerate(text.splitlines(keepends=True)):
            cells = split_row(line.decode("latin-1").rstrip("\r\n"), self._head.separator)
            what = None
            if len(cells) < self._head.width:
                what = f"a row has {self._head.width} columns, this one {len(cells)}"
            else:
                bad = (cell for cell in cells[: self._head.width] if not _is_finite(to_number(cell, self._head.decimal_comma)))
                cell = next(bad, None)
                if cell is not None:
                    what = f"a number is expected, not {quoted(cell.encode('latin-1'))}"
            if what is not None and line.strip():
                return CaptureError(what, self.path, self._line + number, offset, _MEND)
            offset += len(line)
        return CaptureError("a row cannot be read", self.path, self._line, self._offset, _MEND)

    def _blocks(self, layout: Layout, state: BodyState) -> Iterator[Block]:
        for samples in self._pieces():
            if len(samples):
                block = self._block(samples, layout, state)
                if len(block.times):
                    yield block
        if state.time is None:
            raise CaptureError("the capture holds no samples", self.path, self._line, self._offset, EXPORT_AGAIN)
        if self._last_row != state.time:
            unknown = state.unknown & layout.output
            yield Block(
                np.array([state.time], np.int64),
                np.array([(state.levels ^ layout.invert) & layout.output], np.uint64),
                np.array([unknown], np.uint64) if unknown else None,
            )

    def _block(self, samples: Samples, layout: Layout, state: BodyState) -> Block:
        times, samples = self._times(samples, state)
        words, unknown = np.full(len(times), state.levels, np.uint64), np.full(len(times), state.unknown, np.uint64)
        before = (state.levels, state.unknown, state.time)
        for column, signal in zip(self._head.columns, layout.signals, strict=True) if len(times) else ():
            values = samples[:, column.place]
            if signal.volts:
                levels = state.volts[signal.code].add(values * column.scale)
                if state.volts_watch is not None:
                    state.volts_watch(signal.code.decode("latin-1"), times, values * column.scale)
            else:
                levels = (values != 0.0).astype(np.int8)
            account(state, signal.first_bit, levels, times)
            mask = np.uint64(signal.masks.get(0, 0))
            words[levels == 1] |= mask
            words[levels == 0] &= ~mask
            unknown[levels >= 0] &= ~mask
        changed = np.ones(len(times), bool)
        changed[1:] = (words[1:] != words[:-1]) | (unknown[1:] != unknown[:-1])
        if len(times):
            state.levels, state.unknown, state.time = int(words[-1]), int(unknown[-1]), int(times[-1])
            changed[0] = before[2] is None or before[:2] != (int(words[0]), int(unknown[0]))
            if self._clock is not None:
                state.time = self._clock.tick(self._sample + 1)  # each sample lasts until the next
        times, words, unknown = times[changed], words[changed], unknown[changed] & np.uint64(layout.output)
        if len(times):
            self._last_row = int(times[-1])
        return Block(times, (words ^ np.uint64(layout.invert)) & np.uint64(layout.output), unknown if unknown.any() else None)

    def _times(self, samples: Samples, state: BodyState) -> tuple[Times, Samples]:
        """Return the times in ticks, and the samples without those that repeat a time."""
        clock, head = self._clock, self._head
        if head.time_index is None:
            numbers = np.arange(self._sample + 1, self._sample + 1 + len(samples), dtype=np.float64)
        else:
            numbers = samples[:, head.time_index] * head.time_scale - head.first_sample
        limit = LONGEST_S if clock is None or head.rate is None else min(LONGEST_S * float(head.rate), MOST_SAMPLES)
        if float(np.abs(numbers).max()) > limit:
            raise CaptureError(f"a time is beyond {LONGEST_S} s", self.path, self._line, self._offset, EXPORT_AGAIN)
        places: Times = np.rint(numbers if clock is not None else numbers * TICKS_PER_SECOND).astype(np.int64)
        begun = state.time is not None
        before = (self._sample if clock is not None else state.time) if begun else int(places[0]) - 1
        times = places if clock is None else clock.ticks(0, places)
        if not begun:
            state.start_time = int(times[0])
        steps = np.diff(places, prepend=np.int64(before or 0))
        self._sample = int(places[-1])
        back = np.flatnonzero(steps < 0)
        if len(back):
            line = self._line + int(back[0])
            raise CaptureError("time goes backwards", self.path, line, remedy="export one record at a time, in order")
        if (steps > 0).all():
            return times, samples
        if REPEATED_TIMES not in self.warnings:
            self.warnings.append(REPEATED_TIMES)
        return times[steps > 0], samples[steps > 0]


def _is_finite(number: Optional[float]) -> bool:
    return number is not None and math.isfinite(number)
