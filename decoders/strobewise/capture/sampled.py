"""Writing a capture anew as samples: a session file of the capture host, raw bytes, or a table of 0 and 1.

A capture that says its sample rate keeps it, and so does one whose times fit the samples of a plain rate; any other is sampled at each
tick that its VCD would have, so that none of its edges is lost. Formats: :mod:`.session.metadata`; a table is one of :mod:`.scope.header`.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from fractions import Fraction
from typing import IO

import numpy as np
import numpy.typing as npt

from ..bus.units import FS_PER_S
from . import Capture
from .channels.mapping import ChannelMap
from .records import Times, Words
from .rewrite import Changes, Plan, moved, outputs_of, plan

CHUNK_BYTES = 8 << 20  #: of an entry of a session
_EPOCH = (1980, 1, 1, 0, 0, 0)  #: of the entries, so that equal content gives equal files
_PIECE_SAMPLES = 1 << 20
_DIGITS = (2, 3, 4, 5, 6)  #: of a rate that an analyser has: 24 MHz, 12.5 MHz
_ROUNDING = Fraction(5, 4)  #: last digits by which an export may move a time: half of one, and a little where it rounds twice


def plan_samples(capture: Capture, channels: ChannelMap) -> Plan:
    """Look through a capture, which must be a file that can be read again, and decide at which rate to sample it. Raises CaptureError."""
    by_ticks = plan(capture, channels)
    step = capture.header.timescale_fs
    rounding_fs = _ROUNDING * step * _last_digit(by_ticks.changes.common)
    for rate in _rates(capture.header.rate, by_ticks.sample_interval_fs):
        per_tick = rate * step / FS_PER_S
        changes = Changes()
        for _ in moved(capture, channels, per_tick, changes):
            pass
        if not changes.lost_edges and changes.largest_shift_fs <= rounding_fs:
            outputs, left_out = outputs_of(channels)
            return Plan(outputs, left_out, round(FS_PER_S / rate), by_ticks.sample_interval_fs, changes, per_tick)
    return by_ticks


def plan_table(capture: Capture, channels: ChannelMap) -> Plan:
    """Look through a capture that is to become a table: its times stay as they are. Raises CaptureError."""
    changes = Changes()
    for _ in moved(capture, channels, Fraction(1), changes):
        pass
    return Plan(*outputs_of(channels), capture.header.timescale_fs, None, changes, Fraction(1))


def _rates(told: Fraction | None, interval_fs: float | None) -> list[Fraction]:
    """Return the rates worth trying, the most likely one first."""
    if told is not None:
        return [told]
    if interval_fs is None:
        return []
    hertz = FS_PER_S / interval_fs
    return list(dict.fromkeys(Fraction(f"{hertz:.{digits - 1}e}") for digits in _DIGITS))


def _last_digit(common: int) -> int:
    """Return the largest power of ten that divides all times: an export writes fewer digits than the capture has ticks for."""
    digit = 1
    while common and common % (10 * digit) == 0:
        digit *= 10
    return digit


def unit_bytes(made: Plan) -> int:
    """Return the bytes of a sample."""
    return -(-len(made.outputs) // 8)


def write_raw(capture: Capture, channels: ChannelMap, made: Plan, out: IO[bytes]) -> None:
    """Write raw samples: a bit for each channel, in the order of the plan, the least significant byte first. Memory stays flat."""
    for piece in _samples(capture, channels, made):
        out.write(piece.tobytes())


def write_session(capture: Capture, channels: ChannelMap, made: Plan, out: IO[bytes]) -> None:
    """Write a session file of the capture host, chunk by chunk."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        _entry(archive, "version", b"2")
        _entry(archive, "metadata", _metadata(made, capture.header.timescale_fs).encode())
        held, number = bytearray(), 1
        for piece in _samples(capture, channels, made):
            held += piece.tobytes()
            while len(held) >= CHUNK_BYTES:
                size = CHUNK_BYTES // unit_bytes(made) * unit_bytes(made)
                _entry(archive, f"logic-1-{number}", bytes(held[:size]))
                del held[:size]
                number += 1
        if held:
            _entry(archive, f"logic-1-{number}", bytes(held))


def write_table(capture: Capture, channels: ChannelMap, made: Plan, out: IO[bytes]) -> None:
    """Write a table: the time in seconds, then 0 or 1 for each channel; a row for each time at which one changes, and for the end."""
    step = capture.header.timescale_fs
    out.write(",".join(["Time [s]", *(output.name for output in made.outputs)]).encode() + b"\n")
    before: int | None = None
    for times, words in moved(capture, channels, Fraction(1), Changes()):
        bits = _bits(words, made) + ord("0")
        text = [b",".join(row) for row in bits.astype(np.uint8)[:, :, None].view("S1")[:, :, 0].tolist()]
        for time, row, word in zip(times.tolist(), text, words.tolist(), strict=True):
            if word != before:
                out.write(_seconds(time * step) + b"," + row + b"\n")
            before, last = word, row
    out.write(_seconds(made.changes.last * step) + b"," + last + b"\n")


def raw_text(made: Plan, step_fs: int) -> str:
    """Return what --raw must say of these samples."""
    rate = made.rate(step_fs)
    return f"{rate_text(rate).replace(' ', '').removesuffix('Hz')}/{unit_bytes(made)}:" + ",".join(
        f"{output.name}={bit}" for bit, output in enumerate(made.outputs)
    )


def rate_text(rate: Fraction) -> str:
    """Return a rate as the capture host writes it: 24 MHz; where that is no whole number of any unit, with a fraction."""
    for unit, size in (("GHz", 10**9), ("MHz", 10**6), ("kHz", 10**3)):
        if (rate / size).denominator == 1:
            return f"{rate / size} {unit}"
    return f"{rate} Hz" if rate.denominator == 1 else f"{float(rate):.9f} Hz"


def _seconds(femtoseconds: int) -> bytes:
    whole, rest = divmod(femtoseconds, FS_PER_S)
    return f"{whole}.{rest:015d}".rstrip("0").ljust(len(str(whole)) + 7, "0").encode()


def _bits(words: Words, made: Plan) -> npt.NDArray[np.uint64]:
    """Return the level of each channel, shape (n, channels)."""
    return words[:, None] >> np.array([output.bit for output in made.outputs], np.uint64) & np.uint64(1)


def _samples(capture: Capture, channels: ChannelMap, made: Plan) -> Iterator[npt.NDArray[np.uint8]]:
    """Yield the samples, uint8 (n, bytes of a sample), some at a time."""
    unit = unit_bytes(made)
    ticks = made.per_tick or Fraction(capture.header.timescale_fs, made.tick_fs)
    before: npt.NDArray[np.uint8] = np.empty((0, unit), np.uint8)
    begin = made.changes.first
    for times, words in moved(capture, channels, ticks, Changes()):
        packed = np.packbits(_bits(words, made).astype(np.uint8), axis=1, bitorder="little")
        rows = np.concatenate([before, packed])
        yield from _held(rows[:-1], np.diff(np.concatenate([[begin] if len(before) else [], times])).astype(np.int64))
        before, begin = rows[-1:], int(times[-1])
    yield from _held(before, np.array([made.changes.last - begin]))


def _held(rows: npt.NDArray[np.uint8], counts: Times) -> Iterator[npt.NDArray[np.uint8]]:
    """Yield each row as often as its count says, in pieces of bounded size."""
    ends = np.cumsum(counts)
    total = int(ends[-1]) if len(ends) else 0
    for at in range(0, total, _PIECE_SAMPLES):
        wanted = np.arange(at, min(at + _PIECE_SAMPLES, total))
        yield rows[np.searchsorted(ends, wanted, "right")]


def _entry(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    archive.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)


def _metadata(made: Plan, step_fs: int) -> str:
    names = "".join(f"probe{number}={_escaped(output.name)}\n" for number, output in enumerate(made.outputs, 1))
    return (
        f"[global]\nsigrok version=0.5.2\n\n[device 1]\ncapturefile=logic-1\ntotal probes={len(made.outputs)}\n"
        f"samplerate={rate_text(made.rate(step_fs))}\ntotal analog=0\n{names}unitsize={unit_bytes(made)}\n"
    )


def _escaped(name: str) -> str:
    return name.replace("\\", "\\\\")
