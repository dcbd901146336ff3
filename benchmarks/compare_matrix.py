"""compare on a healthy machine against the same machine with each fault: does it name the line that the fault spoils?

Usage: python benchmarks/compare_matrix.py [--rounds N] [--seed N] [--only FAULT] [--healthy N] [--jobs N] [--list]

The pairs come from the fault matrix: the same machine and the same leads twice, once without the fault, from another moment and with
other noise. What is said is judged by the simulation's own truth:
  in sentence   the sentence on top names a line that the fault spoils
  in report     a line of it stands in a new finding, a changed line state or a moved edge, though not on top
  part only     they differ and a new finding blames the right part, but no line is named (or the fault spoils none)
  differ        they differ, but neither line nor part is named
  alike         no difference found
  no trace      no difference found, nor is there any: the capture is edge for edge that of the healthy machine at the same moment
A repair pair is the same the other way round: "gone" counts how often the fault, with the faulty capture first and the healthy one
second, is told as gone or not seen again.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import re
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from fault_matrix import NEEDS_DEVICE, Case, leaves_a_trace, scenario_of

from strobewise import Options
from strobewise.bus.lines import bar
from strobewise.compare.comparison import Comparison, compare_diagnoses, read_side
from strobewise.machine import FAULTS, Scenario
from strobewise.machine.simulate import SimulatedCapture

OUTCOMES = ("in sentence", "in report", "part only", "differ", "alike", "no trace", "gone")


@dataclass(frozen=True)
class Result:
    """What compare said of one pair."""

    case: Case
    lines: tuple[str, ...]  #: what the fault spoils
    outcome: str
    gone: bool
    sentence: str
    back: str  #: the sentence of the pair the other way round


def twin(scenario: Scenario) -> Scenario:
    """Return the same machine and leads without the fault, captured at another moment."""
    moment = replace(scenario.capture, start_s=0.0008 if scenario.capture.start_s < 0.0004 else scenario.capture.start_s / 2)
    return replace(scenario, faults=(), capture=moment, seed=scenario.seed ^ 0x5A5A5)


def judge(case: Case) -> Result:
    """Simulate the pair, compare it both ways, and look for the spoilt lines in what was said."""
    scenario = scenario_of(case)
    profile = scenario.machine if case.fault in NEEDS_DEVICE or case.seed % 2 else None
    options = Options(clock_hz=None, profile=profile)
    with tempfile.TemporaryDirectory() as folder:
        paths = [str(Path(folder) / name) for name in ("healthy.vcd", "faulty.vcd")]
        for path, each in zip(paths, (twin(scenario), scenario), strict=True):
            with open(path, "w", encoding="ascii") as file:
                SimulatedCapture(each, each.seed).write_vcd(file)
        (good, good_run), (suspect, suspect_run) = (read_side(path, options) for path in paths)
    said = compare_diagnoses(good, suspect, good_run, suspect_run)
    back = compare_diagnoses(suspect, good, suspect_run, good_run)
    broken = scenario.faults
    lines = tuple(name for fault in broken for name in fault.lines)
    suspects = broken[0].suspects if broken else ()
    said_so = outcome(said, lines, suspects)
    if said_so == "alike" and broken and not leaves_a_trace(scenario):
        said_so = "no trace"
    return Result(case, lines, said_so, back.all_gone, said.sentence, back.sentence)


def outcome(said: Comparison, lines: tuple[str, ...], suspects: tuple[str, ...]) -> str:
    """Return how much of the fault the comparison names."""
    if said.alike:
        return "alike"
    if any(names(said.sentence, line) for line in lines):
        return "in sentence"
    new = [finding for finding in said.new if finding.severity != "note"]
    told = {line for finding in new for line in finding.lines}
    told |= {change.line for change in said.lines if change.counts} | {shift.line for shift in said.timing}
    if told & set(lines) or any(names(finding.evidence, line) for finding in new for line in lines):
        return "in report"
    return "part only" if any(finding.suspect in suspects for finding in new) else "differ"


def names(text: str, line: str) -> bool:
    """Say whether a text names a line."""
    return re.search(rf"(?<![\w/]){re.escape(bar(line))}(?!\w)", text) is not None


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", metavar="FAULT", help="only faults whose name holds this text")
    parser.add_argument("--healthy", type=int, default=10, help="pairs of two healthy captures")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="show each pair whose line the sentence does not name")
    args = parser.parse_args()
    kinds = [kind for kind in FAULTS if args.only is None or args.only in kind]
    pairs = [Case(kind, "full", args.seed + turn) for turn in range(args.rounds) for kind in kinds]
    pairs += [Case("", "full", args.seed + turn) for turn in range(args.healthy)]
    with multiprocessing.Pool(args.jobs) as pool:
        results = list(pool.imap(judge, pairs, chunksize=2))
    counts: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for result in results:
        kind = result.case.fault or "healthy"
        whole = "all with a line" if result.lines else "all without a line"
        for row in (kind, *([whole] if result.case.fault else [])):
            counts[row][result.outcome] += 1
            counts[row]["gone"] += result.gone
    print(f"{'fault':24s}" + "".join(f"{name:>13s}" for name in OUTCOMES))
    for name in sorted(counts, key=lambda name: name.startswith("all")):
        print(f"{name:24s}" + "".join(f"{counts[name][each] or '-':>13}" for each in OUTCOMES))
    if args.list:
        for result in results:
            if result.outcome != ("in sentence" if result.case.fault else "alike"):
                print(f"\n{result.case}: {'/'.join(result.lines)}: {result.outcome}\n  {result.sentence}\n  back: {result.back}")
    return int(any(result.outcome != "alike" for result in results if not result.case.fault))


if __name__ == "__main__":
    sys.exit(main())
