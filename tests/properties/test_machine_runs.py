"""What must hold for every run of the simulated bench, whatever the machine, the fault and the capture."""

from __future__ import annotations

import itertools
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.bus.lines import BIT
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, BusRequest, Dialect, Press, fault, simulate
from strobewise.machine.board import WaitRule

LINES = tuple(BIT)
FAULTS = st.one_of(
    st.builds(lambda n, line: fault(n, line=line), st.sampled_from(["dead-high", "dead-low", "floating"]), st.sampled_from(LINES)),
    st.builds(lambda line: fault("intermittent", line=line), st.sampled_from(LINES[1:])),
    st.builds(lambda a, b: fault("shorted", lines=[a, b]), st.sampled_from(LINES[1:14]), st.sampled_from(LINES[15:])),
    st.sampled_from([
        fault("rom-absent"), fault("wait-held", after_s=0.0001), fault("reset-loop", period_s=0.0001), fault("busreq-held"),
        fault("late-data"), fault("clock-jitter"), fault("clock-dead", after_s=0.0001), fault("int-held"), fault("glitches"),
        fault("ground-bounce"), fault("samples-lost", every_ms=0.1, lost_us=5.0), fault("rom-disable-ignored"),
    ]),
)  # fmt: skip
MACHINES = st.builds(
    lambda clock, period: replace(GENERIC, clock_hz=clock, interrupt_period_t_states=period, paging=(GENERIC_PAGING,)),
    st.integers(500_000, 4_000_000),
    st.one_of(st.none(), st.integers(60, 2_000)),
)
RUNS = st.fixed_dictionaries({
    "machine": MACHINES,
    "faults": st.lists(FAULTS, max_size=2),
    "seed": st.integers(0, 1 << 30),
    "sample_hz": st.integers(2_000_000, 200_000_000),
    "start_s": st.sampled_from([0.0, 0.00013]),
    "lines": st.lists(st.sampled_from(LINES), min_size=1, max_size=39, unique=True),
    "skew_ns": st.sampled_from([0.0, 3.0, 50.0]),
    "pull_ups": st.booleans(),
    "waits": st.lists(st.builds(WaitRule, st.integers(1, 20)), max_size=1),
    "presses": st.lists(st.builds(Press, st.sampled_from(["NMI", "INT", "RESET", "BUSREQ"]), st.floats(0, 0.0002)), max_size=2),
    "bus_requests": st.lists(st.builds(BusRequest, st.integers(1, 500), st.one_of(st.none(), st.integers(1, 300))), max_size=1),
    "dialect": st.builds(Dialect, timescale=st.sampled_from(["1ps", "1ns", "100ns"])),
})  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(RUNS)
def test_captures_are_well_formed(run):
    capture = simulate(duration_s=0.0002, **run)
    words = list(capture.words())
    mask = sum(1 << BIT[name] for name in run["lines"])
    times = [time for time, _, _ in words]
    assert times[0] == 0
    assert all(a < b for a, b in itertools.pairwise(times))
    assert all(word & ~mask == 0 and known == mask for _, word, known in words)
    scale = {"1ps": 1, "1ns": 1_000, "100ns": 100_000}[run["dialect"].timescale]
    assert times[-1] * scale <= 200_000_000 + scale
    assert list(capture.words()) == words  # each pass is the same run


@settings(max_examples=80, deadline=None)
@given(RUNS)
def test_the_truth_is_in_order(run):
    truth = simulate(duration_s=0.0002, **run).truth
    cycles = truth["cycles"]
    period = 1 / truth["clock_hz"]
    for one, after in itertools.pairwise(cycles):
        assert one["start_s"] < after["start_s"]
        assert 0 <= one["address"] <= 0xFFFF and 0 <= one["data"] <= 0xFF
        if one["t_states"] is not None and not any(f["fault"] == "samples-lost" for f in truth["faults"]):
            assert one["t_states"] >= {"opcode_fetch": 4, "interrupt_acknowledge": 6}.get(one["kind"], 3) + one["wait_states"]
            assert abs(after["start_s"] - one["start_s"] - one["t_states"] * period) < period / 100


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(LINES), min_size=1, max_size=20, unique=True), st.integers(0, 1000))
def test_fewer_leads_see_a_part_of_the_same(lines, seed):
    whole = simulate(lines=LINE_SETS["full_port"], skew_ns=0, seed=seed, duration_s=0.0001)
    part = simulate(lines=lines, skew_ns=0, seed=seed, duration_s=0.0001)
    mask = sum(1 << BIT[name] for name in lines)
    expected, last = [], None
    for time, word, _ in whole.words():
        if word & mask != last:
            last = word & mask
            expected.append((time, last))
    assert [(time, word) for time, word, _ in part.words()] == expected
