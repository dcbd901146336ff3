"""The header of a VCD: names, ranges, timescales, scopes, and what is wrong with a bad one. Format: IEEE Std 1364-2005, clause 18."""

from __future__ import annotations

import re

import pytest

from strobewise.capture import limits, open_capture
from strobewise.errors import CaptureError

BODY = "#0\n1!\n"
AGAIN = "export the capture again as VCD"


def head(*variables, timescale="1 ns"):
    lines = [f"$timescale {timescale} $end", *variables, "$enddefinitions $end"]
    return "\n".join(lines) + "\n" + BODY


def opened(tmp_path, text):
    path = tmp_path / "c.vcd"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    with open_capture(str(path)) as capture:
        return capture


@pytest.mark.parametrize(
    "text, femtoseconds",
    [("1 s", 10**15), ("10ms", 10**13), ("100 us", 10**11), ("1ns", 10**6), ("10 ps", 10**4), ("100\nfs", 100), ("1 fs", 1)],
)
def test_timescales(tmp_path, text, femtoseconds):
    assert opened(tmp_path, head("$var wire 1 ! a $end", timescale=text)).header.timescale_fs == femtoseconds


def test_a_missing_timescale_is_reported_and_taken_as_1_ns(tmp_path):
    capture = opened(tmp_path, "$var wire 1 ! a $end $enddefinitions $end\n" + BODY)
    assert capture.header.timescale_fs == 10**6
    assert capture.warnings == ["the header has no $timescale: one tick is taken as 1 ns"]


@pytest.mark.parametrize(
    "declared, name, label, indices",
    [
        ("16 ! ADDR [15:0]", "ADDR", "ADDR[15:0]", tuple(range(16))),
        ("16 ! ADDR[15:0]", "ADDR", "ADDR[15:0]", tuple(range(16))),
        ("4 ! D [0:3]", "D", "D[0:3]", (3, 2, 1, 0)),
        ("4 ! A [7:4]", "A", "A[7:4]", (4, 5, 6, 7)),
        ("3 ! V [-1:1]", "V", "V[-1:1]", (1, 0, -1)),
        ("1 ! A [3]", "A[3]", "A[3]", (3,)),
        ("1 ! A[3]", "A[3]", "A[3]", (3,)),
        ("8 ! D", "D", "D", tuple(range(8))),
        ("1 ! /M1", "/M1", "/M1", (0,)),
        ("1 ! \\bus[0]", "bus[0]", "bus[0]", (0,)),
        ("8 ! \\odd.name [7:0]", "odd.name", "odd.name[7:0]", tuple(range(8))),
        ("1 ! M1\x1b[2J", "M1 [2J", "M1 [2J", (0,)),
        ("1 ! M1\u202e\u0085x", "M1\ufffd\ufffdx", "M1\ufffd\ufffdx", (0,)),
        ("1 ! Channel 1", "Channel 1", "Channel 1", (0,)),
        ("4 ! my bus [3:0]", "my bus", "my bus[3:0]", (0, 1, 2, 3)),
        ("4 ! my bus [3 : 0]", "my bus", "my bus[3:0]", (0, 1, 2, 3)),
        ("1 ! Übertrag", "Übertrag", "Übertrag", (0,)),
    ],
)
def test_names_and_ranges(tmp_path, declared, name, label, indices):
    (channel,) = opened(tmp_path, head(f"$var wire {declared} $end")).header.channels
    assert (channel.name, channel.label, channel.indices()) == (name, label, indices)
    assert [channel.position(index) for index in indices] == list(range(channel.width))


def test_a_range_that_does_not_fit_the_width_is_reported_and_ignored(tmp_path):
    capture = opened(tmp_path, head("$var wire 8 ! D [15:0] $end"))
    assert capture.header.channels[0].bit_range is None
    assert capture.warnings == ["the range of 'D' does not fit its width of 8: it is ignored"]


def test_scopes_aliases_kinds_and_unknown_sections(tmp_path):
    text = (
        "META samplerate: 24000000\n$date today $end $version v $end $comment $var wire 1 ! no $end\n$timescale 1 ns $end\n"
        "$attrbegin misc 07 x $end $scope module top $end $scope module cpu $end\n$var reg 1 ! m1 $end $upscope $end\n"
        "$var wire 1 ! M1_copy $end $var real 64 v volts $end $var string 0 s text $end $var event 1 e ev $end\n$upscope $end\n"
        "$var wire 1 $end odd $end $enddefinitions $end\n#0 1!\n"
    )
    capture = opened(tmp_path, text)
    channels = capture.header.channels
    assert [(c.scope, c.name, c.code) for c in channels[:2]] == [("top.cpu", "m1", "!"), ("top", "M1_copy", "!")]
    assert [(c.kind, c.width, c.is_volts, c.is_logic) for c in channels[2:5]] == [
        ("real", 1, True, True),
        ("string", 1, False, False),
        ("event", 1, False, False),
    ]
    assert (channels[5].name, channels[5].code) == ("odd", "$end")
    assert text[capture.header.body_offset :] == "\n#0 1!\n"


@pytest.mark.parametrize("start", ["\ufeff", "META x\n", "\n\n  ", "META samplerate: 1\r\n"])
def test_what_may_stand_before_the_header(tmp_path, start):
    assert opened(tmp_path, start + head("$var wire 1 ! a $end")).header.channels[0].name == "a"


FIX = "export the capture again or correct that line"


@pytest.mark.parametrize(
    "text, message",
    [
        ("", f"the file is empty (PATH): {AGAIN}"),
        (" \n\n", f"the file is empty (PATH): {AGAIN}"),
        (
            "hello world\n",
            "this is no VCD file: a keyword such as $timescale or $var is expected, not 'hello' (PATH, line 1, byte 0): "
            "export the capture as VCD, or as CSV with a .csv name",
        ),
        (
            b"\x89PNG\r\n\x1a\n",
            "this is no VCD file: a keyword such as $timescale or $var is expected, not '\ufffdPNG' (PATH, line 1, byte 0): "
            "export the capture as VCD, or as CSV with a .csv name",
        ),
        ("$date today $end\n$var wire", f"'$var' has no $end (PATH, line 2, byte 17): {AGAIN}"),
        ("$timescale 1 ns $end\n", f"the file ends before $enddefinitions (PATH, line 2, byte 21): {AGAIN}"),
        (
            "$timescale 1 ns $end $var wire 1 ! a $end\n#0\n1!\n",
            f"the samples begin with '#0' before $enddefinitions (PATH, line 2, byte 42): {AGAIN}",
        ),
        ("$timescale 25 ns $end", f"timescale magnitude must be 1, 10 or 100, not 25 (PATH, line 1, byte 0): {FIX}"),
        ("\n$timescale 1 xs $end", f"timescale unit must be s, ms, us, ns, ps or fs, not 'xs' (PATH, line 2, byte 1): {FIX}"),
        ("$timescale fast $end", f"$timescale must be a number and a unit such as '10 ns', not 'fast' (PATH, line 1, byte 0): {FIX}"),
        ("$timescale 1.5 ns $end", f"$timescale must be a number and a unit such as '10 ns', not '1.5ns' (PATH, line 1, byte 0): {FIX}"),
        (
            "$timescale 1 ns $end\n$enddefinitions $end\n#0\n",
            "the header declares no channels (PATH, line 2, byte 37): export the capture with its channels switched on",
        ),
        (
            "$var wire -1 ! a $end",
            f"the width of a channel must be 1 to 65536 bits, not '-1' (PATH, line 1, byte 0): {AGAIN}",
        ),
        (
            "$var wire 99999999999999999999999999 ! a $end",
            f"the width of a channel must be 1 to 65536 bits, not '999999999999999999999999...' (PATH, line 1, byte 0): {AGAIN}",
        ),
        (f"$var wire 1 ! {'a ' * 70} $end", f"'$var' has more than 64 words (PATH, line 1, byte 0): {AGAIN}"),
        ("$var wire 1 ! $end", f"$var needs a type, a width, an id and a name, not 'wire 1 !' (PATH, line 1, byte 0): {AGAIN}"),
        (
            "$var wire 1 ! a $end\n$var wire 2 ! b $end",
            f"the id '!' is declared twice, with different widths or types (PATH, line 2, byte 21): {AGAIN}",
        ),
        (
            "$scope module a $end " * 257,
            "scopes are nested more than 256 deep (PATH, line 1, byte 5376): export only the lines of the bus",
        ),
        (
            f"$scope module {'a' * 2000} $end",
            "the scope names are longer than 1024 bytes (PATH, line 1, byte 0): shorten the names and export again",
        ),
        (
            f"$var wire 1 ! {'a' * 2000} $end",
            "a channel name is longer than 1024 bytes (PATH, line 1, byte 0): shorten the names and export again",
        ),
        (f"$var wire 1 {'!' * 2000} a $end", f"an id is longer than 1024 bytes (PATH, line 1, byte 0): {AGAIN}"),
        (
            "".join(f"$var wire 65536 {k} a $end " for k in range(17)),
            "the channels have more than 1048576 bits together (PATH, line 1, byte 406): export only the lines of the bus",
        ),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, message):
    with pytest.raises(CaptureError, match="^" + re.escape(message.replace("PATH", str(tmp_path / "c.vcd"))) + "$"):
        opened(tmp_path, text)


def test_an_endless_header_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "MAX_HEADER_BYTES", 1 << 18)
    message = f"no $enddefinitions in the first 262144 bytes ({tmp_path / 'c.vcd'}, line 1, byte 0): {AGAIN}"
    with pytest.raises(CaptureError, match="^" + re.escape(message) + "$"):
        opened(tmp_path, "$comment " + "x" * 300_000)


def test_too_many_channels_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "MAX_CHANNELS", 10)
    variables = [f"$var wire 1 {k} a $end" for k in range(11)]
    with pytest.raises(CaptureError, match=r"^more than 10 channels \(.*, line 12, byte 231\): export only the lines of the bus$"):
        opened(tmp_path, head(*variables))


def test_a_file_that_is_not_there(tmp_path):
    path = tmp_path / "none.vcd"
    with pytest.raises(CaptureError, match="^" + re.escape(f"no such file ({path}): check the name") + "$"):
        open_capture(str(path))
    with pytest.raises(CaptureError, match="^" + re.escape(f"this is a folder, not a capture ({tmp_path}): name a file in it") + "$"):
        open_capture(str(tmp_path))
