"""Several captures of one machine: what each proves ends up in one verdict."""

from __future__ import annotations

from conftest import TRACES
from strobewise.diagnosis.facade import diagnose
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate


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
