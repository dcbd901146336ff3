"""Replay against the world outside its catalogue: every kind of fault, machines of every kind, images long and short, and healthy ones.

    python benchmarks/replay_outside.py [--rounds 1] [--seed 1] [--healthy 40] [--leads two,eight,full] [--only KIND] [--list]

Machines, programs, rates and oddities (wait states, other bus masters, NMIs, interrupts, paging devices) change with the seed; many of
these faults have no entry in the catalogue. A name is wrong where no candidate of the first group holds a true line or a suspect that the
simulation's own truth accepts; on a healthy machine every candidate is a false alarm.
"""

from __future__ import annotations

import argparse
import io
import random
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from fault_matrix import Case, scenario_of
from long_program import long_program

from strobewise.diagnosis.facade import examine
from strobewise.machine import FAULTS
from strobewise.machine.scenario import LINE_SETS, Scenario
from strobewise.machine.simulate import SimulatedCapture
from strobewise.profile.options import Options
from strobewise.records.replay import ReplayRecord
from strobewise.replay.stimulus import make_stimulus

LEADS = {**LINE_SETS, "two": ("M1", "MREQ", "RESET"), "bare": ("M1", "MREQ")}
PROGRAMS = ("patrol", "doze", "stimulus", "long")
DURATION_S = 0.004


def machine_of(kind: str, leads: str, seed: int) -> tuple[Scenario, bytes, random.Random]:
    """Return a scenario that begins at power-on, and the program that runs there."""
    rng = random.Random(f"{kind}/{leads}/{seed}/replay")
    scenario = scenario_of(Case(kind, leads if leads in LINE_SETS else "two", seed))
    memory = scenario.machine.memory
    name = "patrol" if scenario.machine.paging else rng.choice(PROGRAMS)
    ram = max(((r.start, r.end) for r in memory if r.kind == "ram"), key=lambda pair: pair[1] - pair[0])
    size = 1 << (memory[0].end + 1).bit_length() - 1  # the largest chip that fits
    made = {"stimulus": lambda: make_stimulus(size, ram).image, "long": lambda: long_program(seed, min(size, 0x2000), ram)}
    image = made[name]() if name in made else scenario.demo(name)
    capture = replace(scenario.capture, lines=LEADS[leads], start_s=0.0, duration_s=DURATION_S)
    if leads == "full" and scenario.machine.paging:
        capture = replace(capture, lines=LINE_SETS["full_port"])
    return replace(scenario, contents=((0, image),), capture=capture), image, rng


def replayed(scenario: Scenario, image: bytes, rng: random.Random) -> tuple[ReplayRecord | None, SimulatedCapture]:
    """Return what replay says of a scenario's capture."""
    simulated = SimulatedCapture(scenario, scenario.seed)
    whole = scenario.machine.memory[0].end + 1
    given = image.ljust(whole, b"\xff") if rng.random() < 0.5 else image  # as it was read out of the chip, or the file that was burnt
    told = scenario.machine if rng.random() < 0.7 or scenario.machine.paging else None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.vcd"
        text = io.StringIO()
        simulated.write_vcd(text)
        path.write_text(text.getvalue(), encoding="ascii")
        options = Options(roms=(("program.bin", 0, given),), clock_hz=scenario.machine.clock_hz, profile=told)
        return examine(str(path), options).evidence.replay, simulated


def judge(record: ReplayRecord | None, simulated: SimulatedCapture) -> str:
    """Return in a word how right a record is."""
    if record is None:
        return "no replay"
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    truth = simulated.truth
    if not truth["faults"]:
        return "FALSE ALARM" if first else "agrees" if record.healthy_matched >= 0.97 * record.cycles else "parts"
    if not first:
        return "nothing" if record.healthy_matched < record.cycles else "unseen"
    lines = {line for fault in truth["faults"] for line in fault["lines"]}
    fits = [bool(set(c.lines) & lines) or c.suspect in truth["suspects"] for c in first]
    return "right" if all(fits) else "holds it" if any(fits) else "WRONG"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--healthy", type=int, default=40)
    parser.add_argument("--leads", default="two,eight,full")
    parser.add_argument("--only", default="")
    parser.add_argument("--list", action="store_true", help="say more of each wrong name, false alarm and parting")
    args = parser.parse_args()
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    kinds = [kind for _ in range(args.rounds) for kind in FAULTS if args.only in kind]
    for leads in args.leads.split(","):
        for number, kind in enumerate([*kinds, *[""] * args.healthy]):
            scenario, image, rng = machine_of(kind, leads, args.seed + number)
            record, simulated = replayed(scenario, image, rng)
            found = judge(record, simulated)
            counts[f"{leads}, {'healthy' if not kind else 'faulty'}"][found] += 1
            if args.list and found in ("WRONG", "FALSE ALARM", "parts", "holds it"):
                named = [(c.fault, c.place, c.lines, c.region) for c in record.candidates if c.group == 1][:4] if record else []
                cause = [(fault.kind, dict(fault.values)) for fault in scenario.faults]
                figures = record and (record.healthy_matched, record.healthy_ended, record.cycles, record.found_by)
                print("  ", found, leads, args.seed + number, cause, figures, named, "waits" if scenario.board.waits else "",
                      "master" if scenario.bus_requests else "", "paging" if scenario.machine.paging else "", flush=True)  # fmt: skip
    for name, found_by in counts.items():
        print(f"{name:16} {dict(found_by)}", flush=True)
    return any("WRONG" in found_by or "FALSE ALARM" in found_by for found_by in counts.values())


if __name__ == "__main__":
    sys.exit(main())
