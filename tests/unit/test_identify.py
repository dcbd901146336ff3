"""Channels without names: which line is on which, by behaviour alone."""

from __future__ import annotations

import random

import numpy as np
import pytest

from strobewise.capture import BitAssignment, open_capture
from strobewise.capture.channels import map_channels
from strobewise.diagnosis import diagnose
from strobewise.evidence.identify import identify
from strobewise.machine.scenario import LINE_SETS
from strobewise.machine.simulate import simulate


def identified(tmp_path, seed, lines, **settings):
    """Return {true line: what identify says} for channels in an order by chance."""
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(lines=lines, seed=seed, **settings).write_vcd(file)
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        uses = list(channels.uses)
        random.Random(seed).shuffle(uses)
        by_bit = {a.target_bit: a for a in channels.assignments}
        bits = [BitAssignment(by_bit[u.target_bit].code, by_bit[u.target_bit].bit_in_vector, k) for k, u in enumerate(uses)]
        blocks = list(capture.blocks(bits))
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    return {uses[role.channel].line: role.line for role in identify(times, words, len(uses), 41.67)}, {u.line for u in uses}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("lines", ["two", "eight", "full"])
def test_what_moves_is_named(tmp_path, lines, seed):
    said, captured = identified(tmp_path, seed, LINE_SETS[lines])
    expected = {"CLK", "M1", "MREQ", "RD", "WR", "RFSH", *(f"A{k}" for k in range(7))} & captured
    assert {line: said.get(line) for line in expected} == {line: line for line in expected}
    for line, role in said.items():  # nothing is called what it is not
        group = "data" if line[0] == "D" and line[1:].isdigit() else "upper address" if line[0] == "A" and line[1:].isdigit() else line
        assert role in (line, group)


def test_without_a_clock_channel(tmp_path):
    said, _ = identified(tmp_path, 4, tuple(name for name in LINE_SETS["full"] if name != "CLK"))
    assert {line: said.get(line) for line in ("M1", "MREQ", "RD", "RFSH")} == {line: line for line in ("M1", "MREQ", "RD", "RFSH")}


def test_the_diagnosis_offers_the_mapping(tmp_path):
    path = tmp_path / "clips.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(lines="eight", names="channels").write_vcd(file)
    said = diagnose([path])
    assert said.verdict.state == "cannot_decide"
    (finding,) = said.findings
    assert finding.rule == "unlabelled-channels"
    assert "--map MREQ=CH2" in finding.next_step and "--map M1=CH1" in finding.next_step


def test_noise_is_given_no_name():
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.integers(1, 50, 5000))
    assert [role for role in identify(times, rng.integers(0, 256, 5000).astype(np.uint64), 8, 1.0) if role.line != "CLK"] == []
    assert identify(times[:10], np.zeros(10, np.uint64), 8, 1.0) == []
