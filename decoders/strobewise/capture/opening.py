"""Which reader opens which file: one table. What a file holds decides; its ending only where that says nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, Optional

from ..errors import CaptureError
from ..records.raw import RawForm
from .interface import Capture
from .source import TextSource
from .waves import MAGIC as WAVES

PACKED = ".gz"  #: an ending behind the format's own
LONGEST_HEAD = 64 << 10  #: bytes that are looked at, at most
_BLANKS = b" \t\r\n"
_MARK_OF_ORDER = b"\xef\xbb\xbf"  #: before text of some programs (Unicode, 23.8)
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")  #: the same, of text in two bytes a character
AS_UTF_8 = "let the program write the file itself, not the shell (>), or save it again as UTF-8"


def _vcd(source: TextSource, rateless: bool) -> Capture:
    from .vcd.reader import VcdCapture

    return VcdCapture(source.path, source=source)


def _session(source: TextSource, rateless: bool) -> Capture:
    from .session.reader import SessionCapture

    return SessionCapture(source.path, source=source, rateless=rateless)


def _scope(source: TextSource, rateless: bool) -> Capture:
    from .scope.reader import ScopeCapture

    return ScopeCapture(source.path, source=source, rateless=rateless)


def _waves(source: TextSource, rateless: bool) -> Capture:
    from .waves.reader import open_waves

    return open_waves(source)


def _is_vcd(start: bytes, ended: bool) -> Optional[bool]:
    """A VCD begins with a keyword (IEEE 1364-2005, 18.2), which begins with $."""
    text = start.removeprefix(_MARK_OF_ORDER).lstrip(_BLANKS)
    return text.startswith(b"$") if text or ended else None


def _is_session(start: bytes, ended: bool) -> Optional[bool]:
    from .session.archive import MAGIC

    return start.startswith(MAGIC) if len(start) >= len(MAGIC) or ended or not MAGIC.startswith(start) else None


def _is_waves(start: bytes, ended: bool) -> Optional[bool]:
    from .waves import MAGIC

    return start.startswith(MAGIC) if len(start) >= len(MAGIC) or ended or not MAGIC.startswith(start) else None


def _is_table(start: bytes, ended: bool) -> Optional[bool]:
    """Some lines, then a row of numbers."""
    from .scope.header import parse_head
    from .vcd.positions import BodyError

    try:
        return True if parse_head(start, ended, rateless=True) is not None else None
    except BodyError:
        return False


class Format(NamedTuple):
    """One kind of file. A reader loads when a file asks for it."""

    name: str
    endings: tuple[str, ...]  #: in lower case
    holds: Callable[[bytes, bool], Optional[bool]]  #: told by how a file begins, and whether that is all; None: more bytes are needed
    opener: Callable[[TextSource, bool], Capture]  #: the second says that it need name no rate


FORMATS = (
    Format("VCD", (".vcd",), _is_vcd, _vcd),
    Format("session file", (".sr",), _is_session, _session),
    Format("waveform file", (".fst",), _is_waves, _waves),
    Format("scope CSV", (".csv",), _is_table, _scope),
)
OTHERWISE = FORMATS[0]  #: what a file that nothing tells of is read as: its reader says what is amiss


#: No raw samples begin so by chance.
_MARKS = (b"PK\x03\x04", b"$date", b"$version", b"$timescale", b"$comment", b"$scope", b"$var ", _MARK_OF_ORDER + b"$", WAVES)
LONGEST_MARK = max(map(len, _MARKS))


def format_of(source: TextSource) -> Format:
    """Return the format that the bytes tell, else that of the name. Raises CaptureError."""
    if source.peek(1)[:1] in _UTF_16[0] and source.peek(2)[:2] in _UTF_16:
        raise CaptureError("the text is UTF-16", source.path, remedy=AS_UTF_8)
    return _by_content(source) or _by_name(source.path) or OTHERWISE


def _by_content(source: TextSource) -> Optional[Format]:
    """Return the first row of FORMATS that the bytes fit, None where they tell nothing. Raises CaptureError."""
    start, ended = source.peek(1), False
    ended = not start
    while True:
        told: Optional[bool] = False
        for known in FORMATS:
            told = known.holds(start, ended)
            if told:
                return known
            if told is None:
                break  # it may yet be this one
        if ended or told is not None or len(start) >= LONGEST_HEAD:
            return None
        more = source.peek_on()
        start, ended = more, len(more) == len(start)


def _by_name(path: str) -> Optional[Format]:
    name = path.lower().removesuffix(PACKED)
    return next((known for known in FORMATS if name.endswith(known.endings)), None)


def _are_samples(source: TextSource) -> bool:
    """Say whether what --raw tells is of this file: neither its first bytes say otherwise, nor its name and its content together."""
    if source.peek(LONGEST_MARK).startswith(_MARKS):
        return False
    named = _by_name(source.path)
    return named is None or _by_content(source) is not named


def open_capture(path: str, raw: Optional[RawForm] = None, rateless: bool = False) -> Capture:
    """Open a capture of any format of FORMATS, packed or not, or "-" for one on standard input. Use it as a context manager.

    raw: what raw samples are, which say nothing of themselves; a capture that begins as a VCD or a session does is read as that,
    and so is one whose name and content agree.
    rateless: it has one sample for each clock of the CPU, so that it need name no rate. Raises CaptureError.
    """
    source = TextSource(path)
    try:
        if raw is not None and _are_samples(source):
            from .raw.reader import RawCapture

            return RawCapture(path, raw, source=source)
        return format_of(source).opener(source, rateless)
    except BaseException:
        source.close()
        raise
