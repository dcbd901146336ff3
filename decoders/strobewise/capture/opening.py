"""Which reader opens which file: one table. What a file holds decides; its ending only where that says nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, Optional

from ..records.raw import RawForm
from .interface import Capture
from .source import TextSource

PACKED = ".gz"  #: an ending behind the format's own
LONGEST_HEAD = 64 << 10  #: bytes that are looked at, at most
_BLANKS = b" \t\r\n"
_MARK_OF_ORDER = b"\xef\xbb\xbf"  #: before text of some programs (Unicode, 23.8)


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
_MARKS = (b"PK\x03\x04", b"$date", b"$version", b"$timescale", b"$comment", b"$scope")
LONGEST_MARK = max(map(len, _MARKS))


def format_of(source: TextSource) -> Format:
    """Return the format that the bytes tell, the first row of FORMATS that fits, else that of the name. Raises CaptureError."""
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
            return _by_name(source.path)
        more = source.peek_on()
        start, ended = more, len(more) == len(start)


def _by_name(path: str) -> Format:
    name = path.lower().removesuffix(PACKED)
    return next((known for known in FORMATS if name.endswith(known.endings)), OTHERWISE)


def open_capture(path: str, raw: Optional[RawForm] = None, rateless: bool = False) -> Capture:
    """Open a capture of any format of FORMATS, packed or not, or "-" for one on standard input. Use it as a context manager.

    raw: what raw samples are, which say nothing of themselves; a capture that begins as a VCD or a session does is read as that.
    rateless: it has one sample for each clock of the CPU, so that it need name no rate. Raises CaptureError.
    """
    source = TextSource(path)
    try:
        if raw is not None and not source.peek(LONGEST_MARK).startswith(_MARKS):
            from .raw.reader import RawCapture

            return RawCapture(path, raw, source=source)
        return format_of(source).opener(source, rateless)
    except BaseException:
        source.close()
        raise
