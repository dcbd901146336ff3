"""Waveform files for tests, written with the library's own writer."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from conftest import require_component

try:
    from pylibfst import ffi, lib
except ImportError:
    lib = None
needs_library = pytest.mark.usefixtures("wave_library")


@pytest.fixture
def wave_library():
    require_component("pylibfst", lib is not None, "pip install 'strobewise[fst]'")


def write_waves(path: Path, channels: list[tuple[str, str, int]], rows: list[tuple[int, dict[int, str]]], decade: int = -9) -> Path:
    """Write a file. channels: (scopes with dots between, name, bits); rows: (ticks of 10**decade s, {number of a channel: value})."""
    writer = lib.fstWriterCreate(str(path).encode(), 1)
    lib.fstWriterSetTimescale(writer, decade)
    handles = []
    for scopes, name, bits in channels:
        for scope in filter(None, scopes.split(".")):
            lib.fstWriterSetScope(writer, lib.FST_ST_VCD_MODULE, scope.encode(), ffi.NULL)
        handles.append(lib.fstWriterCreateVar(writer, lib.FST_VT_VCD_WIRE, lib.FST_VD_IMPLICIT, bits, name.encode(), 0))
        for _ in filter(None, scopes.split(".")):
            lib.fstWriterSetUpscope(writer)
    for time, changes in rows:
        lib.fstWriterEmitTimeChange(writer, time)
        for number, value in changes.items():
            lib.fstWriterEmitValueChange(writer, handles[number], value.encode())
    lib.fstWriterClose(writer)
    return path


def from_vcd(text: str, path: Path) -> Path:
    """Write a VCD of single bits, a change a line, as a waveform file."""
    head, _, body = text.partition("$enddefinitions $end")
    declared = re.findall(r"\$var wire 1 (\S+) (.*?) \$end", head)
    number = {code: at for at, (code, _) in enumerate(declared)}
    rows: list[tuple[int, dict[int, str]]] = []
    for word in body.split():
        if word[0] == "#":
            rows.append((int(word[1:]), {}))
        elif word[0] in "01xz":
            rows[-1][1][number[word[1:]]] = word[0]
    size, unit = re.search(r"\$timescale\s+(\d+)\s*(\w+)\s+\$end", head).groups()
    decade = len(size) - 1 - {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}[unit]
    return write_waves(path, [("", name, 1) for _, name in declared], rows, decade)
