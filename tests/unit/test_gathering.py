"""What the reader counted on each line reaches the evidence: how long its level was known, and how long high, also through an inverter."""

from __future__ import annotations

import pytest

from conftest import TRACES
from strobewise import Options, diagnose
from strobewise.bus.lines import DATA
from strobewise.capture.vcd import state
from strobewise.evidence.parts import PARTS
from strobewise.machine.simulate import simulate

WHOLE_BUS = {
    "buses", "memory", "course", "leads", "timing", "settling", "prediction", "free_run", "unwritten", "odd_reads", "slips", "rhythm",
}  # fmt: skip
WITHOUT_ADDRESSES = {"buses", "course", "leads", "timing", "settling", "free_run", "bytes_alone", "told", "slips", "rhythm"}

#: 1000 ns; M1 unknown for the first quarter, then low for 250 ns; RD low for 600 ns.
CAPTURE = """$timescale 1 ns $end
$scope module bench $end
$var wire 1 a M1 $end
$var wire 1 b RD $end
$upscope $end
$enddefinitions $end
#{start}
xa 1b
#{first}
0a 0b
#{second}
1a
#{end}
1b
#{last}
"""


@pytest.mark.parametrize("start", [0, 500])
@pytest.mark.parametrize("inverted", [False, True])
def test_levels_are_shares_of_the_time_in_which_they_are_known(tmp_path, start, inverted):
    path = tmp_path / "levels.vcd"
    path.write_text(CAPTURE.format(start=start, first=start + 250, second=start + 500, end=start + 850, last=start + 1000))
    lines = diagnose([path], Options(maps=("RD=!RD",) if inverted else ())).evidence.lines
    assert lines["M1"].known_fraction == pytest.approx(0.75) and lines["M1"].high_fraction == pytest.approx(500 / 750)
    assert lines["RD"].known_fraction == 1.0 and lines["RD"].high_fraction == pytest.approx(0.6 if inverted else 0.4)
    assert (lines["M1"].edges, lines["RD"].edges) == (1, 2)


def test_a_line_that_is_never_known_has_no_levels(tmp_path):
    path = tmp_path / "levels.vcd"
    text = CAPTURE.format(start=0, first=250, second=500, end=850, last=1000)
    path.write_text(text.replace("xa", "xa xc").replace("$upscope", "$var wire 1 c WR $end\n$upscope"))
    evidence = diagnose([path]).evidence
    assert evidence.never_known == ("WR",) and "WR" not in evidence.lines and {"M1", "RD"} <= set(evidence.lines)


@pytest.mark.parametrize("name", ["healthy-eight.vcd.gz", "healthy-full.vcd.gz"])
def test_a_long_capture_is_as_well_known_as_a_short_one(name, monkeypatch):
    """Of most blocks of a long capture nobody counts how long a line was high; that its level was known stays known."""
    path = TRACES / "good" / name
    whole = diagnose([path]).evidence.lines
    monkeypatch.setattr(state, "EXACT_BLOCKS", 1)
    monkeypatch.setattr(state, "SAMPLED_BLOCKS", 3)
    sampled = diagnose([path]).evidence.lines
    assert {name: line.known_fraction for name, line in sampled.items()} == {name: line.known_fraction for name, line in whole.items()}
    assert sampled["MREQ"].high_fraction != whole["MREQ"].high_fraction  # so blocks were left out
    assert sampled["MREQ"].high_fraction == pytest.approx(whole["MREQ"].high_fraction, abs=0.05)


@pytest.mark.parametrize(
    ("lines", "fields"),
    [
        ("full", WHOLE_BUS),
        (("CLK", "M1", "MREQ", "IORQ", "RD", "WR", *DATA), WITHOUT_ADDRESSES),
        (("M1", "MREQ"), {"buses", "course", "leads", "free_run", "slips", "bare_fetches"}),
    ],
    ids=["whole bus", "no addresses", "two lines"],
)
def test_each_part_says_what_the_captured_lines_show(tmp_path, lines, fields):
    with open(tmp_path / "capture.vcd", "w", encoding="ascii") as file:
        simulate(lines=lines, duration_s=0.002).write_vcd(file)
    evidence = diagnose([tmp_path / "capture.vcd"], Options(free_run=True)).evidence
    of_parts = {maker.__module__.rpartition(".")[2] for maker in PARTS} - {"expansion"}  # which asks for a profile
    assert WHOLE_BUS | WITHOUT_ADDRESSES | {"bare_fetches"} == of_parts
    assert {name for name in of_parts if getattr(evidence, name) is not None} == fields
