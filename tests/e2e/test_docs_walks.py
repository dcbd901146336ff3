"""Repairs that the documentation walks through do what `case next` says at each point, and nothing else."""

from __future__ import annotations

import json
import re
import shlex

import pytest
from shown_commands import code_lines, furnish, run

from conftest import ROOT
from strobewise.case.state import examined_capture
from strobewise.case.store import open_case

PAGES = [ROOT / "README.md", ROOT / "docs" / "how-to" / "case.md"]
ENOUGH = 0.99  #: of the length that was asked for: the simulated analyser ends with whole samples
MEASURED = re.compile(r"^(OHMS|VOLTS)$")


def closed_in(lines):
    """Return the folders of the cases that a page brings to their end."""
    return [shlex.split(line)[3] for line in lines if line.startswith("strobewise case close ")]


def fits(done, asked):
    """Say whether a command is one of those that a step prints, with the name of the capture, and what was measured, filled in."""
    return any(
        len(done) == len(wanted)
        and all(word in (said, "CAPTURE.vcd") or MEASURED.match(word) for said, word in zip(done, wanted, strict=True))
        for wanted in map(shlex.split, asked)
    )


def as_asked(folder, settings):
    """Say whether the last capture of a case is as long, and as fast, as its step asked."""
    case = open_case(folder)
    examined, _ = examined_capture(case, case.captures[-1])
    assert examined.evidence.duration_s >= ENOUGH * settings["duration_s"]
    assert round(1 / examined.sample_interval_s) == settings["sample_hz"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_a_repair_in_the_docs_does_what_next_says(page, tmp_path):
    workplace = furnish(tmp_path)
    lines = code_lines(page.read_text(encoding="utf-8"))
    (folder,) = closed_in(lines)
    done = []
    commands = [command for line in lines for command in line.split(" && ")]
    for line in (each for each in commands if folder in shlex.split(each) or " simulate " in each):
        words = shlex.split(line)
        step = None
        if words[:2] == ["strobewise", "case"] and words[2] in ("add", "answer", "close"):
            step = json.loads(run(f"strobewise case next {folder} --json -", workplace).stdout)
            if words[2] == "close":
                assert step["kind"] == "close" and words[:6] == shlex.split(step["commands"][0])[:6], step["title"]
            else:
                assert fits(words, step["commands"]), f"{line}\nbut it says: {step['title']}\n{step['commands']}"
            done.append(step["kind"])
        run(line, workplace)
        if step is not None and step["kind"] == "capture":
            as_asked(workplace / folder, step["settings"])
    state = json.loads(run(f"strobewise case show {folder} --json -", workplace).stdout)
    assert state["closed"]["proven"] and state["closed"]["was"] == "cpu"
    assert done[0] == "capture" and "repair" in done and done[-2:] == ["capture", "close"]
