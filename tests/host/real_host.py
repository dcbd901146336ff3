"""The real capture host as a subprocess, and its lines read back into machine cycles."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from conftest import ROOT, require_component
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.stream.labels import NOTE_WORDS, WORDS
from strobewise.stream.pins import CHANNELS

PLUG_INS = ROOT / "decoders" / "host"
HOST = shutil.which("sigrok-cli")
NAMES = ("strobewise_cycles", "strobewise_faults", "strobewise_instructions", "strobewise_strobes")
KIND = {words.long: kind for kind, words in WORDS.items()}
NOTE = {words.long: note for note, words in NOTE_WORDS.items()}
_LINE = re.compile(r"(\d+)-(\d+) strobewise_(\w+)-\d: (.*)")
_BEGUN = re.compile(r"(.+?)(?: at (0x[0-9a-f]{4}))?(?:: (0x[0-9a-f]{2}))?( \(inferred\))?$")
_ENDED = re.compile(r"(?:(\d+) T-states|length not known)(?:, (.*))?$")


def need_host() -> None:
    """Skip without the host, fail in CI."""
    require_component("the capture host", HOST, "install sigrok-cli, without its bundled decoders")


def host_bytes(*arguments: object, plug_ins: Path = PLUG_INS) -> bytes:
    """Run the host; returns its standard output, and fails when it says anything else."""
    done = _run(arguments, plug_ins)
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout


def run_host(*arguments: object, plug_ins: Path = PLUG_INS) -> subprocess.CompletedProcess[str]:
    """Run the host and return what became of it, as text."""
    done = _run(arguments, plug_ins)
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


def _run(arguments: tuple[object, ...], plug_ins: Path) -> subprocess.CompletedProcess[bytes]:
    # Our plug-ins alone; the engine comes to them by their own means, not by PYTHONPATH.
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    environment |= {"SIGROKDECODE_DIR": str(plug_ins), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run([str(HOST), *map(str, arguments)], capture_output=True, check=False, timeout=300, env=environment)


def mapping(path: Path, lines: Sequence[str] = CHANNELS) -> str:
    """Return the channel mapping of a capture under canonical names, as `strobewise prepare` writes it; lines: those that may be mapped."""
    with open_capture(str(path)) as capture:
        mapped = map_channels(capture.header.channels).channels
    return ":".join(f"{name.lower()}={name}" for name in lines if name in mapped)


def decode(
    path: Path, show: str, stack: str = "", options: str = "", base: str = "strobewise_cycles", lines: Sequence[str] = CHANNELS
) -> list[str]:
    """Return the host's lines for a prepared capture; every word on standard error fails the test."""
    chain = f"{base}:{mapping(path, lines)}{options}{stack}"
    done = run_host("-i", path, "-I", "vcd", "-P", chain, "-A", show, "--protocol-decoder-samplenum")
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


def joined(lines: list[str]) -> list[tuple[object, ...]]:
    """Return (start, end, kind, t_states, wait_states, address, data, inferred, note) of each cycle, both of its items joined."""
    begun: list[list[object]] = []
    ended: dict[int, list[tuple[int, str | None, str]]] = {}
    for line in lines:
        match = _LINE.fullmatch(line)
        assert match, line
        start, end, text = int(match[1]), int(match[2]), match[4]
        first, second, waits = _BEGUN.fullmatch(text), _ENDED.fullmatch(text), re.match(r"(\d+) wait state", text)
        if waits:
            begun[-1][3] = waits[1]
        elif second:
            ended.setdefault(start, []).append((end, second[1], NOTE[second[2] or ""]))
        elif first and first[1] in KIND:
            begun.append([start, KIND[first[1]], first[2], "0", first[3], bool(first[4])])
    rows = []
    for start, kind, address, waits, data, inferred in begun:
        assert isinstance(start, int)
        end, t_states, note = ended[start].pop(0)
        rows.append((start, end, kind, t_states or "", waits, address or "", data or "", inferred, note))
    assert not any(ended.values())
    return rows
