"""Which reader opens a file: by how it begins, packed or not, and by its ending where that says nothing."""

from __future__ import annotations

import gzip
from contextlib import closing

import pytest

from session_files import session_bytes
from strobewise.capture.opening import FORMATS, OTHERWISE, format_of, open_capture
from strobewise.capture.raw.form import parse_raw
from strobewise.capture.raw.reader import RawCapture
from strobewise.capture.scope.reader import ScopeCapture
from strobewise.capture.source import TextSource
from strobewise.capture.vcd.reader import VcdCapture
from strobewise.capture.waves import MAGIC
from strobewise.errors import CaptureError

VCD, SESSION, WAVES, SCOPE = FORMATS
#: IEEE 1364-2005, 18.2: a file may begin with any declaration.
HEADER = b"$timescale 1 ns $end\n$scope module bus $end\n$var wire 1 ! M1 $end\n$upscope $end\n$enddefinitions $end\n#0\n1!\n#9\n"
TABLE = b"time,M1\n0,0\n1e-6,5\n2e-6,0\n"


def written(folder, name, content):
    path = folder / name
    path.write_bytes(content)
    return str(path)


def told(path):
    with closing(TextSource(path)) as source:
        return format_of(source)


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "packed"])
@pytest.mark.parametrize("name", ["capture", "a.vcd", "a.csv", "a.sr", "a.csv.gz"])
@pytest.mark.parametrize(
    "content, expected",
    [
        (b"$date today $end\n", VCD), (b"$comment", VCD), (b" \r\n\t$timescale", VCD), (b"\xef\xbb\xbf$var", VCD),
        (b"PK\x03\x04 and more", SESSION), (MAGIC + b"and more", WAVES),
        (TABLE, SCOPE), (b"time;volts\r\n0;5\r\n", SCOPE), (b"0,1\n1,0", SCOPE),
    ],
)  # fmt: skip
def test_the_content_decides_whatever_the_name_is(tmp_path, name, content, expected, pack):
    assert told(written(tmp_path, name, pack(content))) is expected


@pytest.mark.parametrize("content", [b"", b"time,volts\n", b"P", b"PK", b"\0" * 200_000, b"\0\n" * 100_000, b"hello\n"])
@pytest.mark.parametrize(
    "name, expected", [("a.vcd", VCD), ("A.VCD", VCD), ("A.Csv", SCOPE), ("a.vcd.sr", SESSION), ("a.fst", WAVES), ("x", OTHERWISE)]
)
def test_the_name_decides_where_the_content_says_nothing(tmp_path, name, content, expected):
    assert told(written(tmp_path, name, content)) is expected


def test_what_was_looked_at_is_still_read(tmp_path):
    with closing(TextSource(written(tmp_path, "capture", HEADER))) as source:
        assert format_of(source) is VCD and source.read(1 << 20) + source.read(1 << 20) == HEADER


class Dribbling(TextSource):
    """A pipe that hands over a byte at a time, and fails the test where more is asked for than was needed."""

    def __init__(self, path, least):
        super().__init__(path)
        self.least = least
        self.given = 0

    def _read(self, size):
        self.given += 1
        assert self.given <= self.least
        return super()._read(1)


@pytest.mark.parametrize("content, least, expected", [(HEADER, 1, VCD), (b"PK\x03\x04", 4, SESSION), (TABLE, len("time,M1\n0,0\n"), SCOPE)])
def test_an_endless_pipe_is_told_by_its_first_bytes(tmp_path, content, least, expected):
    with closing(Dribbling(written(tmp_path, "capture", content), least)) as source:
        assert format_of(source) is expected


def test_the_reader_opens_what_was_told(tmp_path):
    assert OTHERWISE is VCD
    for name, content in (("capture", HEADER), ("packed", gzip.compress(HEADER))):
        with open_capture(written(tmp_path, name, content)) as capture:
            assert isinstance(capture, VcdCapture) and [channel.name for channel in capture.header.channels] == ["M1"]
    with open_capture(written(tmp_path, "a.csv", TABLE)) as capture:
        assert isinstance(capture, ScopeCapture)


#: A short capture of each format that may be packed, so that a new one cannot be forgotten.
CONTENT = {"VCD": HEADER, "scope CSV": b"time,M1\n0,0\n1e-6,5\n2e-6,0\n", "session file": session_bytes()}


def read_whole(path):
    with open_capture(path) as capture:
        return sum(len(block.times) for block in capture.blocks(()))


@pytest.mark.parametrize("known", [known for known in FORMATS if known is not WAVES], ids=lambda known: known.name)
def test_what_stands_behind_a_packed_capture(tmp_path, known):
    packed = gzip.compress(CONTENT[known.name])
    name = f"a{known.endings[0]}.gz"
    whole = read_whole(written(tmp_path, name, packed))
    for harmless in (b"\0" * 100, gzip.compress(b""), b"\0" * 70_000):
        assert read_whole(written(tmp_path, name, packed + harmless)) == whole
    for junk in (b"junk", b"\0\0junk", b"\0" * 70_000 + b"junk", packed[2:]):
        with pytest.raises(CaptureError, match=r"behind the end of the packed capture stand bytes that are no gzip .* gzip -dc"):
            read_whole(written(tmp_path, name, packed + junk))
    for cut in (packed[:-4], packed + gzip.compress(b"\n")[:-4], packed + b"\x1f"):
        with pytest.raises(CaptureError, match="cut short"):
            read_whole(written(tmp_path, name, cut))


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be"])
@pytest.mark.parametrize(("name", "content"), [("a.vcd", HEADER), ("capture", HEADER), ("a.csv", TABLE)])
def test_text_of_two_bytes_a_character_is_named(tmp_path, name, content, encoding):
    mark = b"\xfe\xff" if encoding == "utf-16-be" else b""
    path = written(tmp_path, name, mark + content.decode().encode(encoding))
    with pytest.raises(CaptureError, match=r"^the text is UTF-16 \(.*\): let the program write the file itself"):
        open_capture(path)


RAW = parse_raw("1M:M1=0")


@pytest.mark.parametrize(
    ("name", "content", "reader"),
    [
        ("a.csv", TABLE, ScopeCapture), ("capture", TABLE, RawCapture), ("a.bin", TABLE, RawCapture), ("a.csv", b"\0\1" * 99, RawCapture),
        ("a.vcd", b"\n" + HEADER, VcdCapture), ("capture", b"\xef\xbb\xbf" + HEADER, VcdCapture), ("a.vcd", b"\0\1" * 99, RawCapture),
        ("a.csv", HEADER, VcdCapture), ("a.vcd", TABLE, RawCapture), ("a.raw", b"\xff\xfe" * 99, RawCapture),
    ],
)  # fmt: skip
def test_what_is_told_of_raw_samples_is_for_them_alone(tmp_path, name, content, reader):
    """As in a folder that holds several formats, and a command that names captures of two."""
    with open_capture(written(tmp_path, name, content), RAW) as capture:
        assert isinstance(capture, reader)


def test_a_waveform_file_is_no_raw_samples(tmp_path):
    with pytest.raises(CaptureError, match="waveform file"):
        open_capture(written(tmp_path, "capture", MAGIC + b"and more"), RAW)
