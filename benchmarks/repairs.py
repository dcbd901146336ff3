"""Whole repairs on simulated machines: only what the case says next is done, and its answers come from the simulated truth.

    python benchmarks/repairs.py [--faults 200] [--seed 1] [--most 14] [--verbose]

A machine with one fault by chance, an analyser with eight leads called CH0 to CH7. A step is solved where the case, step by step, comes to
a repair of the part that is truly to blame and to its proof. Counted are the steps up to the proof; closing the case is none.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise.case.records import Answer, CaseState, Step
from strobewise.case.repairs import mended
from strobewise.case.state import judge_case
from strobewise.case.store import add_answer, add_capture, new_case, open_case
from strobewise.machine import GENERIC, GENERIC_PAGING, Fault, Scenario, simulate

WARM_MINUTES = 15.0  #: on for so long a machine that dies warm begins to fail
OPEN_OHMS, GOOD_OHMS = 50_000.0, 0.6
SYMPTOM_OF = {"device": "ignores-expansion", "warm": "dies-warm"}
FEW_OHMS = 1.0


@dataclass
class Truth:
    """The simulated machine, with what is wrong with it."""

    fault: Fault
    paging: bool = False
    warm: bool = False  #: it fails only when it has been on for a while
    program: bytes | None = None  #: what its ROM holds; the demo program where None
    seed: int = 1
    mended: bool = False
    _lead: str = field(default="", init=False)  #: channel of the bad lead, where the lead is the fault

    @property
    def part(self) -> str:
        """The part to blame."""
        return self.fault.suspects[0]

    def capture(self, step: Step, path: Path) -> None:
        """Do as a capture step says."""
        leads = sorted(step.leads, key=lambda lead: int(lead.channel.removeprefix("CH")))
        minutes = float(step.settings.get("minutes_on", 0) or 0)
        scenario = Scenario(machine=replace(GENERIC, paging=(GENERIC_PAGING,) if self.paging else ()), seed=self.seed)
        self.seed += 1
        with open(path, "w", encoding="ascii") as file:
            simulate(
                scenario, lines=tuple(lead.line for lead in leads), names="channels", faults=self._faults(leads, minutes),
                contents=None if self.program is None else ((0, self.program),), probe_at={lead.line: lead.place for lead in leads},
                sample_hz=int(step.settings["sample_hz"]), duration_s=min(float(step.settings["duration_s"]), 0.05),
            ).write_vcd(file)  # fmt: skip

    def _faults(self, leads, minutes: float) -> tuple[Fault, ...]:
        values = self.fault.parameters
        if self.mended or (self.warm and minutes < WARM_MINUTES):
            return ()
        if values.get("at") != "probe":
            return (self.fault,)
        self._lead = self._lead or next((lead.channel for lead in leads if lead.line == values["line"]), "")
        line = next((lead.line for lead in leads if lead.channel == self._lead), None)
        return () if line is None else (Fault(self.fault.kind, {**values, "line": line}),)

    def answer(self, asked: Answer) -> Answer:
        """Return what a person finds who does as a check says."""
        values = self.fault.values
        mine = not self.mended and asked.about in self.fault.lines
        if asked.kind == "pulses":
            dead = mine and values.get("at", "line") in ("cpu", "line") and self.fault.kind in ("dead-high", "dead-low")
            return asked._replace(value=0.0 if dead else 1.0)
        if asked.kind == "ohms":
            open_way = mine and self.part == "connection" and self.fault.kind != "shorted"
            return asked._replace(value=OPEN_OHMS if open_way else GOOD_OHMS)
        if asked.kind == "supply":
            return asked._replace(value=5.02)
        gone = not self.mended and asked.part == self.part and (asked.kind != "cooled" or self.warm)
        if asked.kind == "reseated":
            gone = not self.mended and values.get("at") == "socket"
        return asked._replace(fault="gone" if gone else "stays")

    def mend(self, done: Answer) -> None:
        """Do as a repair step says: it helps where it is the part to blame."""
        if done.kind == "replaced":
            self.mended |= done.part == self.part
        elif self.part == "connection":
            self.mended |= done.kind == "cleaned" or not self.fault.lines or done.about in self.fault.lines


@dataclass
class Course:
    """How a repair went."""

    solved: bool
    steps: list[str]
    state: CaseState
    part: str | None


def play(truth: Truth, folder: Path, symptom: str, most: int = 14, say=lambda text: None, **machine) -> Course:
    """Do what the case says, until it says that nothing is left. Returns how it went."""
    case = new_case(folder / "case", symptom=symptom, **machine)
    steps: list[str] = []
    while True:
        state = judge_case(open_case(case.folder))
        step = state.step
        told = ", ".join(f"{each.suspect} {each.share:.2f}" for each in state.hypotheses[:3])
        say(f"  [{told}] {step.id} {step.bits:.2f} bits {[lead.line for lead in step.leads]}: {step.title[:150]}")
        if step.kind in ("close", "none") or len(steps) >= most:
            part = mended(state.case)
            proven = state.proof is not None and state.proof.state == "proven"
            return Course(step.kind == "close" and proven and part == truth.part, steps, state, part)
        steps.append(step.id)
        if step.kind == "capture":
            path = folder / f"{len(steps)}.vcd"
            truth.capture(step, path)
            maps = [(lead.line, lead.channel) for lead in step.leads]
            places = {lead.line: lead.place for lead in step.leads if lead.place != "cpu"}
            minutes = float(step.settings.get("minutes_on", 0) or 0) or None
            add_capture(state.case, path, maps=maps, probe_at=places, minutes_on=minutes)
        elif step.kind == "check":
            add_answer(state.case, truth.answer(step.answers[0]))
        else:
            truth.mend(step.answers[0])
            add_answer(state.case, step.answers[0])
