"""Whether ``learn`` writes what is true of a machine: profiles out of healthy captures of simulated ones, held against their scenarios.

Usage: python benchmarks/learned.py [--count N] [--seed N]

Each machine of ``recordings.py`` (random programs, every third the demo program, every sixth with a paging device) is captured twice with
all leads, from its start and later on. What is told is right or wrong; what is not told was not seen. Prints the counts and each wrong
statement; the exit status is 1 where one is wrong.
"""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from recordings import CLOCKS, captured, machine

from strobewise import Options
from strobewise.learn.machine import Learned, learn
from strobewise.machine import LINE_SETS, Scenario, run_scenario, simulate
from strobewise.machine.truth import TrueRow
from strobewise.profile.machine import load_profile

LODGER = Path(__file__).resolve().parents[1] / "traces" / "machines" / "dunlin-lodger.toml"
CLOCK_SHARE = 0.001  #: by which the clock may be off
PERIOD_SHARE = 0.01  #: by which the interrupts' period may be off
ENDS = 2  #: cycles of a kind that the ends of a capture may cost


def statements(learned: Learned, scenario: Scenario, rows: list[TrueRow]) -> Iterator[tuple[str, str, bool]]:
    """Yield what was told, in a word and in full, and whether it is true."""
    true = scenario.machine
    if learned.clock_hz is not None and true.clock_hz:
        yield "clock", f"{learned.clock_hz} Hz, truly {true.clock_hz}", abs(learned.clock_hz / true.clock_hz - 1) <= CLOCK_SHARE
    if learned.interrupt_t is not None:
        period = true.interrupt_period_t_states
        good = period is not None and abs(learned.interrupt_t / period - 1) <= PERIOD_SHARE
        yield "interrupt period", f"{learned.interrupt_t} T-states, truly {period}", good
    for region in learned.regions:
        for start, end in (*region.seen, (region.start, region.end)) if region.kind else ():
            kinds = {each.kind for each in true.memory if each.start <= end and start <= each.end}
            whole = any(each.start <= start and end <= each.end for each in true.memory)
            right = (kinds == {region.kind} and whole) or (region.kind == "nothing" and not kinds)
            yield f"memory: {region.kind}", f"{start:04X}-{end:04X}, truly {' and '.join(kinds) or 'nothing'}", right
    for kind, ports in (("io_read", learned.seen.ports_read), ("io_write", learned.seen.ports_written)):
        truth = {row["address"] & 0xFF for row in rows if row["kind"] == kind and row["address"] is not None}
        for port in sorted(truth | set(ports)):
            yield "port", f"{kind} {port:02X}: told {port in ports}, truly {port in truth}", (port in ports) == (port in truth)
    for kind, counts in learned.seen.waits.items():
        truly = Counter(row["wait_states"] for row in rows if row["kind"] == kind)
        off = sum(abs(counts[waits] - truly[waits]) for waits in counts.keys() | truly.keys())
        yield "wait states", f"{kind}: {dict(counts)}, truly {dict(truly)}", off <= 2 * ENDS
    if learned.paging is not None:
        paging = true.paging[0] if true.paging else None
        good = paging is not None and set(learned.paging.fetch_at) <= set(paging.fetch_at)
        yield "paging: fetches", f"{[f'{at:04X}' for at in learned.paging.fetch_at]}", good
        released = paging is not None and all(
            any(low <= start and end <= high for low, high in paging.released_by_fetch_in) for start, end in learned.paging.released
        )
        yield "paging: let go", f"{[f'{low:04X}-{high:04X}' for low, high in learned.paging.released]}", released


def scenario_of(seed: int) -> tuple[Scenario, dict[str, object]]:
    """Return a machine and how it is captured."""
    scenario, base = machine(seed)
    if seed % 6 == 0:
        paged = load_profile(LODGER)
        scenario = replace(scenario, machine=replace(paged, clock_hz=scenario.machine.clock_hz), contents=None)
        base["lines"] = LINE_SETS["full_port"]
    return scenario, base


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    told: collections.Counter[str] = collections.Counter()
    wrong: collections.Counter[str] = collections.Counter()
    for seed in range(args.seed, args.seed + args.count):
        scenario, base = scenario_of(seed)
        rows: list[TrueRow] = []
        paths = []
        with tempfile.TemporaryDirectory() as folder:
            clocks_s = CLOCKS / float(scenario.machine.clock_hz or 1e6)
            for number, start in enumerate((0.0, 5 * clocks_s)):
                settings = {**base, "start_s": start, "duration_s": 3 * clocks_s, "seed": seed + number}
                paths.append(str(captured(Path(folder) / f"{number}.vcd", scenario, settings)))
                made = simulate(scenario, **settings)
                rows += run_scenario(made.scenario, made.seed).truth["cycles"]
            learned, _ = learn(paths, Options())
        for what, text, right in statements(learned, scenario, rows):
            told[what] += 1
            wrong[what] += not right
            if not right:
                print(f"{seed}, {what}: {text}", flush=True)
    for what, count in sorted(told.items()):
        print(f"{what}: {count - wrong[what]} of {count} right")
    print(f"{sum(wrong.values())} of {sum(told.values())} statements about {args.count} machines are wrong")
    return int(sum(wrong.values()) > 0)


if __name__ == "__main__":
    sys.exit(main())
