"""Which reader opens a file: by its ending, else by its first bytes, packed or not."""

from __future__ import annotations

import gzip

import pytest

from strobewise.capture.opening import FORMATS, OTHERWISE, format_of, open_capture
from strobewise.capture.scope.reader import ScopeCapture
from strobewise.capture.vcd.reader import VcdCapture
from strobewise.errors import CaptureError

VCD, SCOPE = FORMATS
#: IEEE 1364-2005, 18.2: a file may begin with any declaration.
HEADER = b"$timescale 1 ns $end\n$scope module bus $end\n$var wire 1 ! M1 $end\n$upscope $end\n$enddefinitions $end\n#0\n1!\n#9\n"


@pytest.fixture
def other(monkeypatch):
    """A format of which VCD is not the fallback, so that only the first bytes can tell VCD."""
    monkeypatch.setattr("strobewise.capture.opening.OTHERWISE", SCOPE)
    return SCOPE


def written(folder, name, content):
    path = folder / name
    path.write_bytes(content)
    return str(path)


@pytest.mark.parametrize(
    "name, expected",
    [("a.vcd", VCD), ("A.VCD", VCD), ("a.vcd.gz", VCD), ("a.csv", SCOPE), ("A.Csv.GZ", SCOPE), ("a.csv.vcd", VCD), ("a.vcd.csv", SCOPE)],
)
def test_the_ending_decides_even_where_there_is_no_file(name, expected):
    assert format_of(name) is expected


def test_the_ending_is_believed_before_the_bytes(tmp_path):
    assert format_of(written(tmp_path, "a.csv", HEADER)) is SCOPE


@pytest.mark.parametrize("mark", VCD.first_bytes)
@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "packed"])
def test_a_name_that_says_nothing_leaves_it_to_the_first_bytes(tmp_path, other, mark, pack):
    assert format_of(written(tmp_path, "capture", pack(mark + b" x $end\n"))) is VCD


@pytest.mark.parametrize("content", [b"", b"time,volts\n0,5\n", b"$dat", b"\x1f\x8b", b"\x1f\x8b\x08\0broken", b" $date"])
def test_bytes_that_tell_nothing(tmp_path, other, content):
    assert format_of(written(tmp_path, "capture", content)) is other


def test_what_cannot_be_read_ahead_is_not_touched(tmp_path, other):
    assert format_of("-") is other and format_of(str(tmp_path)) is other and format_of(str(tmp_path / "missing")) is other


def test_the_longest_mark_is_read_whole(tmp_path, other, monkeypatch):
    longer = VCD._replace(name="long", first_bytes=(b"a mark of quite some length",), endings=(".long",))
    monkeypatch.setattr("strobewise.capture.opening.FORMATS", (*FORMATS, longer))
    assert format_of(written(tmp_path, "capture", longer.first_bytes[0])) is longer


def test_the_reader_opens_what_was_told(tmp_path):
    assert OTHERWISE is VCD
    for name, content in (("capture", HEADER), ("packed", gzip.compress(HEADER))):
        with open_capture(written(tmp_path, name, content)) as capture:
            assert isinstance(capture, VcdCapture) and [channel.name for channel in capture.header.channels] == ["M1"]
    with open_capture(written(tmp_path, "a.csv", b"time,M1\n0,0\n1e-6,5\n2e-6,0\n")) as capture:
        assert isinstance(capture, ScopeCapture)


#: A short capture of each format, so that a new one cannot be forgotten.
CONTENT = {"VCD": HEADER, "scope CSV": b"time,M1\n0,0\n1e-6,5\n2e-6,0\n"}


def read_whole(path):
    with open_capture(path) as capture:
        return sum(len(block.times) for block in capture.blocks(()))


@pytest.mark.parametrize("known", FORMATS, ids=lambda known: known.name)
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
