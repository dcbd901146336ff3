"""Write every capture of this folder anew from its scenario, bit for bit.

Usage: python traces/regenerate.py [--check] [NAME...]: --check only compares and exits with 1 when something differs.
"""

from __future__ import annotations

import csv
import gzip
import io
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "decoders"))

from strobewise.machine import load_scenario, run_scenario  # noqa: E402 (after the path is set)


def sources() -> list[dict[str, str]]:
    """Return the rows of sources.csv."""
    with open(HERE / "sources.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def render(row: dict[str, str]) -> bytes:
    """Return the bytes that a row's capture should have."""
    text = io.StringIO()
    run_scenario(load_scenario(HERE / row["scenario"])).write_vcd(text)
    return text.getvalue().encode()


def packed(content: bytes) -> bytes:
    """Return the content in gzip form, the same for the same content."""
    out = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=out, mtime=0) as file:
        file.write(content)
    return out.getvalue()


def unpacked(path: Path) -> bytes:
    """Return a capture's text; the packing library's version may change the packed bytes, never these."""
    raw = path.read_bytes()
    return gzip.decompress(raw) if path.suffix == ".gz" else raw


def main(arguments: list[str]) -> int:
    check = "--check" in arguments
    wanted = [name for name in arguments if name != "--check"]
    status = 0
    for row in sources():
        path = HERE / row["file"]
        if wanted and path.name.partition(".")[0] not in wanted:
            continue
        content = render(row)
        if check:
            same = path.exists() and unpacked(path) == content
            status |= not same
            print(f"{row['file']}: {'the same' if same else 'differs'}")
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(packed(content) if path.suffix == ".gz" else content)
        print(f"{row['file']}: {path.stat().st_size} bytes")
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
