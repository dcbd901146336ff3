"""Is the hook-up advice good? For every fault of the bench, capture just what `hookup` advises for the symptom, and see what diagnose says.

Usage: python benchmarks/hookup_check.py [--rounds N] [--seed N] [--only FAULT] [--channels N,N ...] [--jobs N] [--list]

A fault shows itself to the user as one of a few symptoms (SYMPTOMS_OF; common practice). The leads, the rate and the clock option are those
of the advice; parameters and machine change with the seed. The capture lasts a few milliseconds rather than the advised time, because the
bench's faults strike within them. The same moment is also captured with every line of the bench. What becomes of an advised capture:
  named     diagnose finds the fault and blames the right part
  honest    it says that the capture cannot decide, or warns by the rule that finds the fault with every line
  foretold  it finds nothing, and hookup had said so: the rules that find the fault with every line are under "it cannot find"
  hidden    it finds nothing, nor does it with every line: nothing at the CPU's pins showed in that time
  missed    it finds nothing, although a rule that hookup counts under "this set can find" finds the fault with every line
  wrong     it blames another part
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import sys
import tempfile
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from fault_matrix import NEEDS_DEVICE, Case, scenario_of

from strobewise import Options, diagnose
from strobewise.bus.lines import LINE
from strobewise.bus.model import Finding
from strobewise.diagnosis.facade import Diagnosis
from strobewise.hookup.plan import Advice, advise
from strobewise.hookup.symptoms import find_symptom
from strobewise.machine import FAULTS, LINE_SETS, Scenario
from strobewise.machine.simulate import SimulatedCapture

CHANNELS = (2, 4, 8, 16, 32, 40)
OUTCOMES = ("named", "honest", "foretold", "hidden", "missed", "wrong")
DURATION_S = 0.004

#: What the user of a machine with this fault would say of it (common practice). Faults of the measurement itself come with any symptom.
SYMPTOMS_OF: dict[str, tuple[str, ...]] = {
    "dead-high": ("dead", "garbage", "ignores-expansion"),
    "dead-low": ("dead", "garbage", "ignores-expansion"),
    "floating": ("dead", "garbage"),
    "intermittent": ("dies-warm",),
    "cpu-data-in-stuck": ("dead", "garbage"),
    "cpu-data-out-stuck": ("garbage", "memory-size"),
    "shorted": ("dead", "garbage"),
    "open-at-chip": ("garbage", "memory-size"),
    "rom-absent": ("dead",),
    "rom-not-selected": ("dead",),
    "rom-bit-flipped": ("garbage", "hangs"),
    "rom-halves-exchanged": ("dead", "garbage"),
    "rom-data-stuck": ("dead", "garbage"),
    "ram-bit-dead": ("memory-size", "garbage"),
    "ram-missing": ("memory-size", "garbage"),
    "ram-mirrored": ("memory-size",),
    "ram-not-refreshed": ("dies-warm",),
    "ram-cells-weak": ("garbage", "dies-warm"),
    "ram-multiplexer-stuck": ("dead", "garbage"),
    "reads-fought": ("garbage", "dead"),
    "late-data": ("dies-warm", "garbage"),
    "wait-held": ("dead", "hangs"),
    "busreq-held": ("dead", "hangs"),
    "int-held": ("hangs",),
    "brown-out": ("resets", "hangs"),
    "buffer-direction": ("dead", "garbage"),
    "edge-oxidised": ("ignores-expansion",),
    "nmi-held": ("hangs", "resets"),
    "reset-held": ("dead",),
    "reset-loop": ("resets",),
    "interrupt-source-dead": ("hangs",),
    "clock-dead": ("dead", "hangs"),
    "clock-slow": ("unknown",),
    "clock-jitter": ("dies-warm",),
    "device-silent": ("ignores-expansion",),
    "device-never-leaves": ("hangs",),
    "device-leaves-early": ("garbage", "ignores-expansion"),
    "rom-disable-ignored": ("ignores-expansion",),
    "device-button-bounces": ("ignores-expansion",),
}


@dataclass(frozen=True)
class Trial:
    """One machine with one fault, and the symptom that its owner tells."""

    fault: str
    symptom: str
    seed: int


@dataclass(frozen=True)
class Result:
    """What diagnose made of the advised capture."""

    trial: Trial
    channels: int
    outcome: str
    confidence: float  #: of the first suspect
    detail: str


def judge(trial: Trial, channels: tuple[int, ...]) -> list[Result]:
    """Capture what is advised for each number of channels, diagnose it, and compare with the truth and with a capture of every line."""
    scenario = scenario_of(Case(trial.fault, "full", trial.seed))
    symptom = find_symptom(trial.symptom)
    assert symptom is not None
    every = LINE_SETS["full_port" if scenario.machine.paging else "full"]
    widest = advise(len(LINE_SETS["full_port"]), symptom, scenario.machine.clock_hz)
    seen, truth = _captured(scenario, every, widest.sample_hz)
    found = [finding for finding in seen.findings if finding.severity == "fault"]
    results = []
    for count in channels:
        advice = advise(count, symptom, scenario.machine.clock_hz)
        lines = tuple(lead.line for lead in advice.leads if lead.line in every)
        said, truth = _captured(scenario, lines, advice.sample_hz)
        outcome = _what_became(said, truth, found, advice)
        cause = ", ".join(f"{f.kind} {dict(f.values)}" for f in scenario.faults)
        rules = ", ".join(dict.fromkeys(finding.rule for finding in found))
        detail = f"{cause}; every line: {rules}; said {said.verdict.state}: {said.verdict.summary}"
        sure = said.verdict.suspects[0].confidence if said.verdict.suspects else 0.0
        results.append(Result(trial, count, outcome, sure, detail))
    return results


def _captured(scenario: Scenario, lines: tuple[str, ...], sample_hz: int) -> tuple[Diagnosis, dict[str, Any]]:
    settings = replace(scenario.capture, lines=lines, sample_hz=sample_hz, start_s=0.0, duration_s=DURATION_S)
    capture = SimulatedCapture(replace(scenario, capture=settings), scenario.seed)
    told = scenario.machine if scenario.faults and scenario.faults[0].kind in NEEDS_DEVICE else None
    clock = None if "CLK" in lines else scenario.machine.clock_hz  # as in the command line that hookup prints
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "advised.vcd"
        with path.open("w", encoding="ascii") as file:
            capture.write_vcd(file)
        return diagnose([path], Options(clock_hz=clock, profile=told)), capture.truth


def _what_became(said: Diagnosis, truth: dict[str, Any], found: list[Finding], advice: Advice) -> str:
    """Return the outcome. found: the faults that every line shows."""
    verdict = said.verdict
    first = verdict.suspects[0].suspect if verdict.suspects else "none"
    if verdict.state == "cannot_decide" or ({f.rule for f in said.findings} & {f.rule for f in found} and verdict.state != "fault"):
        return "honest"
    if verdict.state == "fault":
        return "named" if truth["state"] != "no_fault_found" and first in truth["suspects"] else "wrong"
    if not found:
        return "hidden"
    clipped = {lead.line for lead in advice.leads}
    promised = [f for f in found if f.rule in advice.decides and clipped.issuperset(line for line in f.lines if line in LINE)]
    return "missed" if promised else "foretold"


def trials(rounds: int, seed: int, only: str = "") -> list[Trial]:
    """Return the trials of a run."""
    return [
        Trial(kind, symptom, seed + turn)
        for kind in FAULTS
        if only in kind
        for symptom in SYMPTOMS_OF.get(kind, ())
        for turn in range(rounds)
    ]


def numbers(text: str) -> tuple[int, ...]:
    """Return numbers from a list with commas."""
    return tuple(int(part) for part in text.split(","))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", metavar="FAULT", default="", help="only faults whose name holds this text")
    parser.add_argument("--channels", type=numbers, default=CHANNELS, metavar="N,N", help="analysers to advise for")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="show each trial that was missed or wrong")
    args = parser.parse_args()
    with multiprocessing.Pool(args.jobs) as pool:
        work = partial(judge, channels=args.channels)
        results = [each for part in pool.imap(work, trials(args.rounds, args.seed, args.only)) for each in part]
    letters = {name: "-" if name == "hidden" else name[0] for name in OUTCOMES}  # honest and hidden begin alike
    initials = ", ".join(f"{letter} {name}" for name, letter in letters.items())
    print(f"{initials}; by the number of channels\n")
    print(f"{'fault':24s}{'symptom':20s}" + "".join(f"{count:>12}" for count in args.channels))
    table: dict[tuple[str, str], dict[int, list[str]]] = {}
    for result in results:
        row = table.setdefault((result.trial.fault, result.trial.symptom), collections.defaultdict(list))
        row[result.channels].append(letters[result.outcome])
    for (kind, symptom), row in table.items():
        print(f"{kind:24s}{symptom:20s}" + "".join(f"{''.join(row[count]):>12}" for count in args.channels))
    print(f"\n{'all':44s}" + "".join(f"{count:>12}" for count in args.channels))
    for outcome in OUTCOMES:
        counts = [sum(r.outcome == outcome and r.channels == count for r in results) for count in args.channels]
        print(f"{outcome:44s}" + "".join(f"{count or '-':>12}" for count in counts))
    if args.list:
        for result in results:
            if result.outcome in ("missed", "wrong"):
                print(f"\n{result.outcome}: {result.channels} channels, {result.trial}\n  {result.detail}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
