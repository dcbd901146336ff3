"""Session files written by hand, entry by entry, as the capture host writes them."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

METADATA = """[global]
sigrok version=0.5.2

[device 1]
capturefile=logic-1
total probes={probes}
samplerate={rate}
total analog={analogs}
{names}
unitsize={unit}
"""


def metadata(names: Sequence[str], volts: Sequence[str] = (), rate: str = "24 MHz", unit: int = 1) -> str:
    """Return metadata with these channels."""
    told = [f"probe{number}={name}" for number, name in enumerate(names, 1)]
    told += [f"analog{number}={name}" for number, name in enumerate(volts, len(names) + 1)]
    return METADATA.format(probes=len(names), analogs=len(volts), rate=rate, names="\n".join(told), unit=unit)


def write_session(
    path: Path,
    names: Sequence[str],
    chunks: Sequence[bytes],
    volts: Sequence[tuple[str, Sequence[bytes]]] = (),
    rate: str = "24 MHz",
    unit: int = 1,
    method: int = zipfile.ZIP_DEFLATED,
) -> Path:
    """Write a session: raw samples chunk by chunk, and the float32 chunks of each channel of volts."""
    entries = {"version": b"2", "metadata": metadata(names, [name for name, _ in volts], rate, unit).encode()}
    entries |= {f"logic-1-{number}": chunk for number, chunk in enumerate(chunks, 1)}
    for at, (_, parts) in enumerate(volts, len(names) + 1):
        entries |= {f"analog-1-{at}-{number}": part for number, part in enumerate(parts, 1)}
    return write_entries(path, entries, method)


def session_bytes() -> bytes:
    """Return a small session."""
    with TemporaryDirectory() as folder:
        return write_session(Path(folder) / "a.sr", ["M1", "MREQ"], [bytes([0, 1, 2, 3] * 20)]).read_bytes()


def write_entries(path: Path, entries: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    """Write an archive."""
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return path
