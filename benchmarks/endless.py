"""An endless capture for ``strobewise watch``: one tenth of a second of a simulated machine, again and again, with rising times.

    python benchmarks/endless.py CAPTURE.vcd --gigabytes 20 --fault-at 19.5 | strobewise watch -

CAPTURE: at least 105 ms with M1, as made by

    strobewise simulate traces/scenarios/healthy-eight.toml --duration 106ms -o CAPTURE.vcd

A piece between two fetches is chosen and stretched by some millionths to the length of a tile, so that the joints look like
any other place of the bus. All times of a tile differ from those of the next in their leading digits alone: one replacement of
bytes makes a tile, faster than any reader. --fault-at: after so many gigabytes /M1 stays high for two milliseconds in one tile.
--bursts: so many times, spread by chance over the whole stream, /M1 stays high for --burst-ms at some place of a tile.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

import numpy as np

from strobewise.bus.lines import BIT
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels

TILE_TICKS = 10**8  # 0.1 s in nanoseconds
FAULT_TICKS = 2_000_000
PLACE = b"@@@@@"  # the five leading digits, put in for each tile
FIRST = 10_000  # the first tile, so that all have five digits: 90,000 tiles are two and a half hours


def read(path):
    """Return times (ns) and words of a capture, and the names of its lines."""
    with open_capture(path) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
        scale = capture.header.timescale_fs // 10**6
    times = np.concatenate([block.times for block in blocks]) * scale
    words = np.concatenate([block.words for block in blocks])
    return times, words, sorted((name for name in channels.channels if name in BIT), key=BIT.__getitem__)


def piece(times, words):
    """Return the rows of a piece that is one tile long, from a fetch to a fetch, times from 0."""
    m1 = np.uint64(1 << BIT["M1"])
    falls = np.flatnonzero((words[1:] & m1 == 0) & (words[:-1] & m1 != 0)) + 1
    ends = np.searchsorted(times[falls], times[falls] + TILE_TICKS)
    best = None
    for start, end in zip(falls.tolist(), ends.tolist(), strict=True):
        for k in (end - 1, end):
            if 0 <= k < len(falls) and words[falls[k]] == words[start] and words[falls[k] - 1] == words[start - 1]:
                error = abs(int(times[falls[k]] - times[start]) - TILE_TICKS)
                if best is None or error < best[0]:
                    best = (error, start, int(falls[k]))
    if best is None or best[0] > TILE_TICKS // 10_000:
        sys.exit("no piece of the capture fits: make it longer")
    _, start, end = best
    length = int(times[end] - times[start])
    return (times[start:end] - times[start]) * TILE_TICKS // length, words[start:end]


def without_m1(times, words, start, ticks):
    """Return the words with /M1 high for a while."""
    broken = words.copy()
    broken[(times >= start) & (times < start + ticks)] |= np.uint64(1 << BIT["M1"])
    return broken


def text(times, words, lines):
    """Return a tile: rows of #TIME and changes, its leading digits still open."""
    rows = []
    before = int(words[-1])  # the tile before ends so
    for at, word in zip(times.tolist(), words.tolist(), strict=True):
        changed = word ^ before
        changes = "".join(f" {word >> BIT[name] & 1}{chr(33 + i)}" for i, name in enumerate(lines) if changed >> BIT[name] & 1)
        if changes:
            rows.append(f"#@@@@@{at:08d}{changes}\n")
        before = word
    return "".join(rows).encode()


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("capture")
    parser.add_argument("--gigabytes", type=float, default=20.0)
    parser.add_argument("--fault-at", type=float, default=None, metavar="GIGABYTES")
    parser.add_argument("--bursts", type=int, default=0)
    parser.add_argument("--burst-ms", type=float, default=0.3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--live", action="store_true", help="no faster than the machine itself runs")
    args = parser.parse_args()
    times, words, lines = read(args.capture)
    times, words = piece(times, words)
    healthy = text(times, words, lines)
    faulty = text(times, without_m1(times, words, TILE_TICKS // 2, FAULT_TICKS), lines)
    chance = random.Random(args.seed)
    whole = max(args.bursts, int(args.gigabytes * 1e9 / len(healthy)))
    bursts = {tile: chance.randrange(TILE_TICKS - round(args.burst_ms * 1e6)) for tile in chance.sample(range(whole), args.bursts)}
    out = sys.stdout.buffer
    names = "".join(f"$var wire 1 {chr(33 + i)} {name} $end\n" for i, name in enumerate(lines))
    out.write(f"$timescale 1 ns $end\n{names}$enddefinitions $end\n".encode())
    first = "".join(f" {int(words[-1]) >> BIT[name] & 1}{chr(33 + i)}" for i, name in enumerate(lines))
    out.write(f"#{FIRST * TILE_TICKS - 100}{first}\n".encode())
    sent, number, started = 0, FIRST, time.monotonic()
    fault_at = None if args.fault_at is None else args.fault_at * 1e9
    while sent < args.gigabytes * 1e9:
        tile = healthy
        if fault_at is not None and sent >= fault_at:
            tile, fault_at = faulty, None
            print(f"fault in the tile from {number * TILE_TICKS / 1e9:.1f} s on", file=sys.stderr)
        if number - FIRST in bursts:
            start = bursts[number - FIRST]
            tile = text(times, without_m1(times, words, start, round(args.burst_ms * 1e6)), lines)
            print(f"burst at {(number * TILE_TICKS + start) / 1e9:.6f} s", file=sys.stderr)
        if args.live:
            time.sleep(max(0.0, started + (number - FIRST) * TILE_TICKS / 1e9 - time.monotonic()))
        out.write(tile.replace(PLACE, b"%05d" % number))
        sent, number = sent + len(tile), number + 1
    out.flush()
    took = time.monotonic() - started
    print(f"{sent / 1e9:.2f} GB in {took:.1f} s, {sent / 1e6 / took:.0f} MB/s, {number - FIRST} tiles", file=sys.stderr)


if __name__ == "__main__":
    main()
