"""The command line as a fuzz target: bytes become arguments, which work on a few small files in a folder of their own.

Left out are the words that reach beyond the folder: ``plugins``, which installs, ``capture`` and ``--from``, which take an analyser,
``bench``, which serves until it is told to stop, ``--scheduler``, which calls another machine, and names with a slash. Times of a
simulated capture stay short.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import shutil
import tempfile
from pathlib import Path

TRACES = Path(__file__).resolve().parents[2] / "traces"
STATUS = (0, 1, 2, 3)  #: what the README promises

COMMANDS = [
    "diagnose", "cycles", "listing", "lines", "compare", "verify", "watch", "survey", "simulate", "prepare", "hookup", "stimulus",
    "explain", "case", "prove", "learn", "demo",
]  # fmt: skip
OPTIONS = [
    "--json", "--html", "--brief", "--markdown", "--map", "--map-file", "--machine", "--rom", "--stimulus", "--no-replay", "--clock",
    "--probe-at", "--format", "-o", "--check", "--expect", "--record", "--exact", "--junit", "--keep-going", "--save", "--log", "--window",
    "--ignore", "--again", "--truth", "--fault", "--list-faults", "--seed", "--like", "--lines", "--sample-rate", "--names", "--channels",
    "--symptom", "--after", "--size", "--listing", "--version", "--help", "--debug", "-", "--", "--raw", "--clocked", "--free-run",
    "--bundle", "--leads", "--minutes-on", "--because", "--was", "--part", "--at", "--note", "--before", "--rom-out", "--write-map",
]  # fmt: skip
OTHERS = [
    "two.vcd", "short.vcd.gz", "cut.vcd", "scope.csv", "board.toml", "map.toml", "expect.toml", "scenario.toml", "image.rom", "many",
    "gone", "out.json", "out.gz", "results", "csv", "jsonl", "text", "image.rom@0", "image.rom@0xFFFF", "M1=M1", "MREQ=!n_mreq",
    "M1=M1#2", "=", "A=", "M1=connector", "0", "1", "-1", "8", "40", "0.1", "nan", "inf", "3.5M", "24M", "1e400", "dead-high:line=M1",
    "shorted:lines=D3+D4", "dead-high", "fetch-strobe-missing", "dead", "eight", "two", "M1,MREQ", "plain", "generic-48k", "",
    "\x1b[2J", "é", "\udcff", "mine", "new", "add", "next", "answer", "show", "report", "withdraw", "close", "copy", "list", "pulses",
    "volts", "replaced", "cpu", "no", "samples.bin", "24M:M1=0,MREQ=1", "rising",
]  # fmt: skip
VOCABULARY = COMMANDS + OPTIONS + OTHERS
MOST_WORDS = 24
JOIN, RAW = 250, 253  #: from these bytes on a word is joined to the one before it, or spelt out
NO_NUMBERS = str.maketrans({"/": "_", "\0": None, **dict.fromkeys("123456789", "0")})  #: nothing spelt out is far away or takes hours


def words_of(data: bytes) -> list[str]:
    """Return the arguments that bytes stand for."""
    words: list[str] = []
    at = 0
    while at < len(data) and len(words) < MOST_WORDS:
        byte, at = data[at], at + 1
        if byte < JOIN:
            words.append(VOCABULARY[byte % len(VOCABULARY)])
        elif byte < RAW and len(words) > 1 and not words[-1][-1:].isdigit():
            words[-1] += VOCABULARY[data[at] % len(VOCABULARY)] if at < len(data) else "="
            at += 1
        else:
            length = data[at] % 16 if at < len(data) else 0
            words.append(data[at + 1 : at + 1 + length].decode("utf-8", "surrogateescape").translate(NO_NUMBERS))
            at += 1 + length
    return [word for word in words if word in VOCABULARY or not word.startswith(("--sc", "--pr", "--d", "--st", "--f"))]


def bytes_of(*words: str) -> bytes:
    """Return bytes that stand for words of the vocabulary."""
    return bytes(VOCABULARY.index(word) for word in words)


class Folder:
    """A folder with an input of each kind, the same before every command."""

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="strobewise-commands-"))
        good = (TRACES / "good" / "healthy-two.vcd").read_bytes()
        packed = gzip.decompress((TRACES / "good" / "healthy-full.vcd.gz").read_bytes())
        board = """name = "bench"
            clock_hz = 3_000_000
            memory = [{kind = "rom", start = 0, end = 0xff, file = "image.rom"}]
        """
        expected = """version = 1
            capture.files = ["two.vcd"]
            verdict.state = "no_fault_found"
        """
        sheet = b'version = 1\nsymptom = "dead"\nopened = "2026-01-01T00:00:00Z"\nleads = 8\n'
        entry = b'\n[[items]]\nnumber = 1\ntime = "2026-01-01T00:00:01Z"\nfile = "captures/1-two.vcd"\n'
        self.files = {
            "samples.bin": bytes(range(256)) * 4, "mine/case.toml": sheet + entry, "mine/captures/1-two.vcd": good[:4000],
            "two.vcd": good[:6000], "short.vcd.gz": gzip.compress(packed[:9000], mtime=0), "cut.vcd": good[:150],
            "scope.csv": b"time,M1,MREQ\n0,5,5\n1e-6,0,5\n2e-6,0,0\n3e-6,5,5\n", "image.rom": bytes(range(256)),
            "board.toml": board.encode(), "map.toml": b'M1 = "M1"\n', "expect.toml": expected.encode(),
            "scenario.toml": b'[capture]\nduration_s = 0.0002\nlines = "eight"\n', "many/a.vcd": good[:4000], "many/b.vcd": good[:100],
        }  # fmt: skip

    def fill(self) -> None:
        """Put everything back, and remove what a command has made."""
        for each in self.path.iterdir():
            name = each.name
            if each.is_dir() and not each.is_symlink():
                inside = {path.relative_to(self.path).as_posix() for path in each.rglob("*") if path.is_file()}
                if not inside or inside - self.files.keys():
                    shutil.rmtree(each)
            elif name not in self.files:
                each.unlink()
        for name, content in self.files.items():
            path = self.path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.is_file() or path.read_bytes() != content:
                path.write_bytes(content)


def run_words(folder: Folder, words: list[str]) -> tuple[int, str]:
    """Run a command in the folder; return its status and what it said on standard error."""
    from strobewise_cli.main import main

    before = os.getcwd()
    out, errors = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    os.chdir(folder.path)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
            try:
                status = main(words)
            except SystemExit as end:  # of --help and --version
                status = int(end.code or 0)
    finally:
        os.chdir(before)
    errors.flush()
    return status, errors.buffer.getvalue().decode("utf-8", "replace")  # type: ignore[attr-defined]  # it is a BytesIO
