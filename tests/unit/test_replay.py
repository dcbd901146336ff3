"""The known program beside simulated captures."""

import io
import re

import pytest

from strobewise.diagnosis.facade import diagnose, examine
from strobewise.machine.faults import fault
from strobewise.machine.scenario import Scenario
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options

PROGRAM = Scenario().demo("patrol")
BEGUN = {"duration_s": 0.0006}


def capture(tmp_path, **changes):
    path = tmp_path / "capture.vcd"
    text = io.StringIO()
    simulate(**{**BEGUN, "lines": "two", **changes}).write_vcd(text)
    path.write_text(text.getvalue())
    return path


def replayed(path, **options):
    return examine(str(path), Options(roms=(("patrol.rom", 0, PROGRAM),), clock_hz=3_276_800, **options)).evidence.replay


def first_group(record):
    return {(c.fault, c.lines) for c in record.candidates if c.group == 1}


@pytest.mark.parametrize("lines", ["two", "eight", "full"])
def test_a_healthy_machine_does_what_its_program_says(tmp_path, lines):
    record = replayed(capture(tmp_path, lines=lines))
    assert record.healthy_matched == record.cycles > 300
    assert not record.candidates


@pytest.mark.parametrize("lines", ["two", "eight", "full"])
def test_a_short_of_data_lines_is_named_from_two_leads_on(tmp_path, lines):
    record = replayed(capture(tmp_path, lines=lines, faults=[fault("shorted", lines=["D5", "D6"])]))
    assert record.healthy_matched < record.cycles
    assert first_group(record) == {("shorted", ("D5", "D6"))}
    assert record.candidates[0].matched >= 0.98 * record.cycles


def test_the_finding_says_so_and_joins_the_verdict(tmp_path):
    path = capture(tmp_path, faults=[fault("shorted", lines=["D5", "D6"])])
    diagnosis = diagnose([path], Options(roms=(("patrol.rom", 0, PROGRAM),), clock_hz=3_276_800))
    finding = next(f for f in diagnosis.findings if f.rule == "program-names-fault")
    assert finding.lines == ("D5", "D6") and "D5 and D6 shorted" in finding.evidence
    assert diagnosis.verdict.state == "fault" and diagnosis.verdict.suspects[0].suspect == "connection"


def test_without_a_program_or_when_told_not_to_nothing_is_replayed(tmp_path):
    path = capture(tmp_path)
    assert examine(str(path), Options(clock_hz=3_276_800)).evidence.replay is None
    assert replayed(path, replay=False) is None


def test_a_program_that_is_not_there_after_reset_is_not_replayed(tmp_path):
    options = Options(roms=(("other.rom", 0x8000, PROGRAM),), clock_hz=3_276_800)
    assert examine(str(capture(tmp_path)), options).evidence.replay is None


@pytest.mark.parametrize("running", ["stop", "patrol", "doze"])
@pytest.mark.parametrize("given", ["stop", "patrol", "doze"])
def test_the_image_of_another_program_names_no_fault(tmp_path, running, given):
    """A stuck A14 would lead every fetch into memory of unknown content, which agrees with anything."""
    path = capture(tmp_path, lines="full", contents=((0, Scenario().demo(running)),))
    image = Scenario().demo(given).ljust(0x4000, b"\x00")
    record = examine(str(path), Options(roms=(("given.rom", 0, image),), clock_hz=3_276_800)).evidence.replay
    assert record is not None and not record.candidates
    assert (record.healthy_matched == record.cycles) == (running == given)


def test_a_strobe_without_any_level_contradicts_nothing(tmp_path):
    path = capture(tmp_path, lines="eight")
    text = path.read_text()
    code = next(line.split()[3] for line in text.splitlines() if line.startswith("$var") and line.split()[4] == "RD")
    path.write_text(re.sub(rf"(?m)(?<=[01#\s])[01]{re.escape(code)}(?=\s)|^[01]{re.escape(code)}(?=\s)", f"x{code}", text))
    record = replayed(path)
    assert record is not None and not record.candidates and not record.dead_leads


def test_a_capture_that_begins_in_the_middle_names_nothing_from_two_leads(tmp_path):
    record = replayed(capture(tmp_path, start_s=0.002))
    assert record is None or not record.candidates


def test_a_capture_that_begins_in_the_middle_is_met_by_its_bus(tmp_path):
    record = replayed(capture(tmp_path, start_s=0.002, lines="full"))
    assert record.found_by == "bus" and record.healthy_matched == record.cycles > 300


def test_a_dead_strobe_is_named_where_the_machine_runs_without_it(tmp_path):
    record = replayed(capture(tmp_path, lines="eight", faults=[fault("dead-low", line="M1")]))
    assert first_group(record) == {("dead-low", ("M1",))}
    assert record.healthy_matched < record.cycles
