"""Declarations of a VCD file: timescale, scopes and channels, up to $enddefinitions.

Source of the format: IEEE Std 1364-2005, clause 18. Beyond it, as files in use have them: a stray first line
``META ...``, a byte order mark, names with the range attached (``A[3]``), and unknown ``$keyword ... $end`` sections.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple, Optional

from ...bus.units import VCD_UNITS_FS
from .. import limits
from ..records import VOLT_KINDS, Channel
from .positions import BodyError

UNITS_FS = {unit.encode("ascii"): femtoseconds for unit, femtoseconds in VCD_UNITS_FS.items()}
ASSUMED_TIMESCALE_FS = 10**6
EXPORT_AGAIN = "export the capture again as VCD"

_WORD = re.compile(rb"[^\x00-\x20]+")
END = re.compile(rb"(?<![^\x00-\x20])\$end(?![^\x00-\x20])")
_MOST_WORDS = 64  #: of a $var, $scope or $timescale
_MOST_WARNINGS = 20  #: more of one kind say nothing new
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


class _NeedMore(Exception):
    """The data end inside a declaration."""


class HeaderParser:
    """Parses a header of which more and more bytes are at hand; what was parsed is not parsed again."""

    def __init__(self) -> None:
        self._data = b""
        self._complete = False
        self._words: Iterator[re.Match[bytes]] = iter(())
        self._done: Optional[int] = None  #: offset behind the last whole declaration
        self._at = 0  #: offset of the last word
        self._timescale_fs: Optional[int] = None
        self._scopes: list[bytes] = []
        self._scope_path = ""
        self._channels: list[Channel] = []
        self._widths: dict[str, tuple[int, bool]] = {}
        self._total_bits = 0
        self._warnings: list[str] = []

    def parse(self, data: bytes, complete: bool) -> Optional[Declarations]:
        """Parse the first bytes of a file, at least those of the call before; None when the header goes on behind them.

        complete: no more bytes follow. Raises BodyError with the offset of what is wrong.
        """
        if complete and not data.strip():
            raise BodyError("the file is empty", None, EXPORT_AGAIN)
        self._data, self._complete = data, complete
        self._words = _WORD.finditer(data, self._begin() if self._done is None else self._done)
        try:
            while True:
                keyword = self._next()
                if keyword == b"$enddefinitions":
                    self._skip_section(keyword)
                    return self._finish()
                self._declaration(keyword)
                self._done = self._at + len(b"$end")
        except _NeedMore:
            if not complete:
                return None
        raise BodyError("the file ends before $enddefinitions", len(data), EXPORT_AGAIN)

    def _begin(self) -> int:
        start = 3 if self._data.startswith(b"\xef\xbb\xbf") else 0
        if self._data[start : start + 5] == b"META ":  # written before the header by a capture program
            line_end = self._data.find(b"\n", start)
            return line_end + 1 if line_end >= 0 else len(self._data)
        return start

    def _finish(self) -> Declarations:
        if not self._channels:
            raise BodyError("the header declares no channels", self._at, "export the capture with its channels switched on")
        if self._timescale_fs is None:
            self._warnings.append("the header has no $timescale: one tick is taken as 1 ns")
        end = self._at + len(b"$end")
        return Declarations(self._timescale_fs or ASSUMED_TIMESCALE_FS, tuple(self._channels), end, tuple(self._warnings))

    def _next(self) -> bytes:
        match = next(self._words, None)
        if match is None:
            raise _NeedMore
        if match.end() == len(self._data) and not self._complete:
            if self._done is None and match.group()[:1] != b"$":  # no need to wait for the end of such a word
                self._at = match.start()
                self._refuse_word(match.group())
            raise _NeedMore
        self._at = match.start()
        return match.group()

    def _section(self, keyword: bytes) -> list[bytes]:
        """Return the words up to $end."""
        start = self._at
        try:
            words = [self._next() for _ in range(3)] if keyword == b"$var" else []  # an id may read "$end"
            while (word := self._next()) != b"$end":
                words.append(word)
                if len(words) > _MOST_WORDS:
                    raise BodyError(f"{quoted(keyword)} has more than {_MOST_WORDS} words", start, EXPORT_AGAIN)
        except _NeedMore:
            self._refuse_open(keyword, start)
            raise
        return words

    def _skip_section(self, keyword: bytes) -> None:
        """Go on behind $end, whatever stands before it."""
        match = END.search(self._data, self._at + len(keyword))
        if match is None or (match.end() == len(self._data) and not self._complete):
            self._refuse_open(keyword, self._at)
            raise _NeedMore
        self._at = match.start()
        self._words = _WORD.finditer(self._data, match.end())

    def _refuse_open(self, keyword: bytes, start: int) -> None:
        if self._complete:
            raise BodyError(f"{quoted(keyword)} has no $end", start, EXPORT_AGAIN) from None

    def _declaration(self, keyword: bytes) -> None:
        start = self._at
        if not keyword.startswith(b"$"):
            self._refuse_word(keyword)
        if keyword not in (b"$var", b"$timescale", b"$scope", b"$upscope"):
            self._skip_section(keyword)
            return
        words = self._section(keyword)
        try:
            if keyword == b"$var":
                self._variable(words)
            elif keyword == b"$timescale":
                self._timescale_fs = timescale_fs(b"".join(words))
            else:
                self._scope(words, keyword == b"$scope")
        except BodyError as error:
            raise BodyError(error.what, start, error.remedy) from None

    def _refuse_word(self, word: bytes) -> None:
        if self._channels and (word[:1] == b"#" or word[:1] in b"01xXzZbBrR"):
            raise BodyError(f"the samples begin with {quoted(word)} before $enddefinitions", self._at, EXPORT_AGAIN)
        raise BodyError(
            f"this is no VCD file: a keyword such as $timescale or $var is expected, not {quoted(word)}",
            self._at,
            "export the capture as VCD, or as CSV with a .csv name",
        )

    def _scope(self, words: list[bytes], opens: bool) -> None:
        if opens:
            self._scopes.append(words[1] if len(words) > 1 else b"")
        elif self._scopes:
            self._scopes.pop()
        if len(self._scopes) > limits.MAX_SCOPE_DEPTH:
            raise BodyError(f"scopes are nested more than {limits.MAX_SCOPE_DEPTH} deep", None, "export only the lines of the bus")
        if sum(map(len, self._scopes)) + len(self._scopes) > limits.MAX_NAME_BYTES:
            raise BodyError(
                f"the scope names are longer than {limits.MAX_NAME_BYTES} bytes",
                None,
                "shorten the names and export again",
            )
        self._scope_path = ".".join(map(printable, self._scopes))

    def _variable(self, words: list[bytes]) -> None:
        if len(words) < 4:
            raise BodyError(f"$var needs a type, a width, an id and a name, not {quoted(b' '.join(words))}", None, EXPORT_AGAIN)
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
            if not volts and len(self._warnings) < _MOST_WARNINGS:
                self._warnings.append(f"the range of {quoted(name)} does not fit its width of {width}: it is ignored")
            bit_range = None
        channel = Channel(
            name=printable(name) + (f"[{bit_range[0]}]" if bit_range is not None and width == 1 else ""),
            scope=self._scope_path,
            code=code.decode("latin-1"),
            width=width,
            bit_range=bit_range,
            kind=kind_text,
        )
        self._enter(channel)

    def _width(self, digits: bytes) -> int:
        width = int(digits) if digits.isdigit() and len(digits) <= 9 else 0
        if not 1 <= width <= limits.MAX_WIDTH and digits != b"0":
            raise BodyError(f"the width of a channel must be 1 to {limits.MAX_WIDTH} bits, not {quoted(digits)}", None, EXPORT_AGAIN)
        return width or 1  # some writers give volts, strings and events no width

    def _enter(self, channel: Channel) -> None:
        known = self._widths.get(channel.code)
        if known is not None and known != (channel.width, channel.is_volts):
            raise BodyError(
                f"the id {quoted(channel.code.encode('latin-1'))} is declared twice, with different widths or types",
                None,
                EXPORT_AGAIN,
            )
        if known is None:
            self._total_bits += channel.width
        self._widths[channel.code] = channel.width, channel.is_volts
        self._channels.append(channel)
        if len(self._channels) > limits.MAX_CHANNELS:
            raise BodyError(f"more than {limits.MAX_CHANNELS} channels", None, "export only the lines of the bus")
        if self._total_bits > limits.MAX_TOTAL_BITS:
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
    escaped = words[0].startswith(b"\\") and len(words[0]) > 1
    if escaped:
        words = [words[0][1:], *words[1:]]
    for count in range(1, len(words)):
        match = _RANGE.fullmatch(b"".join(words[count:]))
        if match is not None and not match.group(1):
            return b" ".join(words[:count]), _indices(match)
    name = b" ".join(words)
    match = None if escaped else _RANGE.fullmatch(name)
    if match is None or not match.group(1):
        return name, None
    return match.group(1), _indices(match)


def _indices(match: re.Match[bytes]) -> tuple[int, int]:
    left = int(match.group(2))
    return left, int(match.group(3)) if match.group(3) is not None else left
