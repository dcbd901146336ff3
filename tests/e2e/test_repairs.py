"""Four repairs from symptom to proof: eight leads called CH0 to CH7, and nothing is done but what `strobewise case next` says."""

from __future__ import annotations

import sys

import pytest

from conftest import ROOT, run_strobewise

sys.path.insert(0, str(ROOT / "benchmarks"))
from repairs import Truth, play

from strobewise.machine.faults import fault
from strobewise.replay.stimulus import make_stimulus

STEPS = 6


def run(arguments):
    done = run_strobewise(*arguments)
    assert done.returncode in (0, 1, 3), done.stderr.decode()
    return done.returncode, done.stdout.decode()


@pytest.mark.parametrize(
    ("symptom", "truth", "mended"),
    [
        ("dead", Truth(fault("dead-low", line="M1")), "replaced:cpu"),
        (
            "garbage",
            Truth(fault("open-at-chip", line="D3", chip="ram"), program=make_stimulus(0x2000, (0x4000, 0xFFFF)).image),
            "resoldered:D3",
        ),
        ("ignores-expansion", Truth(fault("dead-high", line="M1", at="connector"), paging=True), "resoldered:M1"),
        (
            "dies-warm",
            Truth(fault("intermittent", line="M1", at="cpu", level="high", after_s=0.002, ramp_s=0.05), warm=True),
            "replaced:cpu",
        ),
    ],
    ids=["M1 dead", "data line open at a RAM", "contact of the port", "dies warm"],
)
def test_a_repair_ends_with_the_right_part_and_a_proof(symptom, truth, mended, tmp_path):
    course = play(truth, tmp_path, symptom, run)
    assert course.solved(truth), course.steps
    assert course.mended == mended and len(course.steps) <= STEPS
    items = course.case["items"]
    assert len(items) == len(course.steps) and all(item["changed"] for item in items)
    assert course.case["verdict"]["state"] == "no_fault_found" and course.case["proof"]["seen"]
    close = course.last["commands"][0].replace('"WHAT IT WAS"', "U1").split()[1:]
    run(close)
    status, text = run(["case", "next", str(tmp_path / "case")])
    assert status == 0 and "Nothing is left to do" in text
    sheet = tmp_path / "sheet.html"
    run(["case", "report", str(tmp_path / "case"), "--html", str(sheet), "--markdown", str(tmp_path / "sheet.md")])
    assert "Job sheet" in sheet.read_text() and "## Proof" in (tmp_path / "sheet.md").read_text()


def test_the_wrong_part_is_no_proof(tmp_path):
    truth = Truth(fault("dead-low", line="M1"))
    truth.mend = lambda step: None  # the new part is as dead as the old one
    course = play(truth, tmp_path, "dead", run, most=5)
    assert "replaced:cpu" in course.steps and not course.solved(truth)
    assert course.case["proof"]["state"] == "still_there" and course.case["verdict"]["state"] == "fault"
    (after,) = [item for item in course.case["items"] if item["changed"].startswith("still there")]
    assert after["kind"] == "capture"
