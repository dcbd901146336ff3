"""What `strobewise diagnose` prints and writes for every demo capture, kept word by word.

After an intended change run ``STROBEWISE_UPDATE_GOLDEN=1 pytest tests/golden`` and read the difference before committing it.
"""

from __future__ import annotations

import functools
import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from conftest import ROOT, TRACES, all_traces, run_strobewise

HERE = Path(__file__).resolve().parent
UPDATE = os.environ.get("STROBEWISE_UPDATE_GOLDEN") == "1"


def machine_of(path: Path) -> list[str]:
    if path.name.startswith("free-run"):
        return ["--free-run"]
    if path.name.startswith("two-clips"):
        return ["--machine", str(ROOT / "traces" / "machines" / "dunlin.toml"), "--rom", "traces/machines/dunlin.rom@0x0000"]
    profile = "dunlin-lodger" if "lodger" in path.name or "rom-stays" in path.name else "dunlin"
    return ["--machine", str(ROOT / "traces" / "machines" / f"{profile}.toml")]


def compare(path: Path, text: str) -> None:
    if UPDATE:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert path.exists(), "no golden file: run with STROBEWISE_UPDATE_GOLDEN=1 and look at what it writes"
    assert text == path.read_text(encoding="utf-8")


def short(path: Path) -> str:
    return path.name.partition(".")[0]


@pytest.mark.parametrize("capture", all_traces(), ids=short)
def test_the_report_reads_as_it_did(capture):
    done = run_strobewise("diagnose", capture.relative_to(ROOT), *machine_of(capture), cwd=ROOT)
    assert done.returncode in (0, 1, 3), done.stderr.decode()
    text = done.stdout.decode()
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text  # no colour when piped
    compare(HERE / "reports" / f"{short(capture)}.txt", text)


@functools.cache
def diagnosed(capture: Path) -> tuple[int, dict[str, Any]]:
    """Return the exit status and the JSON of a capture, read once for all tests of this file."""
    done = run_strobewise("diagnose", capture.relative_to(ROOT), *machine_of(capture), "--json", "-", cwd=ROOT)
    return done.returncode, json.loads(done.stdout)


@pytest.mark.parametrize("capture", all_traces(), ids=short)
def test_the_verdict_is_what_it_was(capture):
    status, said = diagnosed(capture)
    kept = {
        "exit": status,
        "verdict": said["verdict"],
        "cycles": said["cycles"],
        "findings": [{k: f[k] for k in ("rule", "severity", "lines", "suspect", "count")} for f in said["findings"]],
        "states": {line["line"]: line["state"] for line in said["lines"] if line["state"] != "not_captured"},
    }
    compare(HERE / "verdicts" / f"{short(capture)}.json", json.dumps(kept, indent=1) + "\n")


@pytest.mark.parametrize("capture", [path for path in all_traces() if path.is_relative_to(TRACES / "faults")], ids=short)
def test_a_capture_in_a_folder_named_after_a_rule_trips_it(capture):
    _, said = diagnosed(capture)
    assert capture.parent.name in [finding["rule"] for finding in said["findings"]]


@pytest.mark.parametrize("capture", [path for path in all_traces() if path.is_relative_to(TRACES / "good")], ids=short)
def test_a_healthy_capture_trips_nothing(capture):
    status, said = diagnosed(capture)
    assert (status, said["verdict"]["state"]) == (0, "no_fault_found")
    assert [finding["rule"] for finding in said["findings"] if finding["severity"] == "fault"] == []


def test_no_golden_file_is_left_over():
    names = {short(path) for path in all_traces()}
    for folder in ("reports", "verdicts"):
        assert {re.sub(r"\.(txt|json)$", "", path.name) for path in (HERE / folder).iterdir()} == names
