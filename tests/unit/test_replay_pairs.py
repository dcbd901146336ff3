"""Two faults at once: named together where no single one explains a capture; and the halves of a ROM in each other's place."""

from __future__ import annotations

import io

import pytest

from strobewise.diagnosis.facade import examine
from strobewise.diagnosis.observations import replay_words
from strobewise.machine.faults import fault
from strobewise.machine.scenario import GENERIC
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.replay import Candidate
from strobewise.replay.stimulus import stimulus_for
from strobewise.rules.replay import by_part, describe, describe_group, explain

IMAGE = stimulus_for(GENERIC).image


def of_test_program(tmp_path, *faults):
    """Return the replay of the test program on a machine with faults, from three leads."""
    path = tmp_path / "capture.vcd"
    text = io.StringIO()
    simulate(lines=("M1", "MREQ", "RESET"), duration_s=0.004, contents=((0, IMAGE),), faults=faults).write_vcd(text)
    path.write_text(text.getvalue())
    return examine(str(path), Options(clock_hz=GENERIC.clock_hz, profile=GENERIC, stimulus=True)).evidence.replay


@pytest.mark.parametrize(
    "both",
    [
        (fault("open-at-chip", line="A9", chip="rom", level="low", start=0, end=0x1FFF),
         fault("ram-bit-dead", bit=3, level="low", start=0x4000, end=0x7FFF)),
        # single bits of the ROM would do it as well, if dozens of unknown bits came out just right
        (fault("ram-bit-dead", bit=3, level="low", start=0x4000, end=0x7FFF),
         fault("ram-bit-dead", bit=5, level="high", start=0x8000, end=0xBFFF)),
    ],
    ids=lambda both: " and ".join(each.kind for each in both),
)  # fmt: skip
def test_two_faults_at_once_are_named_together_where_no_single_one_explains_all(tmp_path, both):
    record = of_test_program(tmp_path, *both)
    assert record.together and record.explains_all and record.candidates[0].matched == record.cycles
    assert record.healthy_matched < record.runner_up < record.cycles
    blamed = {candidate.lines or candidate.region for candidate in record.candidates}
    assert blamed == {each.lines or (each.values["start"], each.values["end"]) for each in both}
    assert " together with " in replay_words(record)
    first, second = by_part(record.candidates)
    assert f"{describe_group(first)} together with {describe_group(second)}" in explain(record)


def test_one_fault_that_explains_all_is_not_made_two(tmp_path):
    record = of_test_program(tmp_path, fault("ram-bit-dead", bit=3, level="low", start=0x4000, end=0x7FFF))
    assert record.explains_all and not record.together and " together with " not in explain(record)


def test_what_comes_and_goes_is_not_made_two_faults(tmp_path):
    record = of_test_program(tmp_path, fault("intermittent", line="D3", after_s=0.0005))
    assert not record.together


def test_the_halves_of_a_rom_in_each_others_place_are_told(tmp_path):
    record = of_test_program(tmp_path, fault("rom-halves-exchanged", start=0, end=0x1FFF))
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    assert "rom-halves-exchanged" in {candidate.fault for candidate in first} and {candidate.lines for candidate in first} == {("A12",)}
    assert first[0].matched == record.cycles
    assert "the halves of the ROM in each other's place" in explain(record)


RAM, HIGH_RAM = (0x4000, 0x7FFF), (0x4000, 0x4000)


@pytest.mark.parametrize(
    ("kind", "place", "lines", "region", "chips", "words"),
    [
        ("dead-high", "line", ("A5",), None, (), "A5 stuck high"),
        ("dead-low", "cpu", ("D3",), None, (), "D3 stuck low at the CPU"),
        ("floating", "socket", ("D3",), None, (), "D3 floating behind the CPU's pin"),
        ("shorted", "line", ("D5", "D6"), None, (), "D5 and D6 shorted"),
        ("open-at-chip", "rom", ("A9",), (0, 0x1FFF), ("U5",), "A9 open at the ROM (U5)"),
        ("open-at-chip", "ram", ("A9",), RAM, ("U6", "U7"), "A9 open at the RAM 4000h-7fffh (U6, U7)"),
        ("dead-low", "probe", ("RD",), None, (), "/RD stuck low at its lead"),
        ("dead-low", "connector", ("RD",), None, (), "/RD stuck low at the connector"),
        ("cpu-data-in-stuck", "cpu", ("D1",), None, (), "D1 stuck at the CPU's input"),
        ("cpu-data-out-stuck", "cpu", ("D1",), None, (), "D1 stuck at the CPU's output"),
        ("rom-data-stuck", "rom", ("D1",), None, ("U5",), "D1 stuck at the ROM's output (U5)"),
        ("ram-bit-dead", "ram", ("D1",), RAM, ("U6",), "D1 dead in RAM 4000h-7fffh (U6)"),
        ("rom-bit-flipped", "rom", ("D1",), HIGH_RAM, (), "D1 flipped in one byte of ROM 4000h"),
        *((f"{name}-held", "line", (name.upper(),), None, (), f"/{name.upper()} held low") for name in ("reset", "wait", "busreq")),
        ("clock-dead", "line", ("CLK",), None, (), "CLK stopped"),
        ("rom-absent", "rom", (), None, ("U5",), "no ROM answering (U5)"),
        ("rom-not-selected", "rom", (), None, (), "the ROM never selected"),
        ("ram-missing", "ram", (), RAM, (), "no RAM answering 4000h-7fffh"),
        ("ram-mirrored", "ram", ("A14",), RAM, (), "RAM following other RAM 4000h-7fffh"),
        ("rom-halves-exchanged", "rom", ("A12",), None, (), "the halves of the ROM in each other's place"),
        ("device-silent", "board", (), None, (), "an expansion device that never answers"),
        ("device-never-leaves", "board", (), None, (), "an expansion device that never lets go"),
    ],
)
def test_each_fault_that_a_replay_names_is_said_with_its_place(kind, place, lines, region, chips, words):
    assert describe(Candidate(1, kind, place, lines, region, chips, "cpu", ("cpu",), 100)) == words
