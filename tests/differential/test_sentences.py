"""Every sentence against the line table and the counts: over all demo captures, and over some dozens of faults of the simulated machine."""

from __future__ import annotations

import re

import pytest

from conftest import all_traces
from strobewise.bus.lines import bar
from strobewise.diagnosis.facade import Diagnosis, diagnose
from strobewise.machine import LINE_SETS, fault, simulate
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
        many = "times|fetches|requests|reads|writes|refreshes|triggers|others|edges|pulses|accesses|contradictions"
        if re.search(rf"\b1 (?:{many})\b|\de[+-]\d", text):
            wrong.append(text)
        still = r" (?:\(pin \d+\) )?(?:is )?(?:stuck|dead: it never)"
        wrong += [text for name in moving if re.search(rf"(?<![\w/]){re.escape(bar(name))}{still}", text)]
    for name, count in said.evidence.strobes.items():
        of_it = rf"{re.escape(bar(name))}[^.;,/]*"
        if count.expected and count.seen and not count.wrong:  # it is seen where it belongs and nowhere else
            wrong += [text for text in texts(said) if re.search(rf"{of_it}(?:without regard|inverted|upside down)", text)]
        if name in moving and count.expected > count.seen:
            wrong += [text for text in texts(said) if re.search(rf"{of_it}(?:not released|not let go|throughout)", text)]
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


LEADS = {4: ("MREQ", "M1", "RD", "WR"), 8: "eight", 16: "sixteen", 38: LINE_SETS["full"]}
#: A strobe that fails for stretches: late in the capture, most of the time, in short bursts, in long ones.
FAILING = (
    {"ramp_s": 0.02}, {"ramp_s": 0.0004}, {"ramp_s": 0.0005, "burst_s": 5e-6}, {"after_s": 0.0005, "ramp_s": 1e-5, "burst_s": 2e-4},
    {"level": "low", "ramp_s": 0.0005},
)  # fmt: skip


@pytest.mark.parametrize("leads", LEADS)
@pytest.mark.parametrize("how", FAILING, ids=lambda how: "-".join(map(str, how.values())))
@pytest.mark.parametrize("line", STROBES)
def test_a_strobe_that_fails_now_and_then_is_told_as_what_it_is(tmp_path, line, how, leads):
    path = tmp_path / "faulty.vcd"
    with path.open("w") as file:
        simulate(lines=LEADS[leads], duration_s=0.0015, faults=[fault("intermittent", line=line, **how)]).write_vcd(file)
    said = diagnose([path])
    assert contradictions(said) == []
    if how.get("level") != "low":  # a line that is pulled low makes requests of its own
        blamed = {name for finding in said.findings if finding.severity == "fault" for name in finding.lines if name in STROBES}
        assert blamed <= {line}
        assert line not in blamed or "comes and goes" in said.verdict.headline or line not in ("M1", "MREQ", "RD")
