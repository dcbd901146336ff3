"""Whole repairs on simulated machines: only what `strobewise case next` says is done, by its own commands, and answers come from the truth.

    python benchmarks/repairs.py [--faults 200] [--seed 1] [--most 12] [--first 0] [--keep FILE] [--verbose]
    python benchmarks/repairs.py --sum FILE...

A machine with one fault by chance, an analyser with eight leads called CH0 to CH7, a meter, and a logic probe. A repair is solved where the
steps come to a repair of the part that is truly to blame, and to its proof. Counted are the steps up to the proof; closing is none.
A long run may be done in parts: machine N of a seed is the same machine in each (`--first` skips the ones before), and `--sum` adds up what
the parts kept.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import io
import json
import random
import shlex
import statistics
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "cli"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from fault_matrix import NEEDS_DEVICE, fault_of

from strobewise.bus.lines import pin_text
from strobewise.machine import FAULTS, GENERIC, GENERIC_PAGING, Fault, Scenario, simulate
from strobewise.records.profile import Profile
from strobewise.replay.stimulus import make_stimulus

Step = dict
Run = Callable[[list[str]], tuple[int, str]]  #: runs strobewise with these arguments: exit status and standard output

WARM_MINUTES = 15.0  #: on for so long a machine that dies warm begins to fail
OPEN_OHMS, GOOD_OHMS = 50_000.0, 0.6
LONGEST_S, LONGEST_PROOF_S = 0.008, 0.03  #: captures are cut to this, so that a run of many ends
FEW_STEPS = 6
CHIPS = [f"U{number}" for number in range(11, 19)]
REPAIRS = ("replaced", "resoldered", "cleaned", "reworked")
NOT_PASSED = ("buffer-direction", "rom-not-selected", "ram-multiplexer-stuck", "rom-disable-ignored")
NO_REPAIR = ("probe_or_capture", "program", "none")  #: truths that are no part of the machine


@dataclass
class Truth:
    """The simulated machine, with what is wrong with it."""

    fault: Fault
    paging: bool = False
    warm: bool = False  #: it fails only when it has been on for a while
    program: bytes = b""  #: what its ROM holds; the demo program where empty
    seed: int = 1
    mended: bool = False
    _lead: str = field(default="", init=False)  #: channel of the bad lead, where the lead is the fault

    @property
    def part(self) -> str:
        """The part to blame."""
        return self.fault.suspects[0]

    def image(self) -> bytes:
        """What its ROM holds."""
        return self.program or Scenario(machine=self._machine()).demo("patrol")

    def _machine(self) -> Profile:
        return replace(GENERIC, paging=(GENERIC_PAGING,) if self.paging else ())

    def profile(self, folder: Path) -> Path:
        """Write what its owner knows of it, and return where."""
        (folder / "program.rom").write_bytes(self.image()[:0x2000])
        text = 'name = "bench"\nclock_hz = 3276800\n[[memory]]\nkind = "rom"\nstart = 0\nend = 0x1FFF\nfile = "program.rom"\n'
        text += f'[[memory]]\nkind = "ram"\nstart = 0x4000\nend = 0xFFFF\nchips = {json.dumps(CHIPS)}\n'
        if self.paging:
            text += '[[paging]]\nname = "lodger"\nfetch_at = [0x0058, 0x01D4, 0x0066]\nreleased_by_fetch_in = [[0x1F40, 0x1F4F]]\n'
        (folder / "bench.toml").write_text(text)
        return folder / "bench.toml"

    def capture(self, step: Step, path: Path) -> None:
        """Do as a capture step says."""
        leads = sorted(step["leads"], key=lambda lead: int(lead["channel"].removeprefix("CH")))
        settings = step["settings"]
        self.seed += 1
        with open(path, "w", encoding="ascii") as file:
            simulate(
                Scenario(machine=self._machine()), seed=self.seed, lines=tuple(lead["line"] for lead in leads), names="channels",
                faults=self._faults(leads, settings.get("minutes_on", 0)), contents=((0, self.image()),),
                probe_at={lead["line"]: lead["place"] for lead in leads}, sample_hz=int(settings["sample_hz"]),
                duration_s=min(settings["duration_s"], LONGEST_PROOF_S if step["id"].startswith("capture:proof") else LONGEST_S),
            ).write_vcd(file)  # fmt: skip

    def _faults(self, leads: list[dict], minutes: float) -> tuple[Fault, ...]:
        values = self.fault.parameters
        if self.mended or (self.warm and minutes < WARM_MINUTES):
            return ()
        if values.get("at") != "probe":
            return (self.fault,)
        self._lead = self._lead or next((lead["channel"] for lead in leads if lead["line"] == values["line"]), "")
        line = next((lead["line"] for lead in leads if lead["channel"] == self._lead), None)
        return () if line is None else (Fault(self.fault.kind, {**values, "line": line}),)

    def chosen(self, step: Step) -> str:
        """Return the command that a person gives who does as a check says."""
        kind, _, about = step["id"].partition(":")
        first, *others = step["commands"]
        mine = not self.mended and about in self.fault.lines
        at = self.fault.values.get("at", "line")
        if kind == "ohms":
            open_way = mine and self.part == "connection" and self.fault.kind != "shorted"
            return first.replace("OHMS", str(OPEN_OHMS if open_way else GOOD_OHMS))
        if kind == "supply":
            return first.replace("VOLTS", "5.02")
        if kind == "between":
            return first.replace("OHMS", str(GOOD_OHMS if self.fault.kind == "shorted" and not self.mended else OPEN_OHMS))
        if kind == "pulses":
            says_no = mine and at in ("cpu", "line") and self.fault.kind in ("dead-high", "dead-low", "floating")
            return first if says_no else others[0]
        if kind == "driven":
            return first if self._undriven(about) else others[0]
        if kind == "passes":  # somebody who probes what stands between sees a buffer, a select and a multiplexer that do not do it
            return first if self.fault.kind in NOT_PASSED and not self.mended else others[0]
        if kind == "tried":
            return first if self.mended else others[0]
        if kind == "readout":
            return first if self.part == "rom" and not self.mended and self.fault.kind != "late-data" else others[0]
        gone = not self.mended and (about or "expansion_device") == self.part and (kind != "cooled" or self.warm)
        if kind == "reseated":
            gone = not self.mended and at == "socket"
        return first if gone else others[0]

    def _undriven(self, chip: str) -> bool:
        """Say whether a pin that selects or addresses a memory chip is dead."""
        fault = self.fault
        if self.mended:
            return False
        dead = fault.kind in ("dead-high", "dead-low", "floating") and fault.values.get("at", "line") not in ("probe", "connector")
        lines = {"MREQ", "RD", *(f"A{bit}" for bit in range(16)), *(("WR",) if chip == "ram" else ())}
        return fault.kind == {"rom": "rom-not-selected", "ram": "ram-multiplexer-stuck"}[chip] or (dead and bool(lines & set(fault.lines)))

    def mend(self, step: Step) -> None:
        """Do as a repair step says: it helps where it is the part to blame."""
        kind, _, about = step["id"].partition(":")
        if kind == "replaced":
            self.mended |= ("ram" if about in CHIPS else about) == self.part
        elif self.part == "connection":
            self.mended |= kind == "cleaned" or not self.fault.lines or any(pin_text(line) in step["title"] for line in self.fault.lines)


@dataclass
class Course:
    """How a repair went."""

    steps: list[str]
    last: Step
    case: dict
    mended: str  #: the last repair, as the step called it

    def solved(self, truth: Truth) -> bool:
        """Say whether it ended with the right part and a proof."""
        proven = self.case["proof"] is not None and self.case["proof"]["state"] == "proven"
        return truth.mended and proven and self.last["kind"] == "close"


def in_process(arguments: list[str]) -> tuple[int, str]:
    """Run the command line without a process of its own."""
    from strobewise_cli.main import main

    told = io.StringIO()
    with contextlib.redirect_stdout(told):
        status = main(arguments)
    return status, told.getvalue()


def play(truth: Truth, folder: Path, symptom: str, run: Run, most: int = 12, say: Callable[[str], None] = lambda text: None) -> Course:
    """Do what the case says next, until it says that nothing is left; folder: an empty one. Returns how it went."""
    case, steps, mended = str(folder / "case"), [], ""
    run(["case", "new", case, "--machine", str(truth.profile(folder)), "--symptom", symptom])
    while True:
        step = json.loads(run(["case", "next", case, "--json", "-"])[1])
        say(f"  {step['id']} ({step['bits']} bits) {[lead['line'] for lead in step['leads']]}: {step['title'][:160]}")
        if step["kind"] in ("close", "none") or len(steps) >= most:
            return Course(steps, step, json.loads(run(["case", "show", case, "--json", "-"])[1]), mended)
        steps.append(step["id"])
        if step["kind"] == "capture":
            path = folder / f"{len(steps)}.vcd"
            truth.capture(step, path)
            command = step["commands"][0].replace("CAPTURE.vcd", str(path))
        elif step["kind"] == "check":
            command = truth.chosen(step)
        else:
            truth.mend(step)
            command, mended = step["commands"][0], step["id"]
        run(shlex.split(command)[1:])


def drawn(rng: random.Random) -> tuple[Truth, str]:
    """Return a machine with a fault by chance, and what its owner says it does."""
    kinds = [name for name, kind in FAULTS.items() if kind.state == "fault" or name == "intermittent"]
    while True:
        kind = rng.choice(kinds)
        fault = fault_of(kind, (0x4000, 0xFFFF), rng)
        if fault.suspects[0] not in NO_REPAIR:
            break
    warm = kind == "intermittent"
    if warm:
        fault = Fault(kind, {**fault.parameters, "ramp_s": 0.05})
    paging = kind in NEEDS_DEVICE
    stimulus = rng.random() < 0.5
    program = make_stimulus(0x2000, (0x4000, 0xFFFF)).image if stimulus and not paging else b""
    symptom = "dies-warm" if warm else "ignores-expansion" if paging else rng.choice(("dead", "garbage", "hangs"))
    return Truth(fault, paging, warm, program, rng.randrange(1 << 20)), symptom


def outcome(number: int, truth: Truth, symptom: str, course: Course) -> dict:
    """What is kept of a repair: plain values."""
    proof = course.case["proof"]
    values = {key: str(value) for key, value in truth.fault.parameters.items()}
    return {
        "number": number, "symptom": symptom, "kind": truth.fault.kind, "parameters": values, "part": truth.part, "warm": truth.warm,
        "program": bool(truth.program), "steps": course.steps, "mended": truth.mended, "solved": course.solved(truth),
        "proven": proof is not None and proof["state"] == "proven", "last": course.last["id"],
        "repairs": [step for step in course.steps if step.partition(":")[0] in REPAIRS],
    }  # fmt: skip


def summed(outcomes: list[dict]) -> bool:
    """Print how these repairs went, and say whether one was proven with its fault still in."""
    by_kind: dict[str, list[bool]] = collections.defaultdict(list)
    for each in outcomes:
        by_kind[each["kind"]].append(each["solved"])
    for kind, all_of_it in sorted(by_kind.items()):
        print(f"{kind:<24} {sum(all_of_it):3} of {len(all_of_it):3}")
    solved = [len(each["steps"]) for each in outcomes if each["solved"]]
    wrong = [each["number"] for each in outcomes if each["proven"] and not each["mended"]]
    vain = sum(len(each["repairs"]) - each["mended"] for each in outcomes)
    few = sum(steps <= FEW_STEPS for steps in solved)
    median = statistics.median(solved or [0])
    print(f"solved {len(solved)} of {len(outcomes)}, {few} of them in at most {FEW_STEPS} steps; median {median:g} steps")
    print(f"repairs that did not help: {vain}; proven without being mended: {len(wrong)} {wrong or ''}")
    unproven = sum(each["mended"] and not each["proven"] for each in outcomes)
    print(f"right part without a proof: {unproven}, since no capture from before had shown the fault, or the steps were used up")
    return bool(wrong)


def main() -> int:
    """Play many repairs, and print how they went."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="how many machines of the seed to pass over")
    parser.add_argument("--keep", type=Path, help="add each outcome to this file, one JSON object a line")
    parser.add_argument("--sum", type=Path, nargs="+", help="play none: add up what was kept")
    parser.add_argument("--only", type=int, nargs="+", help="these machines of the seed alone")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    if args.sum:
        return summed([json.loads(line) for path in args.sum for line in path.read_text().splitlines()])
    rng = random.Random(args.seed)
    machines = list(enumerate(drawn(rng) for _ in range(args.first + args.faults)))[args.first :]
    outcomes = []
    for number, (truth, symptom) in machines:
        if args.only and number not in args.only:
            continue
        if args.verbose:
            runs = "test program" if truth.program else "a program of its own"
            print(f"{number}: {symptom}, {truth.fault.kind} {dict(truth.fault.parameters)}, truly {truth.part}, runs {runs}")
        with tempfile.TemporaryDirectory() as made:
            course = play(truth, Path(made), symptom, in_process, args.most, print if args.verbose else lambda text: None)
        outcomes.append(outcome(number, truth, symptom, course))
        if args.keep:
            with args.keep.open("a", encoding="utf-8") as kept:
                kept.write(json.dumps(outcomes[-1]) + "\n")
        if args.verbose:
            print(f"  -> {'solved' if outcomes[-1]['solved'] else 'NOT SOLVED'}: {course.steps}", flush=True)
    return summed(outcomes)


if __name__ == "__main__":
    sys.exit(main())
