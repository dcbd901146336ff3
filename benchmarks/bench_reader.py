"""Time the capture reader on a large file: wall and processor time, memory, and the share of each reader of blocks.

Usage: python benchmarks/bench_reader.py CAPTURE... [--repeat N]
Prints figures for 100 MB of text; where the package pywellen is installed, its time to load the same file as a measure.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise.capture import BitAssignment, open_capture
from strobewise.capture.vcd import reader as vcd

OTHER = (
    "import pywellen, sys, time; started = time.perf_counter(); "
    "[v.signal for v in pywellen.Waveform(sys.argv[1]).all_vars()]; print(time.perf_counter() - started)"
)


def assignments(channels):
    places = dict.fromkeys((channel.code, position) for channel in channels if channel.is_logic for position in range(channel.width))
    return [BitAssignment(code, position, target) for target, (code, position) in enumerate(list(places)[:64])]


def read_once(path):
    wall, processor = time.perf_counter(), time.process_time()
    rows = 0
    with open_capture(str(path)) as capture:
        for block in capture.blocks(assignments(capture.header.channels)):
            rows += len(block.times)
        capture.channel_statistics()
    return time.perf_counter() - wall, time.process_time() - processor, rows


def shares(path):
    """Count the blocks that each reader takes."""
    taken = Counter()
    names = ("read_plain", "read_mixed", "read_general")
    originals = {name: getattr(vcd, name) for name in names}

    def spy(name):
        def call(*args):
            done = originals[name](*args)
            taken[name] += done is not None
            return done

        return call

    for name in names:
        setattr(vcd, name, spy(name))
    read_once(path)
    for name in names:
        setattr(vcd, name, originals[name])
    return ", ".join(f"{name.removeprefix('read_')} {taken[name]}" for name in names)


def other_reader(path):
    done = subprocess.run([sys.executable, "-c", OTHER, str(path)], capture_output=True, text=True, check=False)
    return float(done.stdout) if done.returncode == 0 else None


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("captures", metavar="CAPTURE", type=Path, nargs="+")
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    for path in options.captures:
        scale = 1e8 / path.stat().st_size
        runs = [read_once(path) for _ in range(options.repeat)]
        wall, processor = (statistics.median(run[k] for run in runs) for k in (0, 1))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        other = other_reader(path)
        compared = f", {wall / other:.2f} of pywellen's load" if other else ""
        print(
            f"{path.name}: {1e2 / wall / scale:.0f} MB/s, {wall * scale:.3f} s wall, {processor * scale:.3f} s processor for 100 MB"
            f"{compared}; {runs[0][2]} rows; peak {peak:.0f} MB; blocks: {shares(path)}"
        )


if __name__ == "__main__":
    main()
