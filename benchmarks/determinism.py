"""Whether the same captures give the same answers: under any hash seed, with any number of processes, in whatever order files lie.

Usage: python benchmarks/determinism.py [--seeds N]

Each hash seed (PYTHONHASHSEED: the order in which Python goes through sets) is a process of its own that judges every demo capture and
writes the JSON, the page, the Markdown, the cycles and the listing of it. A survey then reads copies of the folder, made in other orders,
with one process and with two. Prints what differs; the exit status is 1 where something does.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TRACES = ROOT / "traces"
SEARCH = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
COMMANDS = (("diagnose", "--json", "-"), ("diagnose", "--html", "-"), ("diagnose", "--markdown", "-"), ("cycles",), ("listing",))


def captures() -> list[Path]:
    return sorted(path for folder in ("good", "faults") for path in (TRACES / folder).rglob("*.vcd*"))


def print_digests() -> None:
    """Print a digest of everything that is said of each capture."""
    from strobewise_cli.main import main

    for path in captures():
        for command, *options in COMMANDS:
            out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
            with contextlib.redirect_stdout(out):
                status = main([command, str(path), *options])
            out.flush()
            digest = hashlib.sha256(out.buffer.getvalue()).hexdigest()  # type: ignore[attr-defined]  # it is a BytesIO
            print(path.relative_to(TRACES), " ".join((command, *options)), status, digest)


def of_seed(seed: int) -> list[str]:
    """Return the lines that print_digests prints under a hash seed."""
    environment = {**os.environ, "PYTHONHASHSEED": str(seed), "PYTHONPATH": SEARCH}
    done = subprocess.run([sys.executable, __file__, "--print"], env=environment, capture_output=True, check=True, text=True)
    return done.stdout.splitlines()


def survey_of(order: list[Path], processes: int) -> bytes:
    """Return the survey of copies of the captures that were made in an order. It tells captures by their path below the folder."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "captures"
        for path in order:
            target = folder / path.relative_to(TRACES)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target)  # with its time, which a survey tells
        command = [sys.executable, "-m", "strobewise_cli", "survey", "captures", "--json", "-", "--processes", str(processes)]
        done = subprocess.run(command, cwd=scratch, env={**os.environ, "PYTHONPATH": SEARCH}, capture_output=True, check=False)
        return done.stdout


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--print", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.print:
        print_digests()
        return 0
    said: dict[str, set[str]] = defaultdict(set)
    seeds = random.SystemRandom().sample(range(2**32), args.seeds)
    for seed in seeds:
        for line in of_seed(seed):
            what, _, digest = line.rpartition(" ")
            said[what].add(digest)
    differing = sorted(what for what, digests in said.items() if len(digests) > 1)
    what = f"{len(said)} answers on {len(captures())} captures under {args.seeds} hash seeds"
    print(f"{what}: {len(differing)} differ", *differing, sep="\n  ")
    order = captures()
    surveys = {survey_of(order, 1)}
    for processes in (1, 2, 2):
        random.shuffle(order)
        surveys.add(survey_of(order, processes))
    print(f"surveys of one folder, filled in 4 orders, with one process and with two: {len(surveys)} different")
    return 1 if differing or len(surveys) > 1 else 0


if __name__ == "__main__":
    sys.exit(main())
