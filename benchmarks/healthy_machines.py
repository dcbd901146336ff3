"""Healthy machines of every kind, captured in every way, go through diagnose: each fault that it finds is a false alarm.

Usage: python benchmarks/healthy_machines.py [--count N] [--seed N] [--jobs N] [--keep FOLDER]

Programs are random pieces of code, dull ones among them (a loop of one instruction, NOPs, a halt, a block fill); clocks from 300 kHz to
8 MHz, some with jitter, odd duty or bus masters; 2 to 38 leads, 1.2 to 60 samples a T-state, skew up to a sample, presses of buttons, and
VCD dialects in which levels are not known at first. Counted are, besides faults, verdicts that cannot decide, and suspects without a fault.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import random
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise import Options, diagnose
from strobewise.bus.lines import ADDRESS, CONTROL, DATA
from strobewise.machine import GENERIC, BusRequest, Dialect, Press, Scenario, simulate
from strobewise.machine.board import WaitRule
from strobewise.machine.programs import assemble
from strobewise.machine.simulate import SimulatedCapture
from strobewise.machine.vcd_text import NAMING, TIMESCALES
from strobewise.records.profile import MemoryRegion

ROM_END = 0x1FFF
RAM = (0x4000, 0xFFFF)
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
OTHERS = tuple(name for name in CONTROL if name not in STROBES and name != "ROMDIS")


def _word(value: int) -> str:
    return f"{value & 0xFF:02X} {value >> 8:02X}"


def _ram(rng: random.Random, room: int = 0x100) -> str:
    return _word(rng.randrange(RAM[0], RAM[1] - 0x800 - room))


#: Pieces of code: each leaves the stack as it was and goes on behind itself; {n} is a number of its own for labels.
PIECES: tuple[Callable[[random.Random], str], ...] = (
    lambda r: f"21 {_ram(r)} 11 {_ram(r)} 01 {_word(r.randrange(2, 40))} ED B0",  # LDIR
    lambda r: f"21 {_ram(r)} 06 {r.randrange(2, 40):02X} a{{n}}: 36 {r.choice((0x00, 0xFF, r.randrange(256))):02X} 23 10 >a{{n}}",  # a fill
    lambda r: f"06 {r.randrange(2, 60):02X} b{{n}}: 10 >b{{n}}",  # a wait
    lambda r: " ".join("00" for _ in range(r.randrange(3, 30))),
    lambda r: f"3E {r.randrange(256):02X} D3 {r.randrange(256):02X} DB {r.randrange(256):02X}",  # ports
    lambda r: f"3A {_ram(r)} C6 {r.randrange(256):02X} 32 {_ram(r)}",
    lambda r: "F5 C5 D5 E5 E1 D1 C1 F1",
    lambda r: "CD @sub",
    lambda r: f"DD 21 {_ram(r)} DD 34 05 DD 7E 07 DD CB 03 C6",
    lambda r: f"21 {_ram(r)} 01 {_word(r.randrange(2, 30))} 3E {r.randrange(256):02X} ED B1",  # CPIR
    lambda r: f"21 {_ram(r)} 0E {r.randrange(256):02X} 06 {r.randrange(1, 12):02X} ED B3",  # OTIR
    # pushing: a fill through the stack pointer, a routine that calls itself, a restart with a byte behind it, many registers saved
    lambda r: f"ED 73 00 41 31 {_word(r.randrange(0x5000, 0xE000))} 06 {r.randrange(2, 120):02X} "
    f"c{{n}}: {'E5 ' * r.randrange(1, 9)} 10 >c{{n}} ED 7B 00 41",
    lambda r: f"06 {r.randrange(2, 40):02X} CD @deep",
    lambda r: f"06 {r.randrange(2, 40):02X} d{{n}}: D7 {r.randrange(256):02X} 10 >d{{n}}",
    lambda r: "F5 C5 D5 E5 DD E5 FD E5 08 F5 08 " + "E5 E1 " * r.randrange(4) + "08 F1 08 FD E1 DD E1 E1 D1 C1 F1",
    lambda r: " ".join(r.choice(("80", "91", "A2", "AB", "B4", "2F", "07", "1F", "3C", "05", "13", "EB", "D9")) for _ in range(12)),
)


def program(rng: random.Random) -> tuple[bytes, bool]:
    """Return a ROM by chance, and whether it serves interrupts."""
    served = rng.random() < 0.6
    head = "F3 31 F0 FF " + ("ED 56 FB " if served else "")
    dull = rng.random()
    if dull < 0.06:
        body = "stay: 18 >stay"
    elif dull < 0.1:
        body = "stay: C3 @stay"
    elif dull < 0.14:
        body = "stay: 76 18 >stay" if served else "stay: 7E 18 >stay"
    elif dull < 0.18:
        body = f"21 {_ram(rng)} stay: 34 18 >stay"
    else:
        parts = [rng.choice(PIECES)(rng).format(n=number) for number in range(rng.randrange(1, 14))]
        body = "main: " + " ".join(parts) + (" 76" if served and rng.random() < 0.2 else "") + " C3 @main"
    sub = " sub: " + " ".join(f"{rng.choice((0x3C, 0x04, 0x23, 0x7E, 0x77 if rng.random() < 0.3 else 0x78)):02X}" for _ in range(3)) + " C9"
    sub += " deep: 05 C8 C5 CD @deep C1 C9"
    text = f"{head} C3 @go *0010 E3 7E 23 E3 C9 *0038 F5 3A 00 40 3C 32 00 40 F1 FB C9 *0066 F5 F1 ED 45 *0100 go: {body} {sub}"
    return assemble(text, {}), served


def leads(rng: random.Random) -> tuple[str, ...]:
    """Return the captured lines: few, some or all, always /M1 or /MREQ and mostly both."""
    count = rng.choice((2, 4, 8, 8, 16, 16, 24, 24, 38))
    if count == 38:
        return (*CONTROL[:-1], *ADDRESS, *DATA)
    first = rng.choice((("M1", "MREQ"), ("M1", "MREQ"), ("MREQ", "RD"), ("M1", "MREQ", "RD", "WR"), ("CLK", "M1", "MREQ"), STROBES))[:count]
    pool = [name for name in (*STROBES, *OTHERS, *rng.sample(ADDRESS, 16), *rng.sample(DATA, 8)) if name not in first]
    if rng.random() < 0.5:
        rng.shuffle(pool)
    chosen = {*first, *pool[: count - len(first)]}
    return tuple(name for name in (*CONTROL, *ADDRESS, *DATA) if name in chosen)


@dataclass(frozen=True)
class Made:
    """A healthy machine and how it was captured."""

    scenario: Scenario
    start: str  #: what is done to the first levels: "", "x", "late" or "z"


def machine_of(seed: int) -> Made:
    """Return the machine of a seed."""
    rng = random.Random(f"healthy/{seed}")
    code, served = program(rng)
    round_one = rng.choice((1_000_000, 2_000_000, 2_500_000, 3_250_000, 3_500_000, 4_000_000))
    clock = rng.choice((rng.randrange(1_000_000, 4_000_000), round_one, round_one, 300_000, 6_000_000, 8_000_000))
    usual = (rng.uniform(4.0, 8.0), rng.uniform(4.0, 8.0), rng.uniform(8.0, 60.0), rng.uniform(8.0, 60.0))
    samples = rng.choice((1.2, 2.0, 2.3, 3.0, rng.uniform(2.0, 4.0), *usual))
    sample_hz = int(clock * samples)
    if rng.random() < 0.7:
        rates = (1e5, 2e5, 1e6, 2e6, 4e6, 8e6, 12e6, 16e6, 20e6, 24e6, 25e6, 32e6, 48e6, 50e6, 100e6)
        sample_hz = int(min(rates, key=lambda rate: abs(rate / clock - samples)))
    duration = rng.choice((400, 1200, 4000)) * rng.uniform(0.7, 1.5) / clock
    period = rng.choice((None, rng.randrange(300, 3000), rng.randrange(3000, 60000))) if served or rng.random() < 0.3 else None
    memory = (MemoryRegion("rom", 0, ROM_END), MemoryRegion("ram", *RAM))
    machine = replace(GENERIC, clock_hz=clock, memory=memory, interrupt_period_t_states=period)
    settings: dict[str, Any] = {
        "lines": leads(rng), "names": rng.choice(tuple(NAMING)), "sample_hz": sample_hz, "duration_s": duration,
        "start_s": rng.choice((0.0, rng.uniform(0.0, 3000 / clock))),
        "skew_ns": rng.choice((0.0, 3.0, 1e9 / sample_hz * rng.uniform(0.2, 1.0))),
        "delay_fraction": rng.uniform(0.05, 1.0), "grade_mhz": next(grade for grade in (4, 6, 8, 10, 20) if grade * 1e6 >= clock),
        "pull_ups": rng.random() < 0.6,
        "duty": rng.choice((0.5, 0.5, 0.4, 0.6)) if clock < 6e6 else 0.5, "jitter_ns": rng.choice((0.0, 0.0, 0.0, 0.02e9 / clock)),
        "dialect": Dialect(timescale=_timescale(rng, sample_hz), layout=rng.choice(("line", "lines")), vectors=rng.random() < 0.3,
                           dumpvars=rng.random() < 0.5),
        "seed": rng.randrange(1 << 30),
    }  # fmt: skip
    if rng.random() < 0.3:
        settings["waits"] = [WaitRule(rng.randrange(1, 5), every=rng.randrange(1, 4))]
    if rng.random() < 0.25:
        settings["bus_requests"] = [BusRequest(rng.randrange(50, 800), rng.randrange(300, 4000), rng.randrange(5, 200))]
    if rng.random() < 0.25:
        at = settings["start_s"] + duration * rng.uniform(0.05, 0.8)
        settings["presses"] = [Press(rng.choice(("RESET", "NMI")), at, rng.uniform(4, 80) / clock)]
    scenario = simulate(Scenario(machine=machine, contents=((0, code),)), **settings).scenario
    return Made(scenario, rng.choice(("", "", "x", "z", "late")))


def _timescale(rng: random.Random, sample_hz: int) -> str:
    """Return a timescale with at least four ticks a sample."""
    fine = [name for name, picoseconds in TIMESCALES.items() if 2.5e11 / sample_hz >= picoseconds]
    return rng.choice(fine[-4:] or ["1ps"])


def not_known_at_first(text: str, how: str) -> str:
    """Return a VCD whose levels are x or z for the first moments, or whose first values stand at its second time."""
    if not how:
        return text
    head, _, body = text.partition("$enddefinitions $end")
    variables = re.findall(r"\$var \S+ (\d+) (\S+) ", head)
    shift = 1 + int(re.findall(r"#(\d+)", body)[-1]) // 500
    moved = re.sub(r"(?m)^#(\d+)", lambda found: f"#{int(found.group(1)) + shift}", body)
    first = "".join(f"b{how} {code}\n" if int(width) > 1 else f"{how}{code}\n" for width, code in variables) if how != "late" else ""
    moved = moved.lstrip("\n").replace("$dumpvars", "").replace("\n$end\n", "\n")
    return f"{head}$enddefinitions $end\n#0\n" + (f"$dumpvars\n{first}$end\n" if first else "") + moved


def judge(job: tuple[int, str | None]) -> tuple[int, str, str, str]:
    """Return the seed, what the verdict says, the faults found, and how the machine was captured."""
    seed, keep = job
    made = machine_of(seed)
    scenario = made.scenario
    rng = random.Random(f"options/{seed}")
    options = Options(
        clock_hz=scenario.machine.clock_hz if rng.random() < 0.5 else None, profile=scenario.machine if rng.random() < 0.3 else None
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(keep or folder) / f"healthy-{seed}.vcd"
        with open(path, "w", encoding="ascii") as file:
            SimulatedCapture(scenario, scenario.seed).write_vcd(file)
        path.write_text(not_known_at_first(path.read_text(encoding="ascii"), made.start), encoding="ascii")
        said = diagnose([path], options)
    capture = scenario.capture
    how = (f"{scenario.machine.clock_hz / 1e6:.3f} MHz at {capture.sample_hz / 1e6:.3f} MHz, {capture.dialect.timescale}, "
           f"{made.start or '-'}, {len(capture.lines)} leads"
           f"{', clock given' if options.clock_hz else ''}{', profile' if options.profile else ''}: "
           f"{' '.join(name for name in capture.lines if name in CONTROL)}")  # fmt: skip
    faults = "; ".join(f"{f.rule}: {f.evidence}" for f in said.findings if f.severity == "fault")
    first = said.verdict.suspects[0].suspect if said.verdict.suspects else "none"
    outcome = "false alarm" if faults else said.verdict.state if said.verdict.state != "no_fault_found" or first == "none" else "suspect"
    if outcome in ("suspect", "cannot_decide"):
        faults = "; ".join(f"{f.rule}: {f.evidence}" for f in said.findings if f.severity == "warning")
    return seed, outcome, faults, how


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", metavar="FOLDER", help="keep the captures there")
    args = parser.parse_args()
    counts: collections.Counter[str] = collections.Counter()
    with multiprocessing.Pool(args.jobs) as pool:
        for seed, outcome, findings, how in pool.imap(judge, ((seed, args.keep) for seed in range(args.seed, args.seed + args.count))):
            counts[outcome] += 1
            if outcome in ("false alarm", "suspect") or (outcome == "cannot_decide" and "capture-too-coarse" not in findings):
                print(f"{seed}: {outcome}: {findings} [{how}]", flush=True)
    print(", ".join(f"{number} {name}" for name, number in counts.most_common()))
    return int(counts["false alarm"] > 0)


if __name__ == "__main__":
    sys.exit(main())
