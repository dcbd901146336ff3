"""How `strobewise watch` keeps up with raw samples from a pipe: seconds of the stream per second on the clock, and its memory.

    python benchmarks/raw_stream.py --seconds 20

Two machines as an analyser would send them: eight leads at 24 MHz, and sixteen at 12 MHz; one tenth of a second of the simulated
bench, again and again. 1.0 or better keeps up with the analyser. The start of the program is part of the time. On a machine that has
other work to do the second figure says more: processor seconds for a second of the stream, which two processors share.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from endless import TILE_TICKS, piece, read

from strobewise.bus.lines import BIT

ROOT = Path(__file__).resolve().parents[1]
SIXTEEN = ["M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "WAIT", "INT", *(f"D{bit}" for bit in range(8))]
STREAMS = (("8 leads at 24 MHz", "healthy-eight", None, 24), ("16 leads at 12 MHz", "healthy-full", SIXTEEN, 12))


def tile(scenario, wanted, megahertz, folder):
    """Return a tenth of a second of a machine as raw samples, and the names of its leads."""
    capture = str(Path(folder) / f"{scenario}.vcd")
    command = ["simulate", str(ROOT / "traces" / "scenarios" / f"{scenario}.toml"), "--duration", "106ms", "-o", capture]
    subprocess.run([sys.executable, "-m", "strobewise_cli", *command], check=True, stdout=subprocess.DEVNULL)
    times, words, lines = read(capture)
    times, words = piece(times, words)
    lines = wanted or lines
    at = np.searchsorted(times, np.arange(0, TILE_TICKS, 1000 / megahertz), "right") - 1
    levels = [(words[at] >> np.uint64(BIT[line]) & np.uint64(1)).astype(np.uint16) << number for number, line in enumerate(lines)]
    samples = np.bitwise_or.reduce(levels)
    return (samples.astype(np.uint8) if len(lines) <= 8 else samples.astype("<u2")).tobytes(), lines


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="of the stream")
    args = parser.parse_args()
    for name, scenario, wanted, megahertz in STREAMS:
        with tempfile.TemporaryDirectory() as folder:
            data, lines = tile(scenario, wanted, megahertz, folder)
        raw = f"{megahertz}M:" + ",".join(f"{line}={bit}" for bit, line in enumerate(lines))
        started = time.monotonic()
        command = [sys.executable, "-m", "strobewise_cli", "watch", "-", "--keep-going", "--raw", raw]
        watch = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        tiles, seconds = round(args.seconds * 10), round(args.seconds * 10) / 10
        for _ in range(tiles):
            watch.stdin.write(data)
        watch.stdin.close()
        told = watch.stdout.read().decode()
        _, _, used = os.wait4(watch.pid, 0)
        took = time.monotonic() - started
        cpu = (used.ru_utime + used.ru_stime) / seconds
        print(f"{name}: {seconds / took:.2f} seconds of the stream a second ({took:.1f} s for {seconds:g} s)", end="; ")
        print(f"{cpu:.2f} processor seconds for each, {used.ru_maxrss >> 10} MiB", end="; ")
        print("no fault seen" if "no fault seen" in told else told)


if __name__ == "__main__":
    main()
