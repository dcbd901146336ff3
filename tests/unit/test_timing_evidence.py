"""Delays against the speed grades, interrupts, the memory map seen, generic profiles."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from strobewise.bus.evidence import Span
from strobewise.bus.timing import limit_ps
from strobewise.diagnosis import diagnose
from strobewise.errors import ProfileError
from strobewise.evidence.timing import Delay, Interrupts, TimingRecord
from strobewise.machine import LINE_SETS, Fault
from strobewise.machine.scenario import GENERIC
from strobewise.machine.simulate import simulate
from strobewise.memory_map import seen_map
from strobewise.options import Options
from strobewise.profile import find_profile, load_profile, shipped_profiles
from strobewise.rules import run


def examined(tmp_path, options=None, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    return diagnose([path], options or Options())


def test_delays_are_what_the_simulated_cpu_has(tmp_path):
    said = examined(tmp_path, lines="eight", sample_hz=200_000_000, delay_fraction=0.5, skew_ns=0.0)
    record = said.evidence.parts["timing"]
    assert record.uncertainty_s == pytest.approx(5e-9, rel=0.01)
    for delay in record.delays:
        assert delay.median_s == pytest.approx(0.5 * limit_ps(delay.symbol, 4) * 1e-12, abs=6e-9), delay.symbol
        assert 4 in delay.meets and 4 not in delay.breaks


def test_a_coarse_capture_tells_no_grade_that_it_can_not(tmp_path):
    said = examined(tmp_path, lines="eight", sample_hz=16_000_000)
    for delay in said.evidence.parts["timing"].delays:
        assert 4 not in delay.breaks
    assert said.verdict.state == "no_fault_found"


def test_interrupts_are_counted(tmp_path):
    machine = replace(GENERIC, interrupt_period_t_states=4000)
    said = examined(tmp_path, Options(profile=machine), machine=machine, lines="full", duration_s=0.01)
    found = said.evidence.parts["timing"].interrupts
    assert found.requests >= 5 and found.period_s == pytest.approx(4000 / GENERIC.clock_hz, rel=0.01)
    assert found.acknowledged >= found.requests - 1 and found.latency_s < 1e-4
    assert "interrupt-rate" not in {f.rule for f in said.findings}
    other = replace(machine, interrupt_period_t_states=5000)
    said = examined(tmp_path, Options(profile=other), machine=machine, lines="full", duration_s=0.01)
    assert "interrupt-rate" in {f.rule for f in said.findings}
    assert said.verdict.state == "no_fault_found"  # another rate is told, not blamed


def test_acknowledges_do_not_count_as_late_requests(tmp_path):
    """In an acknowledge /IORQ falls in the first automatic wait state, half a clock off the edge that it follows else (UM0080)."""
    held = [Fault("int-held", {"after_s": 0.0})]
    for lines in (LINE_SETS["full"], tuple(name for name in LINE_SETS["full"] if name != "M1")):
        said = examined(tmp_path, lines=lines, faults=held, sample_hz=100_000_000, duration_s=0.004)
        assert said.evidence.cycles["interrupt_acknowledge"] > 50
        assert "slow-strobe" not in {f.rule for f in said.findings}


def test_a_strobe_later_than_every_grade_is_told(tmp_path):
    said = examined(tmp_path, lines="eight")
    evidence = said.evidence
    slow = Delay("TdCr(M1f)", "M1", 500, 1.7e-7, 1.6e-7, 1.8e-7, [], [4, 6, 8, 10, 20])
    evidence.parts["timing"] = TimingRecord(4.2e-8, [slow], Interrupts(0, 0, None, None, 0, {}))
    assert [(f.rule, f.severity, f.lines) for f in run(evidence)] == [("slow-strobe", "warning", ("M1",))]
    evidence.parts["timing"] = TimingRecord(4.2e-8, [replace(slow, breaks=[6, 8])], None)
    assert run(evidence) == []


def test_a_long_time_without_refresh_is_told(tmp_path):
    evidence = examined(tmp_path, lines="eight").evidence
    evidence.longest_without_refresh = Span(0.001, 0.0045)
    assert [f.rule for f in run(evidence)] == ["refresh-starved"]
    evidence.longest_without_refresh = Span(0.001, 0.0025)
    assert run(evidence) == []


def test_the_memory_map_seen(tmp_path):
    memory = examined(tmp_path, lines="full").evidence.parts["memory"]
    stretches = seen_map(memory)
    assert stretches[0].use == "read only" and stretches[0].start == 0
    assert any(stretch.use == "read and written" for stretch in stretches)
    assert all(a.end < b.start for a, b in pairwise(stretches))


def test_generic_profiles_ship_and_are_valid():
    assert set(shipped_profiles()) == {"ram64", "rom16-ram48", "rom8-ram16"}
    for name in shipped_profiles():
        assert load_profile(find_profile(name)).memory
    with pytest.raises(ProfileError, match=r"^no profile 'rom99' \(--machine\): name a \.toml file, or one of ram64, "):
        find_profile("rom99")
