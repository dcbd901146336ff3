"""The pins' waveform against UM0080's timing figures and the AC table of the 4 MHz part, written out here a second time."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace

import pytest
from machine_waves import QUIET, T_NS, cycle, edges, run, within

from strobewise.bus.timing import CHARACTERISTICS, GRADES, limit_ps
from strobewise.machine import GENERIC, Press, simulate
from strobewise.machine.board import WaitRule
from strobewise.machine.scenario import Cpu

RISE, FALL = 0.0, 0.5  # of a T-state's clock, in T-states

# Columns: T-state, clock edge, delay in ns (4 MHz column), line, level. Source: UM0080 timing figures; Z8400 AC table.
FIGURES = {
    "opcode_fetch": [
        (1, RISE, 100, "M1", 0), (1, FALL, 85, "MREQ", 0), (1, FALL, 95, "RD", 0),
        (3, RISE, 85, "MREQ", 1), (3, RISE, 85, "RD", 1), (3, RISE, 100, "M1", 1), (3, RISE, 130, "RFSH", 0),
        (3, FALL, 85, "MREQ", 0), (4, FALL, 85, "MREQ", 1),
    ],
    "memory_read": [(1, FALL, 85, "MREQ", 0), (1, FALL, 95, "RD", 0), (3, FALL, 85, "MREQ", 1), (3, FALL, 85, "RD", 1)],
    "memory_write": [(1, FALL, 85, "MREQ", 0), (2, FALL, 80, "WR", 0), (3, FALL, 80, "WR", 1), (3, FALL, 85, "MREQ", 1)],
    "io_read": [(2, RISE, 75, "IORQ", 0), (2, RISE, 85, "RD", 0), (4, FALL, 85, "IORQ", 1), (4, FALL, 85, "RD", 1)],
    "io_write": [(2, RISE, 75, "IORQ", 0), (2, RISE, 65, "WR", 0), (4, FALL, 80, "WR", 1), (4, FALL, 85, "IORQ", 1)],
    "interrupt_acknowledge": [
        (1, RISE, 100, "M1", 0), (3, FALL, 75, "IORQ", 0), (5, RISE, 85, "IORQ", 1), (5, RISE, 100, "M1", 1),
        (5, RISE, 130, "RFSH", 0), (5, FALL, 85, "MREQ", 0), (6, FALL, 85, "MREQ", 1),
    ],
}  # fmt: skip

# EI, IM 1; LD A,(4000h); LD (4001h),A; IN A,(43h); OUT (43h),A; then NOPs, where the interrupt is taken.
PROGRAM = "ED 56 FB 3A 00 40 32 01 40 DB 43 D3 43" + "00" * 40


@pytest.fixture(scope="module")
def capture():
    return run(PROGRAM, presses=[Press("INT", 53e-6, 30e-6)], duration_s=80e-6)


@pytest.mark.parametrize("kind", FIGURES)
def test_each_edge_is_where_the_figure_has_it(capture, kind):
    one = cycle(capture, kind, 3 if kind == "opcode_fetch" else 0)
    for line in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH"):
        expected = [(T_NS * (t - 1 + edge) + delay, level) for t, edge, delay, name, level in FIGURES[kind] if name == line]
        found = [e for e in within(capture, line, one["start_s"], one["t_states"]) if not (line == "RFSH" and e[1])]
        assert [level for _, level in found] == [level for _, level in expected], line
        for (at, _), (should, _) in zip(found, expected, strict=True):
            assert at == pytest.approx(should, abs=2.1), line  # a sample, and the rounding of the start


def test_refresh_ends_with_the_next_t_state(capture):
    fetch = cycle(capture, "opcode_fetch", 3)
    rise = [at for at, level in within(capture, "RFSH", fetch["start_s"], 6) if level and at > 4 * T_NS]
    assert rise[0] == pytest.approx(4 * T_NS + 120, abs=2.1)


def pulses(capture, line, one):
    """Return the widths in T-states of a line's low and high times inside a cycle, as the edges part them."""
    times = [at for at, _ in within(capture, line, one["start_s"], one["t_states"] + 0.2)]
    return [round((b - a) / T_NS, 2) for a, b in itertools.pairwise(times)]


def test_a_fetch_holds_two_memory_requests(capture):
    assert pulses(capture, "MREQ", cycle(capture, "opcode_fetch", 3)) == [1.5, 0.5, 1.0]


def test_a_read_and_a_write_hold_one_of_two_t_states(capture):
    assert pulses(capture, "MREQ", cycle(capture, "memory_read", 1)) == [2.0]
    assert pulses(capture, "MREQ", cycle(capture, "memory_write")) == [2.0]
    assert pulses(capture, "WR", cycle(capture, "memory_write")) == [1.0]


def test_an_io_request_lasts_two_and_a_half(capture):
    assert pulses(capture, "IORQ", cycle(capture, "io_read")) == [pytest.approx(2.52, abs=0.01)]  # 2.5 T and 10 ns


def test_an_acknowledge_has_m1_and_iorq_and_no_memory_request_before_its_refresh(capture):
    one = cycle(capture, "interrupt_acknowledge")
    assert one["t_states"] == 7  # IM 1: one internal T-state before the push
    assert pulses(capture, "IORQ", one) == [pytest.approx(1.52, abs=0.01)]
    assert next(at for at, _ in within(capture, "MREQ", one["start_s"], 6)) > 4 * T_NS
    assert within(capture, "RD", one["start_s"], one["t_states"]) == []


def addresses(capture, one):
    """Return (ns after T1, address) at each change of the address bus inside a cycle."""
    start = one["start_s"] * 1e9
    found = []
    for time, word, _ in capture.words():
        at = time - start
        value = word >> 16 & 0xFFFF
        if -1 <= at < one["t_states"] * T_NS and (not found or found[-1][1] != value):
            found.append((at, value))
    return found


def test_address_then_refresh_address(capture):
    fetches = [c for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"]
    moves = addresses(capture, fetches[4])
    assert moves[-2] == (pytest.approx(110, abs=2.1), 6)
    assert moves[-1] == (pytest.approx(2 * T_NS + 110, abs=2.1), 4)  # I = 0, R has counted four fetches


def test_written_data_come_with_the_falling_edge_of_t1(capture):
    one = cycle(capture, "memory_write")
    start = one["start_s"] * 1e9
    driven = next(t - start for t, w, _ in capture.words() if t > start and w >> 32 & 0xFF == one["data"])
    assert driven == pytest.approx(T_NS / 2 + 150, abs=2.1)


@pytest.mark.parametrize("waits", [1, 2, 5])
def test_wait_states_hold_the_strobes(waits):
    plain, held = run("00" * 20), run("00" * 20, waits=[WaitRule(waits, ("opcode_fetch",))])
    for line, width in (("M1", 2.0), ("MREQ", 1.5)):
        assert pulses(plain, line, cycle(plain, "opcode_fetch", 1))[0] == width
        assert pulses(held, line, cycle(held, "opcode_fetch", 1))[0] == width + waits
    one = cycle(held, "opcode_fetch", 1)
    assert (one["t_states"], one["wait_states"]) == (4 + waits, waits)
    low = [at for at, _ in within(held, "WAIT", one["start_s"], one["t_states"])]
    for sample in range(waits):  # low at the falling edge in T2 and in each TW but the last (UM0080)
        assert low[0] < T_NS * (1.5 + sample) - 70 and low[1] > T_NS * (1.5 + sample)
    assert low[1] < T_NS * (1.5 + waits) - 70


@pytest.mark.parametrize("kind, automatic, waits", [("io_read", 3, 2), ("io_write", 3, 2), ("interrupt_acknowledge", 4, 2)])
def test_where_wait_is_sampled_in_the_cycles_with_automatic_wait_states(kind, automatic, waits):
    capture = run(PROGRAM, presses=[Press("INT", 53e-6, 30e-6)], duration_s=80e-6, waits=[WaitRule(waits, (kind,))])
    one = cycle(capture, kind)
    low = [at for at, _ in within(capture, "WAIT", one["start_s"], one["t_states"])]
    assert T_NS * (automatic - 1) <= low[0] < T_NS * (automatic - 0.5)
    assert low[1] - low[0] == pytest.approx(waits * T_NS, abs=1.1)
    assert one["wait_states"] == waits


@pytest.mark.parametrize("grade", GRADES)
def test_no_delay_is_longer_than_its_grade_allows(grade):
    capture = run(PROGRAM, grade_mhz=grade, delay_fraction=1.0, duration_s=60e-6)
    one = cycle(capture, "memory_write")
    fall = within(capture, "WR", one["start_s"], 3)[0][0] - 1.5 * T_NS
    assert fall == pytest.approx(limit_ps("TdCf(WRf)", grade) / 1000, abs=2.1)


def test_the_fastest_grade_runs_at_its_own_clock():
    """At 20 MHz some edges fall into the next machine cycle; none is lost and none comes twice."""
    from dataclasses import replace

    capture = run(PROGRAM, machine=replace(QUIET, clock_hz=20_000_000), grade_mhz=20, delay_fraction=1.0, duration_s=20e-6)
    fetches = [c for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"]
    falls = [t for t, level in edges(capture, "M1") if not level]
    assert abs(len(falls) - len(fetches)) <= 1


def test_duty_of_the_clock():
    rises = edges(run("00", duty=0.4), "CLK")
    high = [b - a for (a, level), (b, _) in itertools.pairwise(rises) if level]
    assert set(high) == {200}


def test_jitter_moves_the_clock_but_not_the_order():
    found = edges(run("00", jitter_ns=30.0), "CLK")
    periods = {b - a for (a, level), (b, _) in zip(found[::2], found[2::2], strict=False)}
    assert len(periods) > 10
    assert all(440 <= period <= 560 for period in periods)


def test_the_table_of_delays():
    symbols = [row.symbol for row in CHARACTERISTICS]
    assert len(set(symbols)) == len(symbols)
    assert all(len(row.limits_ps) == len(GRADES) for row in CHARACTERISTICS)
    assert limit_ps("TdCr(M1f)", 4) == 100_000 and limit_ps("TsWAIT(Cf)", 20) == 7_500 and limit_ps("TcC", 8) == 125_000
    for row in CHARACTERISTICS:  # a faster part is never slower
        assert list(row.limits_ps) == sorted(row.limits_ps, reverse=True), row.symbol


def test_a_write_that_waits_still_writes_from_t2():
    capture = run(PROGRAM, waits=[WaitRule(3, ("memory_write",))], duration_s=60e-6)
    one = cycle(capture, "memory_write")
    fall, rise = (at for at, _ in within(capture, "WR", one["start_s"], one["t_states"]))
    assert fall == pytest.approx(1.5 * T_NS + 80, abs=2.1)
    assert rise == pytest.approx(5.5 * T_NS + 80, abs=2.1)


@pytest.mark.parametrize(("clock_hz", "duty"), [(8_000_000, 0.6), (8_000_000, 0.75), (6_000_000, 0.7)])
def test_a_strobe_whose_release_reaches_into_the_next_cycle_is_not_lost(clock_hz, duty):
    """With the clock high for long, /MREQ of the slowest 8 MHz part rises behind T1's own edge: each request keeps its pulse."""
    capture = simulate(
        machine=replace(GENERIC, clock_hz=clock_hz), cpu=Cpu(grade_mhz=8), duty=duty, delay_fraction=1.0, sample_hz=200_000_000,
        lines=("CLK", "MREQ"), duration_s=0.0002,
    )  # fmt: skip
    text = io.StringIO()
    capture.write_vcd(text)
    code = re.search(r"\$var wire 1 (\S+) \S*mreq", text.getvalue(), re.IGNORECASE).group(1)
    kinds = [cycle["kind"] for cycle in capture.truth["cycles"]]
    requests = 2 * kinds.count("opcode_fetch") + kinds.count("memory_read") + kinds.count("memory_write")
    falls = len(re.findall(rf"(?<!\S)0{re.escape(code)}(?!\S)", text.getvalue()))
    assert requests > 200 and abs(falls - requests) <= 2
