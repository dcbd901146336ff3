"""``strobewise listing`` from the outside: every demo capture, files and pipes, and what it cannot do."""

from __future__ import annotations

import csv
import io

import pytest

from conftest import TRACES, all_traces, run_strobewise

FULL = TRACES / "good" / "healthy-full.vcd.gz"
COLUMNS = ["start_s", "address", "bytes", "text", "t_states", "expected_t_states", "note"]


def rows(output: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(output.decode())))


@pytest.mark.parametrize("trace", sorted((TRACES / "good").iterdir()), ids=lambda path: path.name)
def test_healthy_machines_take_the_time_that_the_manual_gives(trace):
    done = run_strobewise("listing", trace, "--format", "csv")
    if done.returncode == 2:
        assert b"no opcode can be read without D0" in done.stderr and done.stdout == b""
        return
    found = rows(done.stdout)
    assert done.returncode == 0 and list(found[0]) == COLUMNS and len(found) > 10
    starts = [float(row["start_s"]) for row in found]
    assert starts == sorted(starts)
    differ = [row for row in found if row["t_states"] != row["expected_t_states"] and "ends inside" not in row["note"]]
    assert differ in ([], found[-1:])  # how long the last one was the capture does not show
    assert not [row for row in found if "out of sequence" in row["note"] or "resynchronised" in row["note"]]
    assert all(row["bytes"] and row["address"].startswith("0x") for row in found if row["text"])


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name)
def test_every_demo_capture_can_be_listed_or_says_why_not(trace):
    done = run_strobewise("listing", trace)
    if done.returncode:
        assert done.returncode == 2 and done.stderr.count(b"strobewise: error:") == 1 and b"D0" in done.stderr
    else:
        assert done.stdout.startswith(b"       time, s  addr  bytes        instruction")


def test_a_dead_fetch_strobe_makes_no_difference_to_the_program():
    dead = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
    found = rows(run_strobewise("listing", dead, "--format", "csv").stdout)
    assert len(found) > 300 and not [row for row in found[:-1] if row["t_states"] != row["expected_t_states"]]


def test_from_data_alone():
    whole = rows(run_strobewise("listing", FULL, "--format", "csv").stdout)
    blind = rows(run_strobewise("listing", FULL, "--format", "csv", *[f"--map=A{bit}=none" for bit in range(16)]).stdout)
    assert [row["bytes"] for row in blind] == [row["bytes"] for row in whole]
    assert sum(row["address"] == other["address"] != "" for row, other in zip(blind, whole, strict=True)) > 0.9 * len(whole)


def test_into_a_file_whole_or_not_at_all(tmp_path):
    target = tmp_path / "boot.lst"
    assert run_strobewise("listing", FULL, "-o", target).returncode == 0
    assert target.read_bytes() == run_strobewise("listing", FULL).stdout
    refused = run_strobewise("listing", TRACES / "good" / "healthy-eight.vcd.gz", "-o", tmp_path / "no.lst")
    assert refused.returncode == 2 and not (tmp_path / "no.lst").exists()
    assert run_strobewise("listing", FULL, "--format", "xml").returncode == 2


def test_the_model_beside_the_program():
    done = run_strobewise("listing", FULL, "--check", "--format", "csv")
    assert done.stdout == run_strobewise("listing", FULL, "--format", "csv").stdout
    assert b"instructions checked: 0 contradictions" in done.stderr
    stuck = run_strobewise("listing", TRACES / "faults" / "data-line-stuck" / "d2-stuck.vcd.gz", "--check", "--format", "csv")
    notes = [row["note"] for row in rows(stuck.stdout) if "the CPU should write" in row["note"]]
    assert notes and all(note.endswith(("D2 low", "D2 high")) for note in notes)
    blind = run_strobewise("listing", FULL, "--check", "--map=A3=none")
    assert blind.returncode == 2 and b"the program cannot be checked without A0 to A15" in blind.stderr
