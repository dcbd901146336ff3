"""Whether few leads, sampled slowly, show the machine cycles that all leads show, sampled fast.

Usage: python benchmarks/lead_sets.py [--count N] [--seed N] [--skew]

Each time a healthy machine is simulated twice with the same seed: once with all leads at forty samples a clock, once with a random choice
of control lines (always /MREQ, by which all else is told) at 3 to 25 samples a clock. A cycle of the second is right where the first has
one of its kind at its place, a length where it has that length, too. --skew: up to six leads come a sample early or late, as cheap
analysers do. Prints what is off; the exit status is 1 where something is.
"""

from __future__ import annotations

import argparse
import bisect
import random
import sys
import tempfile
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from strobewise.bus.calibration import TimeBase
from strobewise.bus.lines import BIT, CONTROL
from strobewise.bus.model import MachineCycle
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.records import Block
from strobewise.cycles.rebuild import Rebuild
from strobewise.machine import GENERIC, LINE_SETS, simulate
from strobewise.records.profile import Profile

CLOCKS_HZ = (1e6, 2e6, 2.5e6, 3.5e6, 4e6)
SAMPLES = (3, 3.1, 3.3, 3.5, 4, 4.2, 4.7, 5, 6, 6.86, 7.14, 8, 10, 12, 16, 25)  #: a clock; whole ones are in step with it
FINE = 40  #: samples a clock of the capture that is held for the truth
CLOCKS = 4800  #: of each capture
ENDS = 8  #: cycles that the ends of a capture may cost


class Cycle(NamedTuple):
    """One machine cycle, in T-states."""

    start: float
    kind: str
    t_states: int | None


def cycles_of(
    machine: Profile, clock_hz: float, lines: Collection[str], samples: float, seed: int, skewed: Sequence[str] = (), by: int = 0
) -> list[Cycle]:
    """Return the cycles that a capture of these lines shows; skewed: lines that come `by` samples late."""
    hz = int(clock_hz * samples)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.vcd"
        with path.open("w") as out:
            simulate(machine=machine, lines=tuple(lines), sample_hz=hz, seed=seed, duration_s=CLOCKS / clock_hz).write_vcd(out)
        with open_capture(str(path)) as capture:
            channels = map_channels(capture.header.channels)
            blocks, tick_fs = list(capture.blocks(channels.assignments)), capture.header.timescale_fs
    if skewed:
        blocks = [shifted(blocks, skewed, by, 1e15 / hz / tick_fs)]
    batches = Rebuild(channels.captured, TimeBase(tick_fs)).batches(blocks)
    rows: list[MachineCycle] = [row for batch in batches for row in batch.cycles.rows()]
    t_ticks = 1e15 / clock_hz / tick_fs
    return [Cycle(row.start / t_ticks, row.kind, row.t_states) for row in rows]


def shifted(blocks: Sequence[Block], lines: Sequence[str], by: int, sample_ticks: float) -> Block:
    """Return a capture in which all edges of some lines come so many samples later; all stay on the analyser's grid."""
    samples = np.round(np.concatenate([block.times for block in blocks]) / sample_ticks).astype(np.int64)
    words = np.concatenate([block.words for block in blocks])
    mask = np.uint64(sum(1 << BIT[line] for line in lines))
    moments = np.unique(np.concatenate([samples, samples + by]))
    moments = moments[moments >= samples[0]]
    now = np.maximum(np.searchsorted(samples, moments, "right") - 1, 0)
    then = np.maximum(np.searchsorted(samples, moments - by, "right") - 1, 0)
    return Block(np.round(moments * sample_ticks).astype(np.int64), words[now] & ~mask | words[then] & mask, None)


def wrong(seen: Sequence[Cycle], truth: Sequence[Cycle]) -> tuple[int, int, int]:
    """Return how many cycles have no one of their kind in the truth, how many another length, and how many fetches too few were seen."""
    starts = [cycle.start for cycle in truth]
    kinds = lengths = 0
    for cycle in seen:
        last = bisect.bisect(starts, cycle.start + 1.3) - 1
        near = [truth[k] for k in (last - 1, last, last + 1) if 0 <= k < len(truth) and abs(starts[k] - cycle.start) < 2.2]
        alike = [each for each in near if agrees(cycle.kind, each.kind)]
        kinds += not alike
        lengths += bool(alike) and cycle.t_states is not None and cycle.t_states not in {each.t_states for each in alike}
    return kinds, lengths, sum(each.kind == "opcode_fetch" for each in truth) - sum(each.kind == "opcode_fetch" for each in seen)


def agrees(kind: str, true: str) -> bool:
    """Say whether a kind says nothing that is not so."""
    return kind in (true, "unknown") or (kind == "memory_access" and true.startswith("memory"))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--skew", action="store_true")
    args = parser.parse_args()
    rng, off = random.Random(args.seed), 0
    for _ in range(args.count):
        clock_hz = rng.choice(CLOCKS_HZ)
        machine = replace(GENERIC, clock_hz=clock_hz)
        samples, seed = rng.choice(SAMPLES), rng.randrange(10**6)
        others = [name for name in CONTROL if name not in ("MREQ", "ROMDIS")]
        lines = sorted({"MREQ", *rng.sample(others, rng.randint(1, 9))}, key=BIT.__getitem__)
        skewed = rng.sample(lines, rng.randint(1, min(6, len(lines) - 1))) if args.skew else ()
        by = rng.choice((-1, 1))
        found = wrong(
            cycles_of(machine, clock_hz, lines, samples, seed, skewed, by), cycles_of(machine, clock_hz, LINE_SETS["full"], FINE, seed)
        )
        if max(map(abs, found)) > ENDS:
            off += 1
            late = f", {by:+} sample on {', '.join(skewed)}" if skewed else ""
            print(f"{', '.join(lines)} at {samples} samples a clock of {clock_hz / 1e6:g} MHz, seed {seed}{late}")
            print(f"    {found[0]} of another kind, {found[1]} of another length, {found[2]} fetches missing")
    print(f"{args.count - off} of {args.count} show what all leads show")
    return int(off > 0)


if __name__ == "__main__":
    sys.exit(main())
