"""A free run: what counts works, and what does not is named line by line."""

import io
import json

import pytest

from strobewise.diagnosis.facade import diagnose
from strobewise.hookup.free_run import advise_free_run
from strobewise.machine.faults import fault
from strobewise.machine.scenario import Scenario
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.profile import MemoryRegion, Profile
from strobewise_cli.main import main

ALONE = Profile(name="the CPU alone", clock_hz=3_276_800, memory=(MemoryRegion("rom", 0x0000, 0xFFFF),))
ADDRESS = tuple(f"A{bit}" for bit in range(16))
LINES = ("M1", "MREQ", "RD", "RFSH", *ADDRESS)
FEW_MS = {"machine": ALONE, "contents": ((0, Scenario().demo("nops")),), "duration_s": 0.003}


def run(tmp_path, *faults, lines=LINES, free_run=True, **changes):
    path = tmp_path / "free.vcd"
    text = io.StringIO()
    simulate(**{**FEW_MS, "lines": lines, "faults": faults, **changes}).write_vcd(text)
    path.write_text(text.getvalue())
    return diagnose([path], Options(clock_hz=3_276_800, free_run=free_run))


def named(diagnosis):
    return {(finding.rule, finding.lines) for finding in diagnosis.findings if finding.severity == "fault"}


def states(diagnosis):
    return {each.line: each.state for each in diagnosis.evidence.free_run.lines}


def test_a_good_cpu_counts_and_what_takes_longer_is_said(tmp_path):
    diagnosis = run(tmp_path)
    assert diagnosis.verdict.state == "no_fault_found" and not named(diagnosis)
    assert states(diagnosis) == {name: "counts" if bit < 12 else "too short" for bit, name in enumerate(ADDRESS)}
    assert diagnosis.evidence.free_run.round_s == pytest.approx(65_536 * 4 / 3_276_800, rel=1e-3)


@pytest.mark.parametrize("level", ["high", "low"])
@pytest.mark.parametrize("line", ["A0", "A5", "A11"])
def test_a_line_that_stays_is_named(tmp_path, line, level):
    diagnosis = run(tmp_path, fault(f"dead-{level}", line=line, at="cpu"))
    assert ("free-run-count", (line,)) in named(diagnosis)
    assert {name: state for name, state in states(diagnosis).items() if state not in ("counts", "too short")} == {line: level}


def test_two_bridged_lines_are_named_together(tmp_path):
    diagnosis = run(tmp_path, fault("shorted", lines=["A8", "A9"]))
    assert ("free-run-count", ("A8", "A9")) in named(diagnosis)
    assert diagnosis.verdict.suspects[0].suspect == "connection"


def test_crossed_leads_are_told_by_the_rate_of_the_other(tmp_path):
    path = tmp_path / "free.vcd"
    run(tmp_path)
    options = Options(clock_hz=3_276_800, free_run=True, maps=("A3=A7", "A7=A3"))
    record = diagnose([path], options).evidence.free_run
    assert {(each.line, each.other) for each in record.not_counting} == {("A3", "A7"), ("A7", "A3")}


def test_a_free_run_is_no_fault_of_the_memory(tmp_path):
    """The same bus without the word of the user is a machine that reads 00h."""
    lines = (*LINES, *(f"D{bit}" for bit in range(8)))
    assert run(tmp_path, lines=lines).verdict.state == "no_fault_found"
    assert "reads-all-00" in {rule for rule, _ in named(run(tmp_path, lines=lines, free_run=False))}


def test_a_data_line_that_is_not_held_low_is_told_before_anything_else(tmp_path):
    diagnosis = run(tmp_path, fault("dead-high", line="D3", at="line"), lines=(*LINES, *(f"D{bit}" for bit in range(8))))
    assert ("free-run-byte", ("D3",)) in named(diagnosis)
    assert not any(rule == "free-run-count" for rule, _ in named(diagnosis))


def test_two_clips_and_an_address_line_are_a_free_run_too(tmp_path):
    diagnosis = run(tmp_path, fault("dead-low", line="A4", at="cpu"), lines=("M1", "MREQ", "A4"))
    assert ("free-run-count", ("A4",)) in named(diagnosis)


def test_the_command_judges_it_and_the_plan_says_how(tmp_path, capsys):
    run(tmp_path, fault("dead-low", line="A9", at="cpu"))
    assert main(["diagnose", str(tmp_path / "free.vcd"), "--free-run", "--brief"]) == 1
    assert "A9 (pin 39)" in capsys.readouterr().out
    assert main(["hookup", "--free-run", "--channels", "20"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "never wires" in out and "--free-run" in out and "Switch off" in out
    assert main(["hookup", "--free-run", "--channels", "20", "--json", "-"]) == 0
    assert [lead["line"] for lead in json.loads(capsys.readouterr().out)["leads"]][:3] == ["M1", "MREQ", "A0"]


def test_too_few_channels_are_refused(capsys):
    assert main(["hookup", "--free-run", "--channels", "2"]) == 2
    assert "--channels" in capsys.readouterr().err
    with pytest.raises(ValueError, match="2 channels"):
        advise_free_run(2)
