"""Captures that mean harm, made small and unpacked or written large only where the test needs it."""

from __future__ import annotations

import gzip
import zipfile
from pathlib import Path

HEAD = b"$timescale 1 ns $end\n"
LINES = b"$var wire 1 ! M1 $end\n$var wire 1 \" MREQ $end\n"
END = b"$enddefinitions $end\n"
BODY = b"#0 1! 1\"\n" + b"".join(b"#%d %d! %d\"\n" % (100 * i, i & 1, i >> 1 & 1) for i in range(1, 200))

ESCAPES = b"\x1b[2J\x1b]0;owned\x07\x9b31m"
MARKUP = b"<script>alert(1)</script><img/src=x/onerror=alert(2)>]]>&amp;'\""
TOML = b'x"]\n[verdict]\nstate="fault"'


def _named(name: bytes) -> bytes:
    return HEAD + b"$scope module " + name + b" $end\n" + LINES + b"$var wire 1 # " + name + b" $end\n$upscope $end\n" + END + BODY


SMALL: dict[str, bytes] = {
    "width-of-a-billion": HEAD + b"$var wire 1000000000 ! M1 $end\n" + END + b"#0 b1 !\n",
    "width-of-ten-to-the-40": HEAD + b"$var wire 1" + b"0" * 40 + b" ! M1 $end\n" + END + b"#0 b1 !\n",
    "negative-width": HEAD + b"$var wire -5 ! M1 $end\n" + END + b"#0 1!\n",
    "range-of-a-billion": HEAD + b"$var wire 4 ! A [999999999:0] $end\n" + END + b"#0 b1 !\n",
    "id-of-two-megabytes": HEAD + b"$var wire 1 " + b"!" * (2 << 20) + b" M1 $end\n" + END + b"#0 1!\n",
    "name-of-two-megabytes": HEAD + b"$var wire 1 ! " + b"M" * (2 << 20) + b" $end\n" + END + b"#0 1!\n",
    "word-of-four-megabytes": HEAD + LINES + END + b"#0 1! 1\"\n#10 b" + b"1" * (4 << 20) + b" !\n",
    "no-blank-for-megabytes": HEAD + LINES + END + b"#0 1! 1\"\n" + b"1" * (4 << 20),
    "time-of-ten-to-the-30": HEAD + LINES + END + b"#0 1! 1\"\n#1" + b"0" * 30 + b" 0!\n",
    "time-with-a-megabyte-of-digits": HEAD + LINES + END + b"#0 1! 1\"\n#" + b"9" * (1 << 20) + b" 0!\n",
    "time-that-falls": HEAD + LINES + END + b"#100 1! 1\"\n#50 0!\n",
    "greatest-time": HEAD + LINES + END + b"#0 1! 1\"\n#4000000000000000000 0!\n",
    "timescale-of-nothing": b"$timescale 0 ns $end\n" + LINES + END + BODY,
    "timescale-of-a-thousand-years": b"$timescale 1000000000000 s $end\n" + LINES + END + BODY,
    "ten-thousand-scopes": HEAD + b"$scope module s $end\n" * 10_000 + LINES + b"$upscope $end\n" * 10_000 + END + BODY,
    "upscope-without-scope": HEAD + b"$upscope $end\n" * 1000 + LINES + END + BODY,
    "header-without-end": HEAD + b"$comment " + b"x " * (1 << 20),
    "nothing": b"",
    "zeros": bytes(1 << 20),
    "not-utf-8": HEAD + b"$var wire 1 ! M1\xff\xfe $end\n" + LINES.replace(b"!", b"%") + END + BODY,
    "reals-of-no-sense": HEAD + b"$var real 64 ! M1 $end\n$var wire 1 \" R $end\n" + END + b"#0 r1e999999 ! 1\"\n#5 rnan !\n#9 r-inf !\n",
    "the-same-id-ten-thousand-times": HEAD + LINES + b"$var wire 1 ! M1 $end\n" * 10_000 + END + BODY,
    "escapes-in-names": _named(ESCAPES),
    "markup-in-names": _named(MARKUP),
    "toml-in-names": _named(TOML.replace(b"\n", b"\\n").replace(b" ", b"_")),
    "broken-gzip": gzip.compress(HEAD + LINES + END + BODY)[:-10],
    "csv-of-one-line": b"time," + b"a," * 2_000_000,
}


def write_million_channels(path: Path) -> None:
    """Write a capture that declares a million channels."""
    with open(path, "wb") as out:
        out.write(HEAD + LINES)
        for start in range(0, 1_000_000, 10_000):
            out.write(b"".join(b"$var wire 1 c%x n%x $end\n" % (i, i) for i in range(start, start + 10_000)))
        out.write(END + BODY)


def write_gzip_bomb(path: Path, megabytes: int) -> None:
    """Write a gzip file of one endless word, a thousand times smaller than what is in it."""
    with gzip.open(path, "wb", compresslevel=9) as out:
        out.write(HEAD + LINES + END + b"#0 1! 1\"\n")
        for _ in range(megabytes):
            out.write(b"1" * (1 << 20))


def write_gzip_bomb_of_comments(path: Path, megabytes: int) -> None:
    """Write a gzip file whose header never ends."""
    with gzip.open(path, "wb", compresslevel=9) as out:
        out.write(HEAD + b"$comment ")
        for _ in range(megabytes):
            out.write(b"x " * (1 << 19))


def write_session_bomb(path: Path, megabytes: int) -> None:
    """Write a small session file that unpacks to so many megabytes of samples."""
    told = b"[device 1]\nsamplerate=24 MHz\nprobe1=M1\nprobe2=MREQ\nunitsize=1\n"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", b"2")
        archive.writestr("metadata", told)
        with archive.open("logic-1-1", "w") as entry:
            for _ in range(megabytes):
                entry.write(bytes(1 << 20))
