"""What the volts of a scope say: dead or driven, weak or good, slow or ringing."""

from __future__ import annotations

import random

import pytest
from hand_made import evidence_of

from strobewise import Options
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import fault
from strobewise.machine.simulate import simulate
from strobewise.records.evidence import LineEvidence
from strobewise.records.volts import AnalogLevels
from strobewise.rules import run
from strobewise.rules.volts import weigh_still_line

LEVELS = {"low": 0.2, "high": 4.1, "dead": None}


def scope(tmp_path, low=0.2, high=4.1, dead=None, noise=0.05, rate=50_000_000, slow=0, ring=0.0, lines=("M1", "MREQ"), **settings):
    """Write a scope's CSV of a simulated machine; dead: {line: (lowest, highest) volts at which it stays}."""
    rng = random.Random(5)
    capture = simulate(lines=lines, duration_s=0.0003, sample_hz=rate, skew_ns=0.0, timescale="1ns", **settings)
    changes = [(time, word) for time, word, _ in capture.words()]
    from strobewise.bus.lines import BIT

    step = 1e9 / rate
    levels = {name: high for name in lines}
    rows, at, since = ["time (s)," + ",".join(f"{name} (V)" for name in lines)], 0, dict.fromkeys(lines, 100)
    word = changes[0][1]
    for k in range(int(300_000 / step)):
        now = k * step
        before = word
        while at < len(changes) and changes[at][0] <= now + 0.01:
            word = changes[at][1]
            at += 1
        cells = []
        for name in lines:
            since[name] = 0 if (word ^ before) >> BIT[name] & 1 else since[name] + 1
            target = high if word >> BIT[name] & 1 else low
            if dead and name in dead:
                volts = rng.uniform(*dead[name])
            else:
                share = 1.0 if not slow else min(1.0, 0.16)
                levels[name] += (target - levels[name]) * share
                volts = levels[name] + rng.uniform(-noise, noise)
                if ring and since[name] == 2:
                    volts += ring if target == low else -ring
            cells.append(f"{volts:.3f}")
        rows.append(f"{now * 1e-9:.9f}," + ",".join(cells))
    path = tmp_path / "scope.csv"
    path.write_text("\n".join(rows) + "\n")
    return str(path)


def findings(said, rule):
    return [f for f in said.findings if f.rule == rule]


def test_a_good_strobe_is_said_to_be_good(tmp_path):
    said = diagnose([scope(tmp_path)])
    assert said.verdict.state == "no_fault_found" and said.verdict.suspects[0].suspect == "none"
    assert "/M1 is good at the CPU" in said.verdict.summary
    (finding,) = said.findings
    assert finding.evidence.endswith(" fetches") and "goes with" in finding.evidence
    assert [f.severity for f in said.findings] == ["note"]


@pytest.mark.parametrize("at", ["cpu", "connector"])
def test_an_output_that_never_leaves_the_low_range_is_dead(tmp_path, at):
    said = diagnose([scope(tmp_path, dead={"M1": (0.25, 0.55)})], Options(probe_at={"M1": at}))
    assert said.verdict.state == "fault"
    assert said.verdict.summary.startswith(f"/M1 is dead at the {'CPU' if at == 'cpu' else 'connector'}")
    assert said.verdict.suspects[0].suspect == ("cpu" if at == "cpu" else "connection")


def test_just_above_the_input_limit_it_is_dead_too(tmp_path):
    said = diagnose([scope(tmp_path, dead={"M1": (0.7, 0.95)})])
    assert said.verdict.summary.startswith("/M1 is dead at the CPU")


def test_flat_at_ground_it_may_be_a_short_or_the_probe(tmp_path):
    said = diagnose([scope(tmp_path, dead={"M1": (0.0, 0.02)})])
    shares = {share.suspect: share.confidence for share in said.verdict.suspects}
    assert said.verdict.state == "fault" and shares["connection"] > 0.2 and shares["probe_or_capture"] > 0.2
    assert shares["cpu"] < 0.5


def test_between_the_limits_nobody_drives_it(tmp_path):
    said = diagnose([scope(tmp_path, dead={"M1": (1.2, 1.5)})])
    assert said.verdict.summary.startswith("/M1 is driven by nobody at the CPU")


def test_high_throughout_is_no_matter_of_volts(tmp_path):
    said = diagnose([scope(tmp_path, dead={"M1": (3.9, 4.1)})])
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "cpu"
    assert "4.0" in said.findings[0].evidence


@pytest.mark.parametrize(("levels", "word"), [({"high": 2.25}, "is high at 2.2"), ({"low": 0.7, "noise": 0.02}, "is low at 0.7")])
def test_weak_levels(tmp_path, levels, word):
    said = diagnose([scope(tmp_path, **levels)])
    weak = findings(said, "weak-level")
    assert {line for f in weak for line in f.lines} == {"M1", "MREQ"}
    assert all(f.severity == "warning" and word in f.evidence for f in weak)
    assert said.verdict.state == "no_fault_found" and findings(said, "strobe-good") == []


def test_slow_edges_are_told_from_glitches(tmp_path):
    said = diagnose([scope(tmp_path, slow=1)])
    assert {f.lines[0] for f in findings(said, "slow-edges")} >= {"M1"}
    assert findings(said, "spikes") == []


def test_so_many_samples_are_no_slow_edge_where_they_take_no_time(tmp_path):
    said = diagnose([scope(tmp_path, slow=1)])
    for interval, told in ((1e-8, True), (0.9e-8, False)):  # four samples: 40 ns, and less
        said.evidence.sample_interval_s = interval
        assert bool([f for f in run(said.evidence) if f.rule == "slow-edges"]) is told


def test_outputs_may_float_while_the_bus_is_granted(tmp_path):
    said = diagnose([scope(tmp_path)])
    line = said.evidence.line("M1")
    line.volts = line.volts._replace(between=0.4)
    assert [f.lines for f in run(said.evidence) if f.rule == "level-between"] == [("M1",)]
    said.evidence.captured |= {"BUSACK"}
    said.evidence.lines["BUSACK"] = LineEvidence("BUSACK", edges=2, assertions=1)
    assert [f for f in run(said.evidence) if f.rule == "level-between"] == []


def test_ringing_is_told_from_glitches(tmp_path):
    said = diagnose([scope(tmp_path, ring=1.2)])
    assert {f.lines[0] for f in findings(said, "ringing")} == {"M1", "MREQ"}
    assert findings(said, "spikes") == [] and said.verdict.state == "no_fault_found"


def test_a_weak_clock(tmp_path):
    said = diagnose([scope(tmp_path, high=3.1, lines=("CLK", "MREQ"))])
    assert [f.lines for f in findings(said, "weak-level")] == [("CLK",)]


def test_logic_has_no_volts(tmp_path):
    path = tmp_path / "two.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(lines="two", faults=[fault("dead-low", line="M1")]).write_vcd(file)
    said = diagnose([path])
    assert weigh_still_line(said.evidence.line("M1")) is None
    assert " V" not in said.findings[0].evidence


@pytest.mark.parametrize(
    ("line", "edges", "between", "told"),
    [("M1", 100, 0.15, True), ("M1", 100, 0.149, False), ("M1", 0, 0.9, False), ("INT", 100, 0.9, False)],
)
def test_an_output_that_moves_and_is_neither_high_nor_low(line, edges, between, told):
    """An input with a pull-up alone may take its time; a line at rest between the limits is another rule's."""
    volts = AnalogLevels(0.1, 4.1, 0.1, 1.4, 4.1, between, 0.4, 0.2, 4.0, 50, 50, 0, 0)
    evidence = evidence_of(captured=frozenset({line, "MREQ"}))
    evidence.lines = {line: LineEvidence(line, edges=edges, high_fraction=0.5, volts=volts)}
    assert ("level-between" in {finding.rule for finding in run(evidence)}) == told


def test_other_strobes_than_m1_are_good_in_the_requests_that_call_for_them(tmp_path):
    said = diagnose([scope(tmp_path, lines=("RD", "MREQ", "M1"))])
    told = {finding.lines: finding.evidence for finding in findings(said, "strobe-good")}
    assert told["RD",].endswith(" requests that call for it") and told["M1",].endswith(" fetches")
