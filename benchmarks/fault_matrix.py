"""The fault matrix: simulated machines with every fault, captured in many ways, go through diagnose; who is right is counted.

Usage: python benchmarks/fault_matrix.py [--rounds N] [--seed N] [--only FAULT] [--leads SET]... [--healthy N] [--jobs N] [--rom]
       [--list OUTCOME]... [--keep FILE]; --tell FILE... prints the tables of results that were kept

Each round takes every fault once with each set of leads; parameters, machine, program, rate, dialect and names change with the seed, so
that nothing can be tuned to one capture. The label is the healthy twin's: the same machine, program and seed without the fault. A fault
whose captured lines are its twin's, but for edges that lie a sample apart, shows nothing; nor does one whose lines are those of another
machine that is well and that nobody could tell from it (stand_ins); every other is there to be seen. Outcomes (outcomes.py):
  the very part      the first suspect is the cause
  line, other part   a finding names a line that the fault spoils, or the first suspect looks exactly like the cause on the captured lines
  undecided          the verdict says that it cannot decide, or finds no fault and warns of just this
  silent, shown      no fault found, although the captured lines show one
  silent, not shown  no fault found, and nothing on the captured lines shows one (healthy machines too)
  wrong              another part is blamed, and no line of the fault is named
  false alarm        a fault where there is none, or none that the captured lines could show
"Named" counts, beside the first two, what a finding tells in words (what the bus does, and since when) while no part is blamed at 0.7.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import itertools
import multiprocessing
import random
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from healthy_machines import program as any_program
from outcomes import ALARM, OUTCOMES, TELLS, Case, Named, Result, calibration, load, outcome_of, save, shares, table

from strobewise import Options, diagnose
from strobewise.bus.lines import ADDRESS, BIT, DATA, neighbours
from strobewise.bus.model import Finding
from strobewise.machine import FAULTS, GENERIC, GENERIC_PAGING, LINE_SETS, BusRequest, Dialect, Fault, Press, Scenario, simulate
from strobewise.machine.board import WaitRule
from strobewise.machine.simulate import SimulatedCapture
from strobewise.machine.vcd_text import NAMING
from strobewise.records.profile import MemoryRegion, Profile

LEAD_SETS = ("full", "twentyfour", "sixteen", "eight", "two")
#: What hookup advises for 24 channels where no symptom is told.
TWENTY_FOUR = ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK", *DATA)
SETS = {**LINE_SETS, "twentyfour": TWENTY_FOUR}
OUTPUTS = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
RATES = (16_000_000, 24_000_000, 25_000_000, 50_000_000, 100_000_000)
MAPS = (
    (MemoryRegion("rom", 0x0000, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)),
    (MemoryRegion("rom", 0x0000, 0x3FFF), MemoryRegion("ram", 0x8000, 0xFFFF)),
    (MemoryRegion("rom", 0x0000, 0x27FF), MemoryRegion("ram", 0x2800, 0x7FFF), MemoryRegion("nothing", 0x8000, 0xFFFF)),
)
LONGEST_INSTRUCTION_T = 28
NEEDS_DEVICE = (
    "device-silent", "device-never-leaves", "device-leaves-early", "rom-disable-ignored", "device-button-bounces", "edge-oxidised",
)  # fmt: skip


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
    if kind == "edge-oxidised":
        values["lines"] = rng.sample((*OUTPUTS, *ADDRESS), 3)
    elif kind == "brown-out":
        values |= {"at_s": rng.uniform(0.0003, 0.002), "supervisor": rng.choice(("yes", "no"))}
    elif kind == "buffer-direction":
        values["way"] = rng.choice(("in", "out"))
    elif "lines" in names and kind != "ground-bounce":
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
    leads = LINE_SETS["full_port"] if case.leads == "full" and device else SETS[case.leads]
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
    if not device and memory is MAPS[0] and rng.random() < 0.6:  # a program by chance may run over the addresses that call the device
        settings["contents"] = ((0, any_program(rng)[0]),)
    if case.fault:
        fault = fault_of(case.fault, base.ram(), rng)
        if case.fault == "device-button-bounces":  # a press before the capture leaves no bounce in it
            fault = Fault(fault.kind, {**fault.parameters, "at_s": settings["start_s"] + settings["duration_s"] * rng.uniform(0.2, 0.7)})
        settings["faults"] = [fault]
    return simulate(base, **settings).scenario


def judge(case: Case, with_rom: bool = False) -> Result:
    """Simulate a case, diagnose its capture, and compare. with_rom: the program is told, so that it is replayed beside the capture."""
    begin = time.perf_counter()
    scenario = scenario_of(case)
    capture = SimulatedCapture(scenario, scenario.seed)
    rng = random.Random(f"options/{case}")
    told: Profile | None = scenario.machine if rng.random() < 0.5 or case.fault in NEEDS_DEVICE else None
    clock = scenario.machine.clock_hz if "CLK" not in scenario.capture.lines and rng.random() < 0.5 else None
    roms = (("program.bin", 0, rom_of(scenario)),) if with_rom else ()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.vcd"
        with open(path, "w", encoding="ascii") as file:
            capture.write_vcd(file)
        said = diagnose([path], Options(clock_hz=clock, profile=scenario.machine if with_rom else told, roms=roms))
    verdict = said.verdict
    faults = [f for f in said.findings if f.severity == "fault"]
    first = verdict.suspects[0].suspect if verdict.suspects else "none"
    confidence = verdict.suspects[0].confidence if verdict.suspects else 0.0
    suspects = capture.truth["suspects"]
    spoilt = {line for fault in scenario.faults for line in fault.lines}
    shown = bool(scenario.faults) and there_to_be_seen(scenario, told or (scenario.machine if with_rom else None), clock, with_rom)
    named = tuple(Named(f.rule, f.confidence, bool(spoilt & set(f.lines))) for f in faults if spoilt and f.lines)
    told_so = any(_tells(f, spoilt, suspects[0]) for f in said.findings)
    outcome = outcome_of(shown, verdict.state, first, suspects, any(each.right for each in named), told_so)
    rules = ", ".join(dict.fromkeys(f"{f.rule} {'/'.join(f.lines)}" for f in said.findings if f.severity != "note"))
    cause = ", ".join(f"{f.kind} {dict(f.values)}" for f in scenario.faults) or "healthy"
    detail = f"{cause}; {verdict.summary} [rules: {rules}]"
    return Result(
        case, outcome, verdict.state, first, confidence, shown, first in suspects, told_so, named, detail, time.perf_counter() - begin
    )


def _tells(finding: Finding, spoilt: set[str], cause: str) -> bool:
    """Say whether a fault or a warning tells what the bus does and since when, names a line that is spoilt, or the part first."""
    if finding.severity == "note":
        return False
    return (finding.rule in TELLS and finding.first_s is not None) or bool(spoilt & set(finding.lines)) or finding.suspect == cause


def leaves_a_trace(scenario: Scenario) -> bool:
    """Say whether the faults change anything on the captured lines: whether they differ from those of the healthy twin."""
    runs = (SimulatedCapture(each, each.seed).words() for each in (scenario, replace(scenario, faults=())))
    return any(one != other for one, other in itertools.zip_longest(*runs))


def there_to_be_seen(scenario: Scenario, told: Profile | None, clock: float | None, with_rom: bool) -> bool:
    """Say whether anybody could tell from the captured lines, and from what is told of the machine, that it is not well.

    told: the profile, clock: the rate that the user gives, with_rom: whether the ROM's image is given as well.
    """
    own = SimulatedCapture(scenario, scenario.seed)
    sample = -(-10**12 // (scenario.capture.sample_hz * own.timescale_ps)) + 1  # both times are rounded
    edges = _edges(own)
    for stand_in in stand_ins(scenario, told, clock):
        other = _edges(SimulatedCapture(stand_in, stand_in.seed))
        if all(len(a) == len(b) and (not len(a) or int(np.abs(a - b).max()) <= sample) for a, b in zip(edges, other, strict=True)):
            return False
    return with_rom or not _another_rom(scenario)


def stand_ins(scenario: Scenario, told: Profile | None, clock: float | None) -> Iterator[Scenario]:
    """Yield machines that are well, and that nobody could tell from this one if the lines are theirs.

    The twin without the fault. A slow clock, of whose rate nothing is told, or that takes the samples itself, is that of a slow machine;
    interrupts that never come are those of a machine without, where no profile says more, or ends its period within the capture; a
    supervisor that pulls RESET once does what a person at the button does, and so does what holds /NMI, whose first edge alone counts,
    where that line was not captured.
    """
    well = replace(scenario, faults=())
    yield well
    machine = scenario.machine
    for fault in scenario.faults:
        values: dict[str, Any] = dict(fault.values)
        if fault.kind == "clock-slow" and (scenario.capture.clocked is not None or (told is None and clock is None)):
            yield replace(well, machine=replace(machine, clock_hz=(machine.clock_hz or 0.0) * values["ratio"]))
        elif fault.kind == "interrupt-source-dead":
            period = told.interrupt_period_t_states if told is not None else None
            if not period or period > scenario.capture.duration_s * (machine.clock_hz or 0.0):
                yield replace(well, machine=replace(machine, interrupt_period_t_states=None))
        elif fault.kind == "brown-out" and values["supervisor"] == "yes":
            yield replace(well, presses=(*scenario.presses, Press("RESET", values["at_s"], values["hold_s"])))
        elif fault.kind == "nmi-held" and "NMI" not in scenario.capture.lines:
            rest = scenario.capture.start_s + scenario.capture.duration_s
            others = tuple(press for press in scenario.presses if press.line != "NMI" or press.at_s + press.hold_s < values["after_s"])
            for late in range(0, LONGEST_INSTRUCTION_T, 4):  # a finger comes at any moment, and the CPU answers behind an instruction
                yield replace(well, presses=(*others, Press("NMI", values["after_s"] + late / (machine.clock_hz or 1.0), rest)))


def _another_rom(scenario: Scenario) -> bool:
    """Say whether a flipped bit of the ROM only makes another program that goes the healthy one's way: it may be meant so."""
    if [fault.kind for fault in scenario.faults] != ["rom-bit-flipped"]:
        return False
    ways = []
    for each in (scenario, replace(scenario, faults=())):
        rows = SimulatedCapture(each, each.seed).truth["cycles"]
        ways.append({row["address"] for row in rows if row["kind"] == "opcode_fetch"})
    return ways[0] <= ways[1]


def _edges(capture: SimulatedCapture) -> list[np.ndarray[Any, np.dtype[np.int64]]]:
    """Return the times of the edges of each captured line, in units of the timescale, behind the level that it begins with (far apart)."""
    rows = [(time, word) for time, word, _ in capture.words()]
    times, words = np.array([time for time, _ in rows], np.int64), np.array([word for _, word in rows], np.uint64)
    found = []
    for name in capture.scenario.capture.lines:
        level = (words >> np.uint64(BIT[name]) & np.uint64(1)).astype(np.int64)
        found.append(np.concatenate([level[:1] * (1 << 40), times[1:][level[1:] != level[:-1]]]))
    return found


def rom_of(scenario: Scenario) -> bytes:
    """Return the ROM of a machine as a programmer would read it."""
    size = scenario.machine.memory[0].end + 1
    code = scenario.contents[0][1] if scenario.contents is not None else scenario.demo("patrol")
    return code.ljust(size, b"\xff")


def cases(rounds: int, seed: int, healthy: int, only: str | None = None, lead_sets: Sequence[str] = LEAD_SETS) -> Iterator[Case]:
    """Yield the cases of a run: every fault with each set of leads in each round, and healthy machines."""
    for turn in range(rounds):
        for kind in FAULTS:
            if only is None or only in kind:
                for leads in lead_sets:
                    yield Case(kind, leads, seed + turn)
    for turn in range(healthy):
        yield Case("", lead_sets[turn % len(lead_sets)], seed + turn)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", metavar="FAULT", help="only faults whose name holds this text")
    parser.add_argument("--leads", action="append", choices=LEAD_SETS, help="only these leads; may be given again")
    parser.add_argument("--healthy", type=int, default=80, help="healthy machines among them")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--rom", action="store_true", help="tell the machine's ROM and profile, so that the program is replayed")
    parser.add_argument("--list", action="append", default=[], choices=OUTCOMES, help="show each capture with this outcome")
    parser.add_argument("--keep", metavar="FILE", type=Path, help="add the results to this file, one a line, as they come")
    parser.add_argument("--tell", metavar="FILE", type=Path, nargs="+", help="simulate nothing: print the tables of results that were kept")
    args = parser.parse_args()
    results = load(args.tell) if args.tell else run(args)
    table("fault", results, lambda result: result.case.fault or "healthy")
    table("leads", results, lambda result: result.case.leads if result.case.fault else "healthy")
    shares(results)
    calibration(results)
    print(f"\n{len(results)} captures in {sum(result.seconds for result in results):.0f} s")
    for result in results:
        if result.outcome in args.list or result.wrongly_sure:
            print(f"{result.outcome}: {result.case}: {result.suspect} {result.confidence:.2f}: {result.detail}")
    return int(any(result.outcome == ALARM or result.wrongly_sure for result in results))


def run(args: argparse.Namespace) -> list[Result]:
    """Judge all cases that the command line asks for."""
    everything = list(cases(args.rounds, args.seed, args.healthy, args.only, args.leads or LEAD_SETS))
    work = functools.partial(judge, with_rom=args.rom)
    results = []
    with contextlib.ExitStack() as stack:
        pool = stack.enter_context(multiprocessing.Pool(args.jobs)) if args.jobs > 1 else None
        for result in pool.imap(work, everything, chunksize=4) if pool else map(work, everything):
            results.append(result)
            if args.keep:
                save([result], args.keep)
    return results


if __name__ == "__main__":
    sys.exit(main())
