"""The fault matrix: simulated machines with every fault, captured in many ways, go through diagnose; who is right is counted.

Usage: python benchmarks/fault_matrix.py [--rounds N] [--seed N] [--only FAULT] [--healthy N] [--jobs N] [--list-wrong]

Each round takes every fault once with each set of leads; parameters, machine, rate, dialect and names change with the seed, so
that nothing can be tuned to one capture. What a verdict is judged by is the simulation's own truth:
  right          the state is right and the first suspect is the cause, or looks exactly like it on the captured lines
  cannot decide  the verdict says so
  not seen       no fault found, although there is one (fewer leads see less)
  wrong          another part is blamed
  false alarm    a fault on a healthy machine
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise import Options, diagnose
from strobewise.bus.lines import ADDRESS, DATA, neighbours
from strobewise.machine import FAULTS, GENERIC, GENERIC_PAGING, LINE_SETS, BusRequest, Dialect, Fault, Press, Scenario, simulate
from strobewise.machine.board import WaitRule
from strobewise.machine.simulate import SimulatedCapture
from strobewise.machine.vcd_text import NAMING
from strobewise.records.profile import MemoryRegion, Profile

LEAD_SETS = ("full", "sixteen", "eight", "two")
OUTPUTS = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
RATES = (16_000_000, 24_000_000, 25_000_000, 50_000_000, 100_000_000)
MAPS = (
    (MemoryRegion("rom", 0x0000, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)),
    (MemoryRegion("rom", 0x0000, 0x3FFF), MemoryRegion("ram", 0x8000, 0xFFFF)),
    (MemoryRegion("rom", 0x0000, 0x27FF), MemoryRegion("ram", 0x2800, 0x7FFF), MemoryRegion("nothing", 0x8000, 0xFFFF)),
)
OUTCOMES = ("right", "cannot decide", "not seen", "wrong", "wrong at 0.9", "false alarm")
NEEDS_DEVICE = ("device-silent", "device-never-leaves", "device-leaves-early", "rom-disable-ignored", "device-button-bounces")


@dataclass(frozen=True)
class Case:
    """One capture to be judged; everything follows from these fields."""

    fault: str  #: kind, or "" for a healthy machine
    leads: str
    seed: int


@dataclass(frozen=True)
class Result:
    """What became of a case."""

    case: Case
    outcome: str
    state: str
    suspect: str  #: the verdict's first
    confidence: float
    strict: bool  #: the first suspect is the very part, not one that merely looks like it
    detail: str
    seconds: float


def _lines_for(kind: str, rng: random.Random) -> list[str]:
    if kind in ("dead-high", "dead-low", "floating", "intermittent", "lead-off", "lead-inverted", "lead-skewed"):
        return [rng.choice((*OUTPUTS, rng.choice(ADDRESS), rng.choice(DATA)))]
    first = rng.choice((*OUTPUTS, *ADDRESS, *DATA))
    beside = [name for name in neighbours(first) if name in (*OUTPUTS, *ADDRESS, *DATA)]
    pool = beside or [name for name in (*ADDRESS, *DATA) if name != first and name[0] == first[0]]
    return [first, rng.choice(pool)]


def fault_of(kind: str, ram: tuple[int, int], rng: random.Random) -> Fault:
    """Return a fault of a kind with parameters by chance."""
    values: dict[str, Any] = {}
    names = {parameter.name for parameter in FAULTS[kind].parameters}
    if "line" in names:
        values["line"] = rng.choice((*ADDRESS, *DATA)) if kind == "open-at-chip" else _lines_for(kind, rng)[0]
    if "lines" in names and kind != "ground-bounce":
        values["lines"] = _lines_for(kind, rng)
    if "at" in names:
        places = ("cpu", "socket") if values["line"] in (*OUTPUTS, *ADDRESS) else ("line", "socket")
        values["at"] = rng.choice((*places, "probe"))
    if "bit" in names:
        values["bit"] = rng.randrange(8)
    if "level" in names and kind != "clock-dead" and not (kind == "open-at-chip" and values["line"] in DATA):
        values["level"] = rng.choice(("high", "low"))
    if "address" in names:
        values["address"] = rng.randrange(0x80, 0x160)
    if "chip" in names:
        values["chip"] = rng.choice(("rom", "ram"))
    if "onto" in names:
        half = (ram[1] + 1 - ram[0]) // 2
        values |= {"start": ram[0] + half, "end": ram[1] - 0x100, "onto": ram[0]}
    elif kind in ("ram-bit-dead", "ram-missing"):
        values |= {"start": ram[0] + rng.choice((0, (ram[1] + 1 - ram[0]) // 4)), "end": ram[1]}
    if kind in ("wait-held", "busreq-held", "int-held", "nmi-held", "reset-held", "clock-dead"):
        values["after_s"] = rng.choice((0.0, rng.uniform(0.0005, 0.0015)))
    return Fault(kind, values)


def scenario_of(case: Case) -> Scenario:
    """Return the machine, the fault and the capture of a case."""
    rng = random.Random(f"{case.fault}/{case.leads}/{case.seed}")
    device = case.fault in NEEDS_DEVICE or rng.random() < 0.3
    memory = rng.choice(MAPS)
    rom_end = memory[0].end
    paging = (replace(GENERIC_PAGING, released_by_fetch_in=((rom_end - 0xBF, rom_end - 0xB0),)),) if device else ()
    machine = replace(
        GENERIC, clock_hz=rng.randrange(1_700_000, 4_000_000), memory=memory, paging=paging,
        interrupt_period_t_states=rng.choice((None, rng.randrange(4_000, 20_000))),
    )  # fmt: skip
    base = Scenario(machine=machine)
    leads = LINE_SETS["full_port"] if case.leads == "full" and device else LINE_SETS[case.leads]
    settings: dict[str, Any] = {
        "lines": leads,
        "names": rng.choice(tuple(NAMING)),
        "sample_hz": rng.choice(RATES if case.leads != "two" else RATES[1:]),
        "start_s": rng.choice((0.0, rng.uniform(0.0, 0.003))),
        "duration_s": rng.uniform(0.002, 0.004),
        "skew_ns": rng.choice((0.0, 3.0, 8.0)),
        "pull_ups": rng.random() < 0.6,
        "delay_fraction": rng.uniform(0.3, 1.0),
        "dialect": Dialect(
            timescale=rng.choice(("1ns", "10ns", "100ps", "1ps")), layout=rng.choice(("line", "lines")),
            vectors=rng.random() < 0.3, dumpvars=rng.random() < 0.5, var_type=rng.choice(("wire", "reg")),
        ),
        "seed": rng.randrange(1 << 30),
    }  # fmt: skip
    if rng.random() < 0.3:
        settings["waits"] = [WaitRule(rng.randrange(1, 4), every=rng.randrange(1, 4))]
    if rng.random() < 0.2:
        settings["bus_requests"] = [BusRequest(rng.randrange(500, 3000), rng.randrange(800, 4000), rng.randrange(20, 200))]
    if device and rng.random() < 0.5:
        settings["presses"] = [Press("NMI", settings["start_s"] + rng.uniform(0.0005, 0.0015))]
    if case.fault:
        settings["faults"] = [fault_of(case.fault, base.ram(), rng)]
    return simulate(base, **settings).scenario


def judge(case: Case) -> Result:
    """Simulate a case, diagnose its capture, and compare."""
    begin = time.perf_counter()
    scenario = scenario_of(case)
    capture = SimulatedCapture(scenario, scenario.seed)
    rng = random.Random(f"options/{case}")
    told: Profile | None = scenario.machine if rng.random() < 0.5 or case.fault in NEEDS_DEVICE else None
    clock = scenario.machine.clock_hz if "CLK" not in scenario.capture.lines and rng.random() < 0.5 else None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.vcd"
        with open(path, "w", encoding="ascii") as file:
            capture.write_vcd(file)
        said = diagnose([path], Options(clock_hz=clock, profile=told))
    truth = capture.truth
    verdict = said.verdict
    first = verdict.suspects[0].suspect if verdict.suspects else "none"
    confidence = verdict.suspects[0].confidence if verdict.suspects else 0.0
    outcome = _outcome(truth, verdict.state, first, confidence)
    rules = ", ".join(dict.fromkeys(f.rule for f in said.findings if f.severity == "fault"))
    cause = ", ".join(f"{f.kind} {dict(f.values)}" for f in scenario.faults) or "healthy"
    strict = bool(truth["faults"]) and first == truth["faults"][0]["suspects"][0]
    return Result(case, outcome, verdict.state, first, confidence, strict, f"{cause}; rules: {rules}", time.perf_counter() - begin)


def _outcome(truth: dict[str, Any], state: str, first: str, confidence: float) -> str:
    if state == "cannot_decide":
        return "cannot decide"
    if state == "no_fault_found":
        return "right" if truth["state"] in ("no_fault_found", "any") else "not seen"
    if truth["state"] == "no_fault_found":
        return "false alarm"
    if first in truth["suspects"]:
        return "right"
    return "wrong at 0.9" if confidence >= 0.9 else "wrong"


def cases(rounds: int, seed: int, healthy: int, only: str | None = None) -> Iterator[Case]:
    """Yield the cases of a run: every fault with each set of leads in each round, and healthy machines."""
    for turn in range(rounds):
        for kind in FAULTS:
            if only is None or only in kind:
                for leads in LEAD_SETS:
                    yield Case(kind, leads, seed + turn)
    for turn in range(healthy):
        yield Case("", LEAD_SETS[turn % len(LEAD_SETS)], seed + turn)


def table(title: str, results: list[Result], key: Callable[[Result], str]) -> None:
    """Print counts of the outcomes by a key."""
    rows: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for result in results:
        rows[key(result)][result.outcome] += 1
    rows["all"] = collections.Counter(result.outcome for result in results)
    print(f"\n{title:24s}" + "".join(f"{name:>15s}" for name in OUTCOMES))
    for name, counts in rows.items():
        print(f"{name:24s}" + "".join(f"{counts[outcome] or '-':>15}" for outcome in OUTCOMES))


def calibration(results: list[Result]) -> None:
    """Print how often verdicts of each confidence were right."""
    print(f"\n{'confidence':24s}{'verdicts':>15s}{'right':>15s}{'the very part':>15s}")
    given = [r for r in results if r.state == "fault"]
    for low, high in ((0.0, 0.3), (0.3, 0.5), (0.5, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.01)):
        some = [r for r in given if low <= r.confidence < high]
        if some:
            right, strict = sum(r.outcome == "right" for r in some), sum(r.strict for r in some)
            print(f"{low:.1f} to {min(high, 1.0):.1f}{'':14s}{len(some):15d}{right / len(some):15.0%}{strict / len(some):15.0%}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", metavar="FAULT", help="only faults whose name holds this text")
    parser.add_argument("--healthy", type=int, default=80, help="healthy machines among them")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--list-wrong", action="store_true", help="show each wrong verdict and false alarm")
    args = parser.parse_args()
    everything = list(cases(args.rounds, args.seed, args.healthy, args.only))
    begin = time.perf_counter()
    if args.jobs > 1:
        with multiprocessing.Pool(args.jobs) as pool:
            results = list(pool.imap(judge, everything, chunksize=4))
    else:
        results = [judge(case) for case in everything]
    table("fault", results, lambda result: result.case.fault or "healthy")
    table("leads", results, lambda result: result.case.leads)
    calibration(results)
    print(f"\n{len(results)} captures in {time.perf_counter() - begin:.0f} s")
    if args.list_wrong:
        for result in results:
            if result.outcome.startswith(("wrong", "false")):
                print(f"{result.outcome}: {result.case}: {result.suspect} {result.confidence:.2f}: {result.detail}")
    return int(any(result.outcome in ("wrong at 0.9", "false alarm") for result in results))


if __name__ == "__main__":
    sys.exit(main())
