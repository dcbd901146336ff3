"""How well replay names faults: simulated machines with one fault each, a known program, few leads and many.

    python benchmarks/replay_matrix.py [--each 4] [--healthy 60] [--seed 1] [--programs patrol,doze,stimulus,long:1]
                                       [--leads two,eight,full] [--bound] [--verbose]

Programs: the demos, the test program, and long:SEED, a full ROM (long_program.py).

For each kind of fault of the catalogue some are drawn, simulated from reset, and judged by replay alone. A case counts where its bus
differs from the healthy twin's ("unseen": not on these leads). Right: the first group holds the fault, and names one line, one pair of
bridged lines or one region. Healthy machines must have no candidate. With several sets of leads it counts the faults that fewer leads
name and more leads do not, which must be none; and how often the first group holds the truth, though it is wider.

--bound says of each fault that was not named whether anybody could: a fault of another part, to which the capture agrees to its end as well
(or as far as the true one can be followed at all), cannot be told from it by these leads. What is left is named / can be told.
"""

from __future__ import annotations

import argparse
import io
import random
import statistics
import sys
import tempfile
import time
from collections import defaultdict
from itertools import chain
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from long_program import long_program

from strobewise.diagnosis.facade import examine
from strobewise.machine.scenario import GENERIC, LINE_SETS, Scenario
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.replay import PARTED
from strobewise.replay import part
from strobewise.replay.catalogue import draw
from strobewise.replay.healthy import run_course, run_healthy
from strobewise.replay.known import known_program
from strobewise.replay.stimulus import make_stimulus
from strobewise.replay.timed import board_for

LEADS = {**LINE_SETS, "two": ("M1", "MREQ", "RESET")}
DURATION_S = 0.005


def program_of(name: str) -> bytes:
    if name == "stimulus":
        return make_stimulus(0x2000, (0x4000, 0xFFFF)).image
    if name.startswith("long:"):
        return long_program(int(name[5:]))
    return Scenario().demo(name).ljust(0x2000, b"\xff")  # as the whole ROM is read out


def run(image: bytes, leads: str, seed: int, faults=()):
    """Simulate a capture; return what replay says, the seconds that took, and the true cycles."""
    simulated = simulate(lines=LEADS[leads], contents=((0, image),), faults=faults, seed=seed, duration_s=DURATION_S)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.vcd"
        text = io.StringIO()
        simulated.write_vcd(text)
        path.write_text(text.getvalue())
        begun = time.perf_counter()
        plain = examine(str(path), Options(clock_hz=GENERIC.clock_hz, profile=GENERIC))
        middle = time.perf_counter()
        options = Options(roms=(("program.bin", 0, image),), clock_hz=GENERIC.clock_hz, profile=GENERIC)
        SEARCHED.clear()
        record = examine(str(path), options).evidence.replay
        seconds = time.perf_counter() - middle - (middle - begun)
        del plain
    truth = [(c["kind"], c["address"], c["data"]) for c in simulated.truth["cycles"]]
    return record, max(0.0, seconds), truth


SEARCHED: list = []  #: (cycles, program) of the last replay
_search = part.search


def _kept(seen, program, *more):
    SEARCHED.append((seen, program))
    return _search(seen, program, *more)


def can_be_told(wrong) -> bool:
    """Say whether the cycles of the last replay tell a fault from those of all other parts."""
    seen, program = SEARCHED[0]
    healthy = run_healthy(seen, program)
    if healthy is None:
        return False
    led = []
    for other in chain.from_iterable(draw(program, [wrong.region[0]] if wrong.fault.kind == "rom-bit-flipped" else [])):
        outcome = run_course(seen, board_for(seen, program, other.fault, other.undriven), healthy.setting).outcome
        led.append((other, outcome))
    own = [outcome for other, outcome in led if other.fault == wrong.fault]
    far = max((outcome.matched for outcome in own if outcome.ended != PARTED), default=None)
    if far is None:
        return True  # its own entry does not explain it: ours to mend
    return not any(outcome.ended != PARTED and outcome.matched >= far and not same_part(other, wrong) for other, outcome in led)


def same_part(one, other) -> bool:
    if one.fault.lines or other.fault.lines:
        return bool(set(one.fault.lines) & set(other.fault.lines))
    (first, last), (begin, end) = one.region or (0, 0xFFFF), other.region or (0, 0xFFFF)
    return one.place == other.place and first <= end and begin <= last


def place(candidate) -> tuple:
    return candidate.lines or (candidate.region,)


def holds(candidate, hypothesis) -> bool:
    """Say whether a candidate names what is wrong; of a part of memory, where the program used no more of it."""
    if hypothesis.fault.lines or candidate.lines:
        return bool(set(candidate.lines) & set(hypothesis.fault.lines))
    mine, whole = candidate.region or (0, 0xFFFF), hypothesis.region or (0, 0xFFFF)
    return candidate.place == hypothesis.place and whole[0] <= mine[0] and mine[1] <= whole[1]


def judge(record, hypothesis) -> str:
    """Return "right", or in a word what is wrong."""
    if record is None:
        return "no replay"
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    if not first and record.healthy_matched >= record.cycles:
        return "unseen"
    if not first:
        return f"nothing named ({record.like} alike)" if record.like else "nothing named"
    fits = [holds(candidate, hypothesis) for candidate in first]
    if not any(fits):
        return "WRONG"
    return "right" if all(fits) and len({place(candidate) for candidate in first}) <= 2 else "wide"


def drawn(image: bytes, each: int, rng: random.Random):
    options = Options(roms=(("program.bin", 0, image),), profile=GENERIC)
    program = known_program(options)
    assert program is not None
    by_kind = defaultdict(list)
    for hypothesis in chain.from_iterable(draw(program, range(0, 0x100))):
        pool = by_kind[hypothesis.fault.kind, hypothesis.place]
        if all(other.fault != hypothesis.fault for other in pool):  # what an undriven bus shows is the simulated board's affair
            pool.append(hypothesis)
    for pool in by_kind.values():
        yield from rng.sample(pool, min(each, len(pool)))


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--healthy", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--programs", default="patrol,doze,stimulus")
    parser.add_argument("--leads", default="two,eight,full")
    parser.add_argument("--bound", action="store_true", help="count the faults that nobody can tell from these leads")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    part.search = _kept
    alarms = 0
    for name in args.programs.split(","):
        image = program_of(name)
        named: dict[int, str] = {}  # what fewer leads made of each fault
        for leads in args.leads.split(","):
            rng = random.Random(args.seed)
            counts, times = defaultdict(int), []
            _, _, twin = run(image, leads, args.seed)
            worse = bound = 0
            for number, hypothesis in enumerate(drawn(image, args.each, rng)):
                record, seconds, truth = run(image, leads, args.seed, (hypothesis.fault,))
                if truth == twin:
                    counts["no difference"] += 1
                    continue
                verdict = judge(record, hypothesis)
                counts[verdict] += 1
                worse += named.get(number) == "right" and verdict not in ("right", "unseen")
                named[number] = verdict if verdict == "right" or number not in named else named[number]
                times.append(seconds)
                if args.bound and verdict != "right":
                    told = verdict != "unseen" and can_be_told(hypothesis)
                    bound += not told
                    verdict += ", can be told" if told else ", cannot be told"
                if args.verbose and verdict != "right":
                    first = [c for c in record.candidates if c.group == 1][:3] if record else []
                    print("   ", verdict, hypothesis.fault.kind, hypothesis.place, dict(hypothesis.fault.parameters), hypothesis.undriven,
                          record and (record.healthy_matched, record.cycles), [(c.fault, c.lines, c.region) for c in first])  # fmt: skip
            healthy_alarms = 0
            for seed in range(args.healthy):
                record, _, _ = run(image, leads, 1000 * args.seed + seed)
                healthy_alarms += record is None or bool(record.candidates) or record.healthy_matched < record.cycles
            alarms += healthy_alarms
            alarms += worse + counts["WRONG"]
            judged = sum(number for verdict, number in counts.items() if verdict != "no difference")
            share = 100 * counts["right"] / max(1, judged)
            print(f"{name:<9} {leads:<6} right {counts['right']:3} of {judged:3} ({share:.0f} %)  {dict(counts)}")
            if args.bound:
                print(f"    nobody can tell {bound}; named {counts['right']} of the {judged - bound} that can be told")
            print(f"    named by fewer leads, and not by these: {worse}", flush=True)
            took = f"median {statistics.median(times or [0]):.2f} s, worst {max(times, default=0):.2f} s"
            print(f"    {took}; healthy: {healthy_alarms} of {args.healthy} wrong", flush=True)
    return alarms != 0


if __name__ == "__main__":
    sys.exit(main())
