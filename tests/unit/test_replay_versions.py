"""Two versions of one ROM: the one that runs is found, and a fault is named beside it."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from strobewise.diagnosis.facade import diagnose, examine
from strobewise.diagnosis.observations import replay_words
from strobewise.machine.faults import fault
from strobewise.machine.scenario import GENERIC
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.replay.known import known_programs

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from long_program import long_program

sys.path.pop(0)

OLD, NEW = long_program(1), long_program(2)
OLD_FIRST = (("old.rom", 0, OLD), ("new.rom", 0, NEW))
NEW_FIRST = OLD_FIRST[::-1]


def options(roms):
    return Options(roms=roms, clock_hz=GENERIC.clock_hz, profile=GENERIC)


def captured(tmp_path, *faults, lines=("M1", "MREQ", "RESET"), duration_s=0.0015):
    """Return a capture of a machine in which the new version runs."""
    path = tmp_path / "capture.vcd"
    text = io.StringIO()
    simulate(lines=lines, duration_s=duration_s, contents=((0, NEW),), faults=faults).write_vcd(text)
    path.write_text(text.getvalue())
    return str(path)


@pytest.mark.parametrize("roms", [OLD_FIRST, NEW_FIRST], ids=["old first", "new first"])
def test_the_version_that_runs_is_found(tmp_path, roms):
    record = examine(captured(tmp_path), options(roms)).evidence.replay
    assert record.program == "new.rom@0x0000" and record.healthy and record.versions == ("old.rom@0x0000",)
    assert "new.rom@0x0000" in replay_words(record) and "(given as well: old.rom@0x0000)" in replay_words(record)


def test_a_fault_is_named_beside_the_version_that_runs(tmp_path):
    wrong = fault("ram-missing", start=0x4000, end=0xFFFF)
    record = examine(captured(tmp_path, wrong, duration_s=0.003), options(OLD_FIRST)).evidence.replay
    assert record.program == "new.rom@0x0000" and record.explains_all
    assert any(candidate.fault == "ram-missing" for candidate in record.candidates if candidate.group == 1)


def test_the_version_that_does_not_run_is_no_wrong_content(tmp_path):
    path = captured(tmp_path, lines="full")
    assert {f.rule for f in diagnose([path], options(OLD_FIRST[:1])).findings} >= {"rom-content"}
    assert not [f.rule for f in diagnose([path], options(OLD_FIRST)).findings]


def test_images_at_different_addresses_are_no_versions():
    several = (*OLD_FIRST, ("high.rom", 0x2000, bytes(0x100)), ("other.rom", 0x2000, bytes([1]) * 0x100))
    names = [program.name for program in known_programs(Options(roms=several))]
    assert names == [f"{low}@0x0000, {high}@0x2000" for low in ("old.rom", "new.rom") for high in ("high.rom", "other.rom")]
    assert len(known_programs(Options(roms=OLD_FIRST[:1]))) == 1 and known_programs(Options()) == []
    assert len(known_programs(Options(roms=OLD_FIRST, stimulus=True))) == 1
