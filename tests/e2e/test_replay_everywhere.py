"""The known program speaks in every command that judges a capture, and is silent with --no-replay."""

from __future__ import annotations

import gzip
import shutil

from conftest import TRACES, run_strobewise

SHORTED = TRACES / "faults" / "program-names-fault" / "two-clips.vcd.gz"
GOOD = TRACES / "good" / "healthy-two.vcd"
MACHINES = TRACES / "machines"
PROGRAM = ("--rom", f"{MACHINES / 'dunlin.rom'}@0x0000", "--machine", MACHINES / "dunlin.toml")
NAMED = "with D5 and D6 shorted it does the same as the capture in 1527 of 1527"


def says(done, code):
    assert done.returncode == code, done.stderr.decode()
    return done.stdout.decode()


def watch(*more):
    return run_strobewise("watch", "-", *PROGRAM, "--window", "0.02", *more, stdin=gzip.decompress(SHORTED.read_bytes()))


def test_watch_names_the_lines_of_a_machine_that_was_switched_on_while_it_watched():
    assert NAMED in says(watch(), 1)
    assert NAMED not in says(watch("--no-replay"), 0)


def test_survey_names_the_lines(tmp_path):
    shutil.copy(SHORTED, tmp_path)
    shutil.copy(GOOD, tmp_path)
    lines = says(run_strobewise("survey", tmp_path, *PROGRAM, "--processes", "1"), 1).splitlines()
    assert NAMED in next(line for line in lines if SHORTED.name in line)
    assert lines[-1] == "2 captures: 1 without a fault, 1 with one, 0 undecided, 0 unreadable"
    assert NAMED not in says(run_strobewise("survey", tmp_path, *PROGRAM, "--processes", "1", "--no-replay"), 0)


def test_verify_fails_where_the_program_is_left(tmp_path):
    expected = tmp_path / "board.expect.toml"
    says(run_strobewise("verify", GOOD, *PROGRAM, "--record", expected), 0)
    says(run_strobewise("verify", GOOD, *PROGRAM, "--expect", expected), 0)
    assert NAMED in says(run_strobewise("verify", SHORTED, *PROGRAM, "--expect", expected), 1)
    says(run_strobewise("verify", SHORTED, *PROGRAM[2:], "--expect", expected, "--no-replay"), 0)


def test_compare_says_that_it_is_gone():
    text = " ".join(says(run_strobewise("compare", SHORTED, GOOD, *PROGRAM), 1).split())
    assert text.startswith("Not seen again: one fault explains what the program does (D5, D6)") and NAMED in text
    assert NAMED not in " ".join(run_strobewise("compare", SHORTED, GOOD, *PROGRAM, "--no-replay").stdout.decode().split())
