"""Several captures of one machine: what each proves ends up in one verdict."""

from __future__ import annotations

import pytest
from hand_made import evidence_of

from conftest import TRACES
from strobewise.bus.model import Finding
from strobewise.diagnosis.facade import diagnose
from strobewise.diagnosis.joining import join_evidence, join_findings
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate
from strobewise.records.replay import PARTED, Candidate, ReplayRecord
from strobewise.rules.replay import REPLAY_RULE


def captured(tmp_path, name, **settings):
    path = tmp_path / f"{name}.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    return path


def test_two_healthy_captures_add_up(tmp_path):
    one = captured(tmp_path, "one", lines=("CLK", "M1", "MREQ", "RD"))
    two = captured(tmp_path, "two", lines=("MREQ", "WR", "IORQ", "RFSH"), seed=5)
    said = diagnose([one, two])
    assert said.verdict.state == "no_fault_found"
    assert said.evidence.captured == {"CLK", "M1", "MREQ", "RD", "WR", "IORQ", "RFSH"}
    alone = diagnose([one])
    assert said.evidence.cycles["opcode_fetch"] > alone.evidence.cycles["opcode_fetch"]
    states = {line.line: line.state for line in said.lines}
    assert states["RFSH"] == "active" and states["HALT"] == "not_captured"
    assert len(said.captures) == 2


def test_a_fault_in_one_of_them_is_the_verdict_and_says_where(tmp_path):
    faults = [fault("dead-high", line="RFSH")]
    one = captured(tmp_path, "one", lines=("CLK", "M1", "MREQ", "RD"), faults=faults)
    two = captured(tmp_path, "two", lines=("CLK", "MREQ", "RD", "RFSH"), faults=faults)
    said = diagnose([one, two])
    assert said.verdict.state == "fault"
    (found,) = [f for f in said.findings if f.severity == "fault"]
    assert found.lines == ("RFSH",) and found.evidence.endswith(f"(in {two})")
    assert {line.line: line.state for line in said.lines}["RFSH"] == "stuck_high"


def test_a_second_capture_answers_what_the_first_had_to_leave_open(tmp_path):
    faults = [fault("wait-held", after_s=0.001)]
    one = captured(tmp_path, "one", lines=("M1", "MREQ", "RD"), faults=faults, duration_s=0.004)
    assert diagnose([one]).verdict.state == "cannot_decide"
    two = captured(tmp_path, "two", lines=("CLK", "MREQ", "WAIT"), faults=faults, duration_s=0.004)
    said = diagnose([one, two])
    assert said.verdict.state == "fault"
    assert [f.rule for f in said.findings] == ["wait-held"]


def test_a_strobe_that_works_in_another_capture_is_not_dead_for_good():
    said = diagnose([TRACES / "good" / "healthy-eight.vcd.gz", TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"])
    (finding,) = (f for f in said.findings if f.rule == "fetch-strobe-missing")
    assert "/M1 is good in" in finding.evidence and finding.suspect == "connection"
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "connection"
    alone = diagnose([TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"])
    assert alone.verdict.suspects[0].suspect == "cpu"


def told(lines, severity="fault", rule="fetch-strobe-missing", confidence=0.9, evidence="seen"):
    return Finding(rule, severity, lines, "cpu", confidence, 0.0, 0.0, 1, evidence, "measure it")


@pytest.mark.parametrize(
    ("beside", "good"),
    [
        ([], True),
        ([told(("INT",), rule="interrupt-rate")], True),  # what else is wrong there says nothing of /M1
        ([told(("M1",), "note", rule="strobe-seldom")], True),  # a note accuses nobody
        ([told(("M1",), "warning", rule="strobe-seldom")], False),
    ],
)
def test_a_strobe_is_good_where_nothing_is_said_against_it(beside, good):
    first = join_findings([[told(("M1",))], beside], ["one", "two"], [evidence_of(), evidence_of()])[0]
    assert ("/M1 is good in two" in first.evidence) == good


def test_what_the_known_program_says_is_lost_behind_a_pin_is_no_matter_of_the_lead_there():
    findings = [[told(("M1",), rule=REPLAY_RULE)], []]
    (first, *_) = join_findings(findings, ["one", "two"], [evidence_of(), evidence_of(probe_at={"M1": "connector"})])
    assert "good" not in first.evidence and first.suspect == "cpu"


@pytest.mark.parametrize(
    ("places", "sure", "which"),
    [
        (("cpu", "cpu"), (0.8, 0.9), 1),  # the surer one is told
        (("cpu", "cpu"), (0.9, 0.8), 0),
        (("cpu", "cpu"), (0.9, 0.9), 0),  # the first of two alike
        (("connector", "cpu"), (0.9, 0.8), 1),  # at the CPU's own pin fewer parts come into question
        (("cpu", "connector"), (0.8, 0.9), 0),
    ],
)
def test_which_of_two_like_findings_is_told(places, sure, which):
    records = [evidence_of(probe_at={"M1": place}) for place in places]
    each = [[told(("M1",), confidence=sure[k], evidence=f"number {k}")] for k in range(2)]
    (finding,) = join_findings(each, ["one", "two"], records)
    assert finding.evidence.startswith(f"number {which} (in one, two)")


@pytest.mark.parametrize(
    ("kind", "place", "lead", "kept"),
    [
        ("dead-low", "line", "cpu", False),  # it moves at the CPU, where the program has it dead
        ("dead-high", "cpu", "cpu", False),
        ("dead-low", "socket", "connector", False),  # behind the pin that is lost
        ("dead-low", "socket", "cpu", True),  # at the pin it may well move
        ("dead-low", "line", None, True),  # no lead shows it
        ("open", "line", "cpu", True),  # no fault that keeps a line from moving
    ],
)
def test_a_dead_line_of_the_known_program_falls_where_another_capture_shows_it_moving(kind, place, lead, kept):
    explanation = Candidate(1, kind, place, ("M1",), None, (), "cpu", ("cpu",), 500)
    record = ReplayRecord("x.rom@0x0000", 0.0, "reset", 500, 5, PARTED, candidates=[explanation])
    program = evidence_of(captured=frozenset(("MREQ",)), replay=record)
    shows = evidence_of(captured=frozenset(("M1",) if lead else ()), probe_at={"M1": lead} if lead else {})
    found = join_findings([[told(("M1",), rule=REPLAY_RULE)], []], ["one", "two"], [program, shows])
    assert bool(found) is kept


def test_what_does_not_add_up_is_the_first_captures():
    records = [evidence_of(end_s=1.0, warnings=("first",), sample_interval_s=1e-8), evidence_of(end_s=2.0), evidence_of(end_s=3.0)]
    joined = join_evidence(records)
    assert (joined.end_s, joined.warnings, joined.sample_interval_s) == (1.0, ("first",), 1e-8)
    assert joined.requests == 3 * records[0].requests and join_evidence(records[1:2]) is records[1]
