"""Declarations of a VCD file: timescale, scopes and channels, up to $enddefinitions.

Source of the format: IEEE Std 1364-2005, clause 18. Beyond it, as files in use have them: a stray first line
``META ...``, a byte order mark, names with the range attached (``A[3]``), and unknown ``$keyword ... $end`` sections.
"""

from __future__ import annotations

import re
from typing import NamedTuple, Optional

from . import limits
from .positions import BodyError
from .records import VOLT_KINDS, Channel

UNITS_FS = {b"s": 10**15, b"ms": 10**12, b"us": 10**9, b"ns": 10**6, b"ps": 10**3, b"fs": 1}
ASSUMED_TIMESCALE_FS = 10**6
EXPORT_AGAIN = "export the capture again as VCD"

_WORD = re.compile(rb"[^\x00-\x20]+")
_TIMESCALE = re.compile(rb"([0-9]+)([a-zA-Z]+)")
_RANGE = re.compile(rb"(.*?)\[(-?[0-9]{1,9})(?::(-?[0-9]{1,9}))?\]", re.DOTALL)


class Declarations(NamedTuple):
    """What the header says; `end` is the offset behind $enddefinitions $end."""

    timescale_fs: int
    channels: tuple[Channel, ...]
    end: int
    warnings: tuple[str, ...]


def printable(text: bytes) -> str:
    """Return a name as text that is safe on a terminal: what is not printable shows as U+FFFD."""
    name = text.decode("utf-8", errors="replace")
    return name if name.isprintable() else "".join(c if c.isprintable() else "\ufffd" for c in name)


def quoted(text: bytes, longest: int = 24) -> str:
    """Return a word of the file, quoted and short enough for a message."""
    shown = printable(text[:longest]).replace("'", "\\'")
    return f"'{shown}'" if len(text) <= longest else f"'{shown}...'"


def parse_declarations(data: bytes, complete: bool) -> Optional[Declarations]:
    """Parse a header from the first bytes of a file.

    complete: no more bytes follow. Returns None when the header goes on behind `data`.
    Raises BodyError with the offset of what is wrong.
    """
    if complete and not data.strip():
        raise BodyError("the file is empty", None, EXPORT_AGAIN)
    return _Parser(data, complete).parse()


class _NeedMore(Exception):
    """The data end inside the header."""


class _Parser:
    def __init__(self, data: bytes, complete: bool) -> None:
        self.data = data
        self.complete = complete
        self.words = _WORD.finditer(data, self._start())
        self.at = 0
        self.timescale_fs: Optional[int] = None
        self.scopes: list[bytes] = []
        self.channels: list[Channel] = []
        self.widths: dict[str, tuple[int, bool]] = {}
        self.total_bits = 0
        self.warnings: list[str] = []

    def _start(self) -> int:
        start = 3 if self.data.startswith(b"\xef\xbb\xbf") else 0
        if self.data[start : start + 5] == b"META ":  # written before the header by a capture program
            line_end = self.data.find(b"\n", start)
            return line_end + 1 if line_end >= 0 else len(self.data)
        return start

    def parse(self) -> Optional[Declarations]:
        try:
            while True:
                keyword = self._next()
                if keyword == b"$enddefinitions":
                    self._section(keyword)
                    return self._finish()
                self._declaration(keyword)
        except _NeedMore:
            if not self.complete:
                return None
        raise BodyError("the file ends before $enddefinitions", len(self.data), EXPORT_AGAIN)

    def _finish(self) -> Declarations:
        if not self.channels:
            raise BodyError(
                "the header declares no channels", self.at, "export the capture with its channels switched on"
            )
        if self.timescale_fs is None:
            self.warnings.append("the header has no $timescale: one tick is taken as 1 ns")
        end = self.at + len(b"$end")
        return Declarations(self.timescale_fs or ASSUMED_TIMESCALE_FS, tuple(self.channels), end, tuple(self.warnings))

    def _next(self) -> bytes:
        match = next(self.words, None)
        if match is None or (match.end() == len(self.data) and not self.complete):
            raise _NeedMore
        self.at = match.start()
        return match.group()

    def _section(self, keyword: bytes) -> list[bytes]:
        """Return the words up to $end."""
        start, words = self.at, []
        try:
            if keyword == b"$var":  # an id may read "$end"
                words = [self._next() for _ in range(3)]
            while (word := self._next()) != b"$end":
                words.append(word)
        except _NeedMore:
            if self.complete:
                raise BodyError(f"{quoted(keyword)} has no $end", start, EXPORT_AGAIN) from None
            raise
        return words

    def _declaration(self, keyword: bytes) -> None:
        at = self.at
        if not keyword.startswith(b"$"):
            self._refuse_word(keyword)
        words = self._section(keyword)
        try:
            if keyword == b"$var":
                self._variable(words)
            elif keyword == b"$timescale":
                self.timescale_fs = timescale_fs(b"".join(words))
            elif keyword == b"$scope":
                self._scope(words)
            elif keyword == b"$upscope" and self.scopes:
                self.scopes.pop()
        except BodyError as error:
            raise BodyError(error.what, at, error.remedy) from None

    def _refuse_word(self, word: bytes) -> None:
        if self.channels and (word[:1] == b"#" or word[:1] in b"01xXzZbBrR"):
            raise BodyError(f"the samples begin with {quoted(word)} before $enddefinitions", self.at, EXPORT_AGAIN)
        raise BodyError(
            f"this is no VCD file: a keyword such as $timescale or $var is expected, not {quoted(word)}",
            self.at,
            "export the capture as VCD, or as CSV with a .csv name",
        )

    def _scope(self, words: list[bytes]) -> None:
        self.scopes.append(words[1] if len(words) > 1 else b"")
        if len(self.scopes) > limits.MAX_SCOPE_DEPTH:
            raise BodyError(
                f"scopes are nested more than {limits.MAX_SCOPE_DEPTH} deep", None, "export only the lines of the bus"
            )
        if sum(map(len, self.scopes)) + len(self.scopes) > limits.MAX_NAME_BYTES:
            raise BodyError(
                f"the scope names are longer than {limits.MAX_NAME_BYTES} bytes",
                None,
                "shorten the names and export again",
            )

    def _variable(self, words: list[bytes]) -> None:
        if len(words) < 4:
            raise BodyError(
                f"$var needs a type, a width, an id and a name, not {quoted(b' '.join(words))}", None, EXPORT_AGAIN
            )
        kind, digits, code = words[:3]
        width = self._width(digits)
        if len(code) > limits.MAX_CODE_BYTES:
            raise BodyError(f"an id is longer than {limits.MAX_CODE_BYTES} bytes", None, EXPORT_AGAIN)
        name, bit_range = split_name(words[3:])
        if len(name) > limits.MAX_NAME_BYTES:
            raise BodyError(
                f"a channel name is longer than {limits.MAX_NAME_BYTES} bytes",
                None,
                "shorten the names and export again",
            )
        kind_text = printable(kind[:32])
        volts = kind_text in VOLT_KINDS
        if volts:
            width = 1  # the level that the volts stand for
        if bit_range is not None and abs(bit_range[0] - bit_range[1]) + 1 != width:
            if not volts:
                self.warnings.append(f"the range of {quoted(name)} does not fit its width of {width}: it is ignored")
            bit_range = None
        channel = Channel(
            name=printable(name) + (f"[{bit_range[0]}]" if bit_range is not None and width == 1 else ""),
            scope=".".join(map(printable, self.scopes)),
            code=code.decode("latin-1"),
            width=width,
            bit_range=bit_range,
            kind=kind_text,
        )
        self._enter(channel)

    def _width(self, digits: bytes) -> int:
        width = int(digits) if digits.isdigit() and len(digits) <= 9 else 0
        if not 1 <= width <= limits.MAX_WIDTH and digits != b"0":
            raise BodyError(
                f"the width of a channel must be 1 to {limits.MAX_WIDTH} bits, not {quoted(digits)}", None, EXPORT_AGAIN
            )
        return width or 1  # some writers give volts, strings and events no width

    def _enter(self, channel: Channel) -> None:
        known = self.widths.get(channel.code)
        if known is not None and known != (channel.width, channel.is_volts):
            raise BodyError(
                f"the id {quoted(channel.code.encode('latin-1'))} is declared twice, with different widths or types",
                None,
                EXPORT_AGAIN,
            )
        if known is None:
            self.total_bits += channel.width
        self.widths[channel.code] = channel.width, channel.is_volts
        self.channels.append(channel)
        if len(self.channels) > limits.MAX_CHANNELS:
            raise BodyError(f"more than {limits.MAX_CHANNELS} channels", None, "export only the lines of the bus")
        if self.total_bits > limits.MAX_TOTAL_BITS:
            raise BodyError(
                f"the channels have more than {limits.MAX_TOTAL_BITS} bits together",
                None,
                "export only the lines of the bus",
            )


def timescale_fs(text: bytes) -> int:
    """Return the length of a tick in femtoseconds, from the words of $timescale joined ("10ns")."""
    match = _TIMESCALE.fullmatch(text)
    if match is None:
        raise BodyError(
            f"$timescale must be a number and a unit such as '10 ns', not {quoted(text)}",
            None,
            "export the capture again or correct that line",
        )
    magnitude, unit = match.groups()
    if magnitude not in (b"1", b"10", b"100"):
        raise BodyError(
            f"timescale magnitude must be 1, 10 or 100, not {printable(magnitude[:24])}",
            None,
            "export the capture again or correct that line",
        )
    if unit not in UNITS_FS:
        raise BodyError(
            f"timescale unit must be s, ms, us, ns, ps or fs, not {quoted(unit)}",
            None,
            "export the capture again or correct that line",
        )
    return int(magnitude) * UNITS_FS[unit]


def split_name(words: list[bytes]) -> tuple[bytes, Optional[tuple[int, int]]]:
    """Split the name part of $var into the name and its range.

    ``ADDR [15:0]``, ``ADDR[15:0]``, ``A [3]`` and ``A[3]`` have ranges; an escaped name (``\\bus[0]``) stays as it is.
    """
    name, rest = words[0], b"".join(words[1:])
    if name.startswith(b"\\") and len(name) > 1:
        match = _RANGE.fullmatch(rest)
        name = name[1:]
        if match is None or match.group(1):
            return name + rest, None
    else:
        name += rest
        match = _RANGE.fullmatch(name)
        if match is None or not match.group(1):
            return name, None
        name = match.group(1)
    left = int(match.group(2))
    return name, (left, int(match.group(3)) if match.group(3) is not None else left)
