"""Healthy machines with one lead at fault go through diagnose: each fault found that names none of the altered lines is wrong.

Usage: python benchmarks/lead_faults.py [--count N] [--seed N] [--jobs N] [--kinds stuck,inverted,...] [--verbose]

The machines are those of healthy_machines.py: random programs, clocks, rates, leads and dialects. One lead, more often that of a
strobe than another one, is stuck at a level (throughout, or from some moment on), inverted, off (it floats), exchanged with another
one, on the pin of another one, in touch with it (both low where one is), or does not move for a while. The capture is altered, not
the machine, so the board is good: what the verdict may say is that line, or nothing. Right: each fault that is found names an altered
line. Silent: none is found. Wrong: one names other lines alone, or none.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import random
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from healthy_machines import machine_of, not_known_at_first

from strobewise import Options, diagnose
from strobewise.bus.lines import BIT, CONTROL
from strobewise.machine.simulate import SimulatedCapture

Levels = dict[str, int]
Change = Callable[[float, Levels], Levels]  #: (share of the capture gone by, levels by line) -> levels by line
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")


class AlteredCapture(SimulatedCapture):
    """A capture whose leads were changed."""

    change: Change

    def _changes(self) -> Iterator[tuple[int, int]]:
        events = list(super()._changes())
        end = events[-1][0] or 1
        lines = self.scenario.capture.lines
        before = None
        for tick, word in events:
            levels = self.change(tick / end, {line: word >> BIT[line] & 1 for line in lines})
            altered = sum(levels[line] << BIT[line] for line in lines)
            if altered != before:
                yield tick, altered
            before = altered


def _stuck(rng: random.Random, line: str, _: str) -> Change:
    level, since = rng.randrange(2), rng.choice((0.0, 0.0, 0.2, 0.5, 0.8))
    return lambda share, levels: {**levels, line: level} if share >= since else levels


def _floats(rng: random.Random, line: str, _: str) -> Change:
    def change(share: float, levels: Levels) -> Levels:
        if rng.random() < 0.01:
            change.level ^= 1  # type: ignore[attr-defined]
        return {**levels, line: change.level}  # type: ignore[attr-defined]

    change.level = rng.randrange(2)  # type: ignore[attr-defined]
    return change


def _absent(rng: random.Random, line: str, _: str) -> Change:
    begin = rng.uniform(0.1, 0.8)
    return lambda share, levels: {**levels, line: 1} if begin <= share < begin + 0.07 else levels


def _bridged(_: random.Random, line: str, other: str) -> Change:
    def change(_: float, levels: Levels) -> Levels:
        both = levels[line] & levels[other]
        return {**levels, line: both, other: both}

    return change


KINDS: dict[str, Callable[[random.Random, str, str], Change]] = {
    "stuck": _stuck,
    "inverted": lambda rng, line, other: lambda share, levels: {**levels, line: 1 - levels[line]},
    "exchanged": lambda rng, line, other: lambda share, levels: {**levels, line: levels[other], other: levels[line]},
    "on another pin": lambda rng, line, other: lambda share, levels: {**levels, line: levels[other]},
    "bridged": _bridged,
    "floats": _floats,
    "absent": _absent,
}
OF_TWO = ("exchanged", "on another pin", "bridged")


def judge(job: tuple[int, tuple[str, ...]]) -> tuple[int, str, str, str]:
    """Return the seed, the kind of fault, what came of it, and a line that tells of it."""
    seed, kinds = job
    made = machine_of(seed)
    rng = random.Random(f"lead/{seed}")
    captured = list(made.scenario.capture.lines)
    kind = rng.choice(kinds)
    strobes = [line for line in captured if line in STROBES]
    line = rng.choice(strobes if rng.random() < 0.6 else captured)
    others = [each for each in (strobes if rng.random() < 0.6 and len(strobes) > 1 else captured) if each != line]
    other = rng.choice(others)
    altered = {line, other} if kind in OF_TWO else {line}
    capture = AlteredCapture(made.scenario, made.scenario.seed)
    capture.change = KINDS[kind](rng, line, other)
    options: dict[str, Any] = {"clock_hz": made.scenario.machine.clock_hz if rng.random() < 0.5 else None}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.vcd"
        with open(path, "w", encoding="ascii") as file:
            capture.write_vcd(file)
        path.write_text(not_known_at_first(path.read_text(encoding="ascii"), made.start), encoding="ascii")
        said = diagnose([path], Options(**options))
    faults = [finding for finding in said.findings if finding.severity == "fault"]
    strays = [finding for finding in faults if altered.isdisjoint(finding.lines)]
    outcome = "wrong" if strays else "right" if faults else "silent"
    shot, words = made.scenario.capture, "; ".join(f"{f.rule} {'/'.join(f.lines)}: {f.evidence}" for f in strays or faults)
    told = (f"{kind} {line}{f' and {other}' if kind in OF_TWO else ''}, {made.scenario.machine.clock_hz / 1e6:.3f} MHz at "
            f"{shot.sample_hz / 1e6:.3f} MHz, {made.start or '-'}, leads {' '.join(each for each in captured if each in CONTROL)} "
            f"and {sum(each not in CONTROL for each in captured)} of the buses: {words}")  # fmt: skip
    return seed, kind, outcome, told


def _table(counts: dict[str, collections.Counter[str]]) -> Iterable[str]:
    for kind, of_kind in counts.items():
        yield f"{kind:<15}" + "  ".join(f"{outcome} {of_kind[outcome]:4}" for outcome in ("right", "silent", "wrong"))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--verbose", action="store_true", help="tell of each capture, not of the wrong ones alone")
    args = parser.parse_args()
    kinds = tuple(args.kinds.split(","))
    counts: dict[str, collections.Counter[str]] = {kind: collections.Counter() for kind in kinds}
    with multiprocessing.Pool(args.jobs) as pool:
        for seed, kind, outcome, told in pool.imap(judge, ((seed, kinds) for seed in range(args.seed, args.seed + args.count))):
            counts[kind][outcome] += 1
            if outcome == "wrong" or args.verbose:
                print(f"{seed}: {outcome}: {told}", flush=True)
    print("\n".join(_table(counts)))
    wrong = sum(of_kind["wrong"] for of_kind in counts.values())
    print(f"{wrong} of {args.count} wrong")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
