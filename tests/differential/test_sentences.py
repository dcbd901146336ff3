"""Every sentence against the line table and the counts: over all demo captures, and over some dozens of faults of the simulated machine."""

from __future__ import annotations

import re

import pytest

from conftest import all_traces
from strobewise.bus.lines import bar
from strobewise.diagnosis.facade import Diagnosis, diagnose
from strobewise.machine import fault, simulate
from strobewise.profile.options import Options

MANY_EDGES = 100
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
FAULTS = [
    *((kind, {"line": line}) for kind in ("dead-low", "dead-high", "lead-inverted") for line in STROBES),
    *(("dead-low", {"line": line, "at": "line"}) for line in ("D0", "D5", "D7", "A0", "A3", "A9", "A14")),
    *(("dead-high", {"line": line, "at": "line"}) for line in ("D2", "A5", "A12")),
    ("busreq-held", {}), ("clock-dead", {"after_s": 0.0008}), ("clock-dead", {}), ("clock-slow", {"ratio": 0.5}),
]  # fmt: skip


def texts(said: Diagnosis) -> list[str]:
    verdict = said.verdict
    own = [text for finding in said.findings for text in (finding.evidence, finding.next_step, finding.title)]
    return [verdict.headline, verdict.summary, *verdict.next_steps, *own, *(line.remark for line in said.lines)]


def contradictions(said: Diagnosis) -> list[str]:
    """Return each sentence that the line table or plain arithmetic contradicts."""
    wrong = [f"{line.line} {line.state} with {line.edges} edges" for line in said.lines
             if line.state.startswith("stuck") and line.edges > MANY_EDGES]  # fmt: skip
    moving = {line.line for line in said.lines if line.edges > MANY_EDGES}
    for text in texts(said):
        wrong += [text for number in re.findall(r"(\d+(?:\.\d+)?) %", text) if float(number) > 100.0]
        wrong += [text for part, whole in re.findall(r"\b(\d+) of (\d+)\b", text) if int(part) > int(whole)]
        if re.search(r"\b1 (?:times|fetches|requests|reads|writes|refreshes|triggers)\b|\de[+-]\d", text):
            wrong.append(text)
        still = r" (?:\(pin \d+\) )?(?:is )?(?:stuck|dead: it never)"
        wrong += [text for name in moving if re.search(rf"(?<![\w/]){re.escape(bar(name))}{still}", text)]
    shares = sum(share.confidence for share in said.verdict.suspects)
    return wrong + ([f"shares add up to {shares}"] if shares > 1.0 else [])


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name)
def test_a_demo_capture_contradicts_nothing_that_is_said(trace):
    assert contradictions(diagnose([trace])) == []


@pytest.mark.parametrize("lines", ["full", "eight"])
@pytest.mark.parametrize(("kind", "how"), FAULTS, ids=lambda value: value if isinstance(value, str) else "-".join(map(str, value.values())))
def test_a_simulated_fault_contradicts_nothing_that_is_said(tmp_path, kind, how, lines):
    path = tmp_path / "faulty.vcd"
    with path.open("w") as file:
        simulate(lines=lines, duration_s=0.0015, faults=[fault(kind, **how)]).write_vcd(file)
    assert contradictions(diagnose([path], Options(clock_hz=3.15e6))) == []
