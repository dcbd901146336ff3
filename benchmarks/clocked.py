"""One sample a clock against the full capture: how often the verdict is the same, and whether healthy machines give the same cycles.

Usage: python benchmarks/clocked.py [--rounds N] [--seed N] [--only FAULT] [--healthy N] [--list] [CAPTURE...]

Without captures the machines are those of the fault matrix (fault_matrix.py), each captured at its analyser's rate, and again with the
CPU's clock at the analyser's clock input, at either edge. Captures given are sampled at the edges of their own CLK. Printed are shares.
Verdicts are the same when the state and the first suspect are; the machine's clock is told to all of them. A sample rate that is too low is
no fault of a capture by the CPU's clock, and left out. Counted apart is what such a capture can not say: where its samples are those of a
machine that is well (up to the end of the shorter one), and where the full capture's verdict rests on rules alone that need CLK or spikes;
but not where the capture by the clock suspects another part of the machine, which is wrong whatever it can show.
--healthy takes machines without a fault alone, and says which of them are alarmed.
"""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from fault_matrix import FAULTS, LEAD_SETS, Case, scenario_of, stand_ins

from strobewise import Diagnosis, Options, diagnose
from strobewise.bus.clocked import EDGES
from strobewise.bus.lines import MASK
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.clocked.view import as_clocked
from strobewise.cycles.rebuild import cycle_tables
from strobewise.machine import Scenario
from strobewise.machine.simulate import SimulatedCapture
from strobewise.rules.base import CATALOGUE

NOT_HERE = ("sample-rate-low",)  #: kinds of fault that a capture by the CPU's clock cannot have
#: Rules that judge what lies between two edges of CLK, or its rate.
BETWEEN = {each.id for each in CATALOGUE if all("CLK" in lines for lines in each.needs)} | {"spikes", "clock-off-frequency"}
LOST_AT_THE_ENDS = 4  #: cycles that one of the two captures may show more of at either end


class Pair(NamedTuple):
    """A full capture of a machine, and one by its clock."""

    name: str  #: of the fault, or of the file
    leads: str
    edge: str
    full: Path
    clocked: Path
    options: Options  #: what is told of the machine
    shown: bool = True  #: the samples at the clock's edges are not those of a machine that is well


def sampled(path: Path, edge: str, out: Path) -> bool:
    """Write the samples that a capture's own CLK would have taken; False where it shows too few edges."""
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
    words = np.concatenate([block.words for block in blocks])
    high = words & np.uint64(MASK["CLK"]) != 0
    edges = np.flatnonzero((high[1:] != high[:-1]) & (high[1:] == (edge == "rising")))
    if not channels.has("CLK", "MREQ") or len(edges) < 100:
        return False
    uses = [use for use in channels.uses if use.target_bit is not None]
    lines = ["$timescale 1 ns $end"]
    lines += [f"$var wire 1 {chr(33 + at)} {use.line or f'other{at}'} $end" for at, use in enumerate(uses)] + ["$enddefinitions $end"]
    last: list[int] = []
    for number, word in enumerate(words[edges].tolist()):
        values = [word >> use.target_bit & 1 for use in uses]
        changed = [f"{value}{chr(33 + at)}" for at, value in enumerate(values) if not last or value != last[at]]
        if changed or number == len(edges) - 1:
            lines += [f"#{number}", *changed]
        last = values
    out.write_text("\n".join(lines) + "\n", encoding="ascii")
    return True


def cycles(path: Path, clock_hz: float | None, edge: str | None = None) -> list[tuple[object, ...]]:
    """Return kind, T-states and address of each machine cycle."""
    rows: list[tuple[object, ...]] = []
    with open_capture(str(path)) as capture:
        seen, channels = as_clocked(capture, map_channels(capture.header.channels), edge or "no", clock_hz)
        for table in cycle_tables(seen, channels, clock_hz):
            rows += [(row.kind, row.t_states, row.address) for row in table.rows()]
    return rows


def same_cycles(full: list[tuple[object, ...]], clocked: list[tuple[object, ...]]) -> bool:
    """Say whether the cycles are the same, but for some at either end that only one capture shows whole."""
    if abs(len(full) - len(clocked)) > LOST_AT_THE_ENDS:
        return False
    for shift in range(-LOST_AT_THE_ENDS, LOST_AT_THE_ENDS + 1):
        a, b = full[max(0, shift) :], clocked[max(0, -shift) :]
        middle = min(len(a), len(b)) - LOST_AT_THE_ENDS
        if a[LOST_AT_THE_ENDS:middle] == b[LOST_AT_THE_ENDS:middle]:
            return True
    return False


def verdict(said: Diagnosis) -> tuple[str, str]:
    """Return the state and the first suspect."""
    return said.verdict.state, said.verdict.suspects[0].suspect if said.verdict.suspects else "none"


def rests_on_the_clock(said: Diagnosis) -> bool:
    """Say whether a verdict rests on rules alone that see what one sample a clock does not show."""
    for severity in ("fault", "warning"):
        rules = {finding.rule for finding in said.findings if finding.severity == severity}
        if rules:
            return rules <= BETWEEN
    return False


def is_shown(scenario: Scenario) -> bool:
    """Say whether the samples of a capture by the clock differ from those of each machine that is well and could be meant."""
    def rows(each: Scenario) -> list[tuple[int, int]]:
        return [(time, word) for time, word, _ in SimulatedCapture(each, each.seed).words()]

    own = rows(scenario)
    for stand_in in stand_ins(scenario, scenario.machine, scenario.machine.clock_hz):
        other = rows(stand_in)
        both = min(len(own), len(other)) - 1
        if own[:both] == other[:both]:
            return False
    return True


def simulated(folder: Path, rounds: int, seed: int, kinds: Sequence[str]) -> Iterator[Pair]:
    """Yield both captures of each simulated machine, at either edge."""
    for turn in range(rounds):
        for kind in kinds:
            for leads in LEAD_SETS:
                scenario = scenario_of(Case(kind, leads, seed + turn))
                full = folder / "full.vcd"
                with open(full, "w", encoding="ascii") as file:
                    SimulatedCapture(scenario, scenario.seed).write_vcd(file)
                for edge in EDGES:
                    clocked = replace(scenario, capture=replace(scenario.capture, clocked=edge, sample_hz=100_000_000))
                    with open(folder / "clocked.vcd", "w", encoding="ascii") as file:
                        SimulatedCapture(clocked, clocked.seed).write_vcd(file)
                    options = Options(clock_hz=scenario.machine.clock_hz, profile=scenario.machine)
                    shown = not kind or is_shown(clocked)
                    yield Pair(kind or "healthy", leads, edge, full, folder / "clocked.vcd", options, shown)


def given(folder: Path, names: list[str]) -> Iterator[Pair]:
    for name in names:
        for edge in EDGES:
            if sampled(Path(name), edge, folder / "clocked.vcd"):
                clock = diagnose([name]).evidence.clock.hz
                yield Pair(Path(name).name, "as captured", edge, Path(name), folder / "clocked.vcd", Options(clock_hz=clock))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("captures", nargs="*")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", metavar="FAULT")
    parser.add_argument("--healthy", type=int, metavar="N", help="so many machines without a fault, on each set of leads")
    parser.add_argument("--list", action="store_true", help="show what differs")
    args = parser.parse_args()
    tables: dict[str, dict[str, collections.Counter[str]]] = {
        title: collections.defaultdict(collections.Counter)
        for title in ("verdicts", "verdicts that samples at the clock's edges can show", "cycles of machines without a fault")
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kinds = [""] if args.healthy else [kind for kind in ("", *FAULTS) if kind not in NOT_HERE and (args.only or "") in kind]
        pairs = given(folder, args.captures) if args.captures else simulated(folder, args.healthy or args.rounds, args.seed, kinds)
        for pair in pairs:
            for line in compared(pair, *tables.values()):
                if args.list or line.startswith("false alarm"):
                    print(line, flush=True)
    for title, table in tables.items():
        print(title)
        for key, count in table.items():
            print(f"  {key:14s} {count['same'] / max(1, count.total()):6.1%} of {count.total()} the same")
    return 0


def compared(pair: Pair, *tables: dict[str, collections.Counter[str]]) -> Iterator[str]:
    """Count a pair in the tables of all verdicts, of those that can be shown, and of cycles; yield what is to be said of it."""
    whole, by_clock = diagnose([pair.full], pair.options), diagnose([pair.clocked], replace(pair.options, clocked=pair.edge))
    first, second = verdict(whole), verdict(by_clock)
    what = f"{pair.name}, {pair.leads}, {pair.edge}"
    apart = (rests_on_the_clock(whole) or not pair.shown) and second[1] in ("none", "probe_or_capture", first[1])
    for table in tables[: 1 if apart else 2]:
        for key in (pair.leads, pair.edge, "all"):
            table[key]["same" if first == second else "differs"] += 1
    if pair.name == "healthy" and second[0] == "fault":
        yield f"false alarm: {what}: {second}"
    if first != second:
        yield f"{what}: {first} in full, {second} by the clock" + (", which can not show it" if apart else "")
    if first[0] == "no_fault_found" and pair.name in ("healthy", pair.full.name):
        clock_hz = pair.options.clock_hz
        alike = same_cycles(cycles(pair.full, clock_hz), cycles(pair.clocked, clock_hz, pair.edge))
        tables[2][pair.edge]["same" if alike else "differs"] += 1
        if not alike:
            yield f"{what}: other cycles"
    if pair.leads != "as captured" and verdict(diagnose([pair.clocked], pair.options)) != second:
        yield f"{what}: another verdict where the edge is not told"


if __name__ == "__main__":
    sys.exit(main())
