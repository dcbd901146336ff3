"""The known program beside simulated captures."""

import io
import json
import re
from dataclasses import replace

import pytest

from strobewise.archive.record import Task, examine_task
from strobewise.compare.comparison import compare
from strobewise.diagnosis.facade import diagnose, examine
from strobewise.diagnosis.ports import learn_ports
from strobewise.errors import CaptureError
from strobewise.expectations import observe
from strobewise.machine.board import Port
from strobewise.machine.faults import Fault, fault
from strobewise.machine.programs import assemble
from strobewise.machine.scenario import GENERIC, GENERIC_PAGING, Scenario
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.replay.paging import judge_paging
from strobewise_cli.main import main

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


@pytest.mark.parametrize(("line", "level"), [("D1", "low"), ("D5", "high"), ("D7", "high")])
def test_a_stuck_data_line_is_named_although_the_machine_runs_through_memory_of_unknown_content(tmp_path, line, level):
    """What it fetches there was taken from the capture; but each byte of it has the line at its level."""
    path = capture(tmp_path, lines="full", faults=[fault(f"dead-{level}", line=line, at="line")], duration_s=0.001)
    assert first_group(replayed(path, profile=GENERIC)) == {(f"dead-{level}", (line,))}


@pytest.mark.parametrize("place", ["*0100", "*011E"], ids=["within a line", "across a carry"])
def test_a_table_of_jumps_that_memory_of_unknown_content_leads_through_is_no_end_of_the_comparison(tmp_path, place):
    source = """
        F3 31 F0 FF again: 3A 00 80 3C 32 00 80 E6 03 87 5F 16 00 21 @jumps 19 5E 23 56 EB E9
        one: 00 C3 @again two: 3E 01 3C C3 @again three: E5 E1 C3 @again four: 06 02 loop: 10 >loop C3 @again
        PLACE jumps: @one @two @three @four
    """
    image = assemble(source.replace("PLACE", place), {}).ljust(0x2000, b"\xff")
    path = capture(tmp_path, lines=("M1", "MREQ", "RESET"), contents=((0, image),))
    record = examine(str(path), Options(roms=(("jumps.rom", 0, image),), clock_hz=3_276_800, profile=GENERIC)).evidence.replay
    assert record.healthy_ended == "complete" and record.healthy_matched == record.cycles > 300


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
    assert replayed(capture(tmp_path, start_s=0.002)) is None


def test_a_capture_that_begins_in_the_middle_is_met_by_its_bus(tmp_path):
    record = replayed(capture(tmp_path, start_s=0.002, lines="full"))
    assert record.found_by == "bus" and record.healthy_matched == record.cycles > 300


def test_a_dead_strobe_is_named_where_the_machine_runs_without_it(tmp_path):
    record = replayed(capture(tmp_path, lines="eight", faults=[fault("dead-low", line="M1")]))
    assert first_group(record) == {("dead-low", ("M1",))}
    assert record.healthy_matched < record.cycles


def test_a_dead_refresh_strobe_is_named_where_the_machine_runs_without_it(tmp_path):
    record = replayed(capture(tmp_path, lines="eight", faults=[fault("dead-high", line="RFSH")]))
    assert first_group(record) == {("dead-high", ("RFSH",))}


def test_a_halt_line_that_is_low_while_the_program_runs_is_named(tmp_path):
    assert first_group(replayed(capture(tmp_path, lines="control", faults=[fault("dead-low", line="HALT")]))) == {("dead-low", ("HALT",))}


def test_a_strobe_is_named_although_it_hides_the_acknowledges_of_the_interrupts(tmp_path):
    path = capture(tmp_path, duration_s=0.004, lines="control", faults=[fault("dead-low", line="IORQ", at="probe")])
    record = replayed(path)
    assert first_group(record) == {("dead-low", ("IORQ",))} and record.explains_all


@pytest.mark.parametrize("line", ["RD", "MREQ", "WR"])
def test_a_strobe_that_dies_on_the_way_is_followed_by_its_lead(tmp_path, line):
    """The machine goes astray when the driver dies, and no fault that is there from the begin on explains it."""
    died = fault("intermittent", line=line, level="high", after_s=0.00005, ramp_s=1e-6, burst_s=3e-5)
    record = replayed(capture(tmp_path, lines="sixteen", duration_s=0.001, faults=[died]))
    assert first_group(record) == {("dead-high", (line,))}
    assert record.explains_all and 30 < record.healthy_matched < record.cycles


def test_a_dead_memory_request_is_named_by_the_rhythm_of_m1_alone(tmp_path):
    record = replayed(capture(tmp_path, faults=[fault("dead-high", line="MREQ", at="cpu")]))
    assert {lines for _, lines in first_group(record)} == {("MREQ",)} and record.explains_all


def test_one_wrong_reading_of_one_byte_is_no_bit_of_the_rom_yet(tmp_path):
    """Whatever disturbed that moment would do the same; with the data lines there the byte itself speaks."""
    flipped = fault("rom-bit-flipped", address=128, bit=0)  # read once, after reset
    record = replayed(capture(tmp_path, lines=("M1", "MREQ", "RESET"), faults=[flipped]))
    assert not record.candidates and record.misread == 128
    record = replayed(capture(tmp_path, lines="full", faults=[flipped]))
    assert ("rom-bit-flipped", (128, 128)) in {(c.fault, c.region) for c in record.candidates if c.group == 1}


def test_leads_that_never_show_a_fetch_after_reset_agree_in_no_cycle(tmp_path):
    path = capture(tmp_path, lines=("M1", "MREQ", "RESET"), faults=[fault("dead-high", line="M1", at="probe")])
    record = replayed(path)
    assert record.healthy_matched == 0 and {lines for _, lines in first_group(record)} <= {("M1",)}


PAGED = replace(GENERIC, paging=(GENERIC_PAGING,))


def test_a_device_that_never_answers_is_named_beside_a_program_that_runs(tmp_path):
    path = capture(tmp_path, machine=PAGED, lines="full_port", duration_s=0.003, faults=[fault("device-silent")])
    assert first_group(paged(path).replay) == {("device-silent", ("ROMDIS",))}


def test_a_device_that_never_lets_go_is_named_from_the_second_time_on(tmp_path):
    """Its content is not known, and taken from the capture: so the program is followed although nothing gives it back its ROM."""
    evidence = paged(capture(tmp_path, machine=PAGED, lines="full_port", duration_s=0.003, faults=[fault("device-never-leaves")]))
    record = evidence.replay
    assert record.healthy_matched == record.cycles > 500 and not record.candidates
    evidence.pagings[0].not_released = 2
    judge_paging(record, evidence)
    assert first_group(record) == {("device-never-leaves", ("ROMDIS",))}


def test_a_device_that_pages_as_it_should_is_no_fault(tmp_path):
    record = paged(capture(tmp_path, machine=PAGED, lines="full_port", duration_s=0.003)).replay
    assert record.healthy_matched == record.cycles > 500 and not record.candidates


def paged(path):
    image = Scenario(machine=PAGED).demo("patrol")
    return examine(str(path), Options(roms=(("patrol.rom", 0, image),), clock_hz=3_276_800, profile=PAGED)).evidence


@pytest.mark.parametrize("program", ["doze", "stop"])
def test_a_halted_machine_is_met_as_one(tmp_path, program):
    image = Scenario().demo(program)
    path = capture(tmp_path, start_s=0.0013, duration_s=0.001, lines="full", contents=((0, image),))
    record = examine(str(path), Options(roms=(("p.rom", 0, image),), clock_hz=3_276_800)).evidence.replay
    assert record.healthy_matched == record.cycles > 200 and not record.candidates


class Begun(Fault):
    """A fault of a line that begins 0.3 ms after power-on, and stays."""

    @property
    def effects(self):
        return tuple(each._replace(after_s=0.0003) for each in Fault.effects.fget(self))


@pytest.mark.parametrize(("line", "level"), [("D6", "low"), ("A3", "high")])
def test_a_fault_that_begins_on_the_way_is_named_with_its_begin(tmp_path, line, level):
    """No fault that was there from the begin on leads further than the healthy machine, and no lead shows the line."""
    died = Begun(f"dead-{level}", {"line": line, "at": "socket"})
    record = replayed(capture(tmp_path, duration_s=0.002, lines=("M1", "MREQ", "RESET"), faults=[died]), profile=GENERIC)
    assert {lines for _, lines in first_group(record)} == {(line,)} and record.explains_all
    assert 0.0002 < record.since_s < 0.0005 and 50 < record.healthy_matched < record.cycles


def test_a_machine_that_leaves_its_program_for_no_known_reason_is_told(tmp_path):
    """Nobody can be named: weak cells have no entry. "No fault found" would be wrong all the same."""
    weak = fault("ram-cells-weak", bit=6, probability=0.2, start=0x4000, end=0xFFFF)
    path = capture(tmp_path, duration_s=0.003, lines=("M1", "MREQ", "RESET"), faults=[weak])
    diagnosis = diagnose([path], Options(roms=(("patrol.rom", 0, PROGRAM),), clock_hz=3_276_800))
    assert [f.rule for f in diagnosis.findings if f.severity != "note"] == ["program-left"]
    assert diagnosis.verdict.state == "cannot_decide"


def test_what_unknown_memory_bought_explains_nothing(tmp_path):
    """Memory that was never written agrees with any read, so a dead /WR seems to explain cells that forget, unless each byte is held to."""
    weak = fault("ram-cells-weak", bit=5, probability=0.1, start=0x4000, end=0xFFFF)
    assert not replayed(capture(tmp_path, duration_s=0.003, lines="full", faults=[weak])).candidates


def test_a_device_without_a_lead_is_followed_to_where_its_own_program_begins(tmp_path):
    path = capture(tmp_path, machine=PAGED, lines=("M1", "MREQ", "RESET"), duration_s=0.003)
    record = paged(path).replay
    assert record.healthy_matched == record.cycles > 50 and record.healthy_ended == "lost" and not record.candidates


def test_a_device_that_is_not_there_is_no_end_of_the_comparison(tmp_path):
    path = capture(tmp_path, machine=PAGED, lines=("M1", "MREQ", "RESET"), duration_s=0.003, faults=[fault("device-silent")])
    record = paged(path).replay
    assert record.healthy_matched == record.cycles > 500 and record.healthy_ended == "complete"


def test_a_bus_that_was_asked_for_comes_before_a_clock_that_stopped_just_between_two_cycles(tmp_path):
    held = fault("busreq-held", after_s=0.0004)
    record = replayed(capture(tmp_path, duration_s=0.002, lines=("M1", "MREQ", "RESET"), faults=[held]))
    assert {(c.group, c.fault) for c in record.candidates} == {(1, "busreq-held"), (2, "clock-dead")}


def test_a_capture_without_any_request_is_no_error(tmp_path):
    path = capture(tmp_path, lines="full", faults=[fault("clock-dead", after_s=0.0, level="low")])
    assert replayed(path) is None or not replayed(path).candidates


def test_comparing_surveying_and_verifying_replay_the_program_as_well(tmp_path):
    """From two leads nothing but the program tells a short of data lines."""
    well, short = tmp_path / "well", tmp_path / "short"
    well.mkdir()
    short.mkdir()
    good, bad = capture(well), capture(short, faults=[fault("shorted", lines=["D5", "D6"])])
    options = Options(roms=(("patrol.rom", 0, PROGRAM),), clock_hz=3_276_800)
    assert [finding.lines for finding in compare(str(good), str(bad), options).new] == [("D5", "D6")]
    assert not compare(str(good), str(bad), replace(options, replay=False)).new
    verdicts = [observe(str(path), options).diagnosis.verdict for path in (good, bad)]
    assert [verdict.state for verdict in verdicts] == ["no_fault_found", "fault"]
    rows = [examine_task(Task(str(path.parent), path.name, 0, 0), options).capture for path in (good, bad)]
    assert [row["state"] for row in rows] == ["no_fault_found", "fault"]


BY_PORT = """
    F3 31 F0 FF again: 3E 40 DB 1F E6 FE 87 5F 16 00 21 @jumps 19 5E 23 56 EB E9
    first: C3 @again second: 3E 01 3C C3 @again
    jumps: @first @first @first @first @second @second @second @second
"""


def by_port(tmp_path, name, leads, answer=0x04):
    """A program that goes on where a port says; return its capture and its image."""
    image = assemble(BY_PORT, {}).ljust(0x2000, b"\xff")
    (tmp_path / name).mkdir()
    return capture(tmp_path / name, lines=leads, contents=((0, image),), ports=(Port(0xFF, 0x1F, answer),)), image


def test_what_ports_answer_in_a_healthy_capture_leads_the_replay_of_another_on(tmp_path):
    good, image = by_port(tmp_path, "good", "full")
    suspect, _ = by_port(tmp_path, "suspect", ("M1", "MREQ", "RESET"))
    plain = Options(roms=(("port.rom", 0, image),), clock_hz=3_276_800, profile=GENERIC)
    told = replace(plain, ports=learn_ports(str(good), plain))
    assert [(one.address, one.value, one.unknown) for one in told.ports] == [(0x401F, 0x04, 0)]
    assert examine(str(suspect), plain).evidence.replay.healthy_ended == "lost"
    record = examine(str(suspect), told).evidence.replay
    assert record.healthy_ended == "complete" and record.healthy_matched == record.cycles > 100


def test_a_port_that_answers_otherwise_than_in_the_healthy_capture_is_no_fault(tmp_path):
    good, image = by_port(tmp_path, "good", "full")
    suspect, _ = by_port(tmp_path, "suspect", "full", answer=0x00)  # a key is pressed there
    plain = Options(roms=(("port.rom", 0, image),), clock_hz=3_276_800, profile=GENERIC)
    record = examine(str(suspect), replace(plain, ports=learn_ports(str(good), plain))).evidence.replay
    assert not record.candidates and record.healthy_matched == record.cycles > 100


def test_a_healthy_capture_that_shows_no_port_says_so(tmp_path):
    with pytest.raises(CaptureError, match="no read of a port"):
        learn_ports(str(capture(tmp_path)), Options(clock_hz=3_276_800))


def test_a_fault_that_leads_into_unknown_memory_is_told_by_what_contradicts_all_others(tmp_path):
    """With D2 low at the ROM the machine soon runs through RAM: nobody can follow from two leads, but all other faults go another way."""
    image = PROGRAM.ljust(0x2000, b"\xff")
    path = capture(tmp_path, lines=("M1", "MREQ", "RESET"), duration_s=0.002, faults=[fault("rom-data-stuck", bit=2, level="low")])
    diagnosis = diagnose([path], Options(roms=(("patrol.rom", 0, image),), clock_hz=3_276_800, profile=GENERIC))
    finding = next(f for f in diagnosis.findings if f.rule == "program-names-fault")
    assert finding.lines == ("D2",) and "all part from it but those" in finding.evidence
    assert finding.confidence == 0.5


def test_who_is_left_is_told_though_there_are_several(tmp_path):
    stuck = fault("cpu-data-out-stuck", bit=7, level="high")
    path = capture(tmp_path, lines=("M1", "MREQ", "RESET"), duration_s=0.002, faults=[stuck])
    diagnosis = diagnose([path], Options(roms=(("patrol.rom", 0, PROGRAM.ljust(0x2000, b"\xff")),), clock_hz=3_276_800, profile=GENERIC))
    finding = next(f for f in diagnosis.findings if f.rule == "program-left")
    assert "D7 stuck at the CPU's output" in finding.evidence and "/WR" in finding.evidence
    assert "clip D5 or D7 as well" in finding.next_step


def test_a_dead_write_strobe_is_followed_through_returns_into_empty_memory(tmp_path):
    """What it returns to nobody knows; but where the ROM is empty every fetch is RST 38h, and the handler is the program's own."""
    image = assemble("F3 31 F0 FF CD @first 76 first: 3E 01 C9 *0038 F5 E5 3E 05 E1 F1 C9", {}).ljust(0x2000, b"\xff")
    leads = ("M1", "MREQ", "RESET", "INT", "NMI")
    path = capture(tmp_path, lines=leads, contents=((0, image), (0x4000, b"\x00\x10" * 0x6000)), duration_s=0.002,
                   faults=[fault("dead-high", line="WR", at="cpu")])  # fmt: skip
    record = examine(str(path), Options(roms=(("first.rom", 0, image),), clock_hz=3_276_800, profile=GENERIC)).evidence.replay
    assert ("dead-high", ("WR",)) in {(c.fault, c.lines) for c in record.alike}  # and others that spoil what the stack gives back
    assert all(c.matched == record.cycles > 1000 for c in record.alike)


def test_the_healthy_capture_is_named_on_the_command_line(tmp_path, capsys):
    good, image = by_port(tmp_path, "good", "full")
    suspect, _ = by_port(tmp_path, "suspect", ("M1", "MREQ", "RESET"))
    (tmp_path / "port.rom").write_bytes(image)
    told = ["diagnose", str(suspect), "--rom", f"{tmp_path / 'port.rom'}@0", "--clock", "3276800", "--json", "-", "--like"]
    assert main([*told, str(good)]) == 0
    replay = json.loads(capsys.readouterr().out)["replay"]
    assert replay["healthy_matched"] == replay["cycles"] > 100
    assert main([*told, "-"]) == 2 and "--like" in capsys.readouterr().err
