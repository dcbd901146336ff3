"""Delays against the speed grades, interrupts, the memory map seen, generic profiles."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.bus.lines import BIT
from strobewise.bus.timing import limit_ps
from strobewise.capture.records import Block
from strobewise.diagnosis.facade import diagnose
from strobewise.diagnosis.memory_map import seen_map
from strobewise.errors import ProfileError
from strobewise.evidence.spread import Spread
from strobewise.evidence.timing import TimingPart
from strobewise.machine import LINE_SETS, Fault
from strobewise.machine.scenario import GENERIC
from strobewise.machine.simulate import simulate
from strobewise.profile.machine import find_profile, load_profile, shipped_profiles
from strobewise.profile.options import Options
from strobewise.records.evidence import BusEvidence, ClockEvidence, Span
from strobewise.records.timing import Delay, Interrupts, TimingRecord
from strobewise.rules import run


def examined(tmp_path, options=None, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    return diagnose([path], options or Options())


def test_delays_are_what_the_simulated_cpu_has(tmp_path):
    said = examined(tmp_path, lines="eight", sample_hz=200_000_000, delay_fraction=0.5, skew_ns=0.0)
    record = said.evidence.timing
    assert record.uncertainty_s == pytest.approx(5e-9, rel=0.01)
    for delay in record.delays:
        assert delay.median_s == pytest.approx(0.5 * limit_ps(delay.symbol, 4) * 1e-12, abs=6e-9), delay.symbol
        assert 4 in delay.meets and 4 not in delay.breaks


def test_a_coarse_capture_tells_no_grade_that_it_can_not(tmp_path):
    said = examined(tmp_path, lines="eight", sample_hz=16_000_000)
    for delay in said.evidence.timing.delays:
        assert 4 not in delay.breaks
    assert said.verdict.state == "no_fault_found"


def measured(behind_ns, sample_s):
    """Return the delay of /M1's fall behind CLK's rise, of 100 periods of 250 ns (ticks of 1 ns)."""
    rows = []
    for start in range(1000, 26_000, 250):
        rows += [(start, "CLK", 1), (start + 125, "CLK", 0), (start + behind_ns, "M1", 0), (start + 230, "M1", 1)]
    levels, times, words = {"CLK": 0, "M1": 1}, [], []
    for time, line, level in sorted(rows):
        levels[line] = level
        times.append(time)
        words.append(sum(high << BIT[name] for name, high in levels.items()))
    part = TimingPart(frozenset({"CLK", "M1"}), 1e-9)
    part.block(Block(np.array(times, np.int64), np.array(words, np.uint64), None))
    evidence = BusEvidence(sample_interval_s=sample_s, samples_per_t=25.0, clock=ClockEvidence(source="CLK"))
    part.fill(evidence)
    return next(delay for delay in evidence.timing.delays if delay.symbol == "TdCr(M1f)")


@pytest.mark.parametrize(("beyond_ns", "meets", "breaks"), [(-13, True, False), (-7, False, False), (17, False, False), (23, False, True)])
def test_what_one_sample_or_two_leave_in_doubt_is_neither_kept_nor_broken(beyond_ns, meets, breaks):
    delay = measured(limit_ps("TdCr(M1f)", 4) // 1000 + beyond_ns, sample_s=1e-8)
    assert (4 in delay.meets, 4 in delay.breaks) == (meets, breaks)


def test_an_edge_just_before_its_clock_edge_is_early_and_not_late():
    assert measured(-20, sample_s=1e-8).median_s == pytest.approx(-2e-8)


def test_interrupts_are_counted(tmp_path):
    machine = replace(GENERIC, interrupt_period_t_states=4000)
    said = examined(tmp_path, Options(profile=machine), machine=machine, lines="full", duration_s=0.01)
    found = said.evidence.timing.interrupts
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
    evidence.timing = TimingRecord(4.2e-8, [slow], Interrupts(0, 0, None, None, 0, {}))
    assert [(f.rule, f.severity, f.lines) for f in run(evidence)] == [("slow-strobe", "warning", ("M1",))]
    evidence.timing = TimingRecord(4.2e-8, [replace(slow, breaks=[6, 8])], None)
    assert run(evidence) == []


def test_a_long_time_without_refresh_is_told(tmp_path):
    evidence = examined(tmp_path, lines="eight").evidence
    evidence.longest_without_refresh = Span(0.001, 0.0045)
    assert [f.rule for f in run(evidence)] == ["refresh-starved"]
    evidence.longest_without_refresh = Span(0.001, 0.0025)
    assert run(evidence) == []


def test_the_memory_map_seen(tmp_path):
    memory = examined(tmp_path, lines="full").evidence.memory
    stretches = seen_map(memory)
    assert stretches[0].use == "read only" and stretches[0].start == 0
    assert any(stretch.use == "read and written" for stretch in stretches)
    assert all(a.end < b.start for a, b in pairwise(stretches))


def test_what_was_not_touched_parts_two_stretches():
    touched = np.zeros(0x10000, bool)
    touched[[0x0000, 0x0400, 0x8000]] = True
    memory = SimpleNamespace(fetched=touched, read=touched, written=np.zeros(0x10000, bool))
    assert seen_map(memory) == [("read only", 0x0000, 0x07FF), ("read only", 0x8000, 0x83FF)]


def test_generic_profiles_ship_and_are_valid():
    assert set(shipped_profiles()) == {"ram64", "rom16-ram48", "rom8-ram16"}
    for name in shipped_profiles():
        assert load_profile(find_profile(name)).memory
    with pytest.raises(ProfileError, match=r"^no profile 'rom99' \(--machine\): name a \.toml file, or one of ram64, "):
        find_profile("rom99")


@settings(max_examples=100, deadline=None)
@given(parts=st.lists(st.lists(st.integers(-50, 2000), max_size=40), min_size=1, max_size=6))
def test_a_spread_has_the_percentiles_of_all_values(parts):
    spread = Spread()
    for part in parts:
        spread.add(np.array(part, np.int64))
    values = [value for part in parts for value in part]
    assert len(spread) == len(values)
    if values:
        assert spread.percentiles((0, 5, 50, 95, 100)) == pytest.approx(np.percentile(values, (0, 5, 50, 95, 100)).tolist())
    else:
        with pytest.raises(ValueError, match="no values"):
            spread.percentiles((50,))


@pytest.mark.parametrize(("captured", "told"), [({"CLK", "IORQ", "M1"}, True), ({"CLK", "IORQ"}, False)])
def test_iorq_is_measured_where_m1_tells_an_acknowledge(captured, told):
    """In an acknowledge it follows another clock edge (UM0080): without /M1 its delays are a mixture."""
    words = sum(1 << BIT[name] for name in ("M1", "IORQ"))
    times, levels = [], []
    for start in range(1000, 26_000, 250):
        clock, m1 = 1 << BIT["CLK"], 1 << BIT["M1"]
        times += [start, start + 40, start + 125, start + 200]
        levels += [clock | words, clock | m1, m1, words]
    part = TimingPart(frozenset(captured), 1e-9)
    part.block(Block(np.array(times, np.int64), np.array(levels, np.uint64), None))
    evidence = BusEvidence(sample_interval_s=1e-9, samples_per_t=25.0, clock=ClockEvidence(source="CLK"))
    part.fill(evidence)
    assert ("TdCr(IORQf)" in {delay.symbol for delay in evidence.timing.delays}) == told
