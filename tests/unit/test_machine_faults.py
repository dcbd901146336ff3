"""Each fault acts where it really would: on the bus that is captured, and on the program that runs."""

from __future__ import annotations

import bisect
import itertools
from dataclasses import replace

import pytest
from machine_waves import QUIET, T_NS, WITH_PAGER, cycle, data_written, edges, level_at, ports_written, run

from strobewise.bus.lines import BIT, LINE
from strobewise.bus.model import SUSPECTS
from strobewise.errors import ScenarioError
from strobewise.machine import FAULTS, Fault, fault, simulate
from strobewise.machine.faults import PLACES_OF_FAULT, fault_kind
from strobewise.machine.faults.clock import ClockStopped
from strobewise.machine.faults.lines import LineHeld, LinesShorted
from strobewise.machine.faults.memory import ChipBitStuck, ChipSilent

# LD SP,8000h; LD A,5Ah; LD (5000h),A; LD A,(5000h); OUT (1),A; JR itself
STORE = "31 00 80 3E 5A 32 00 50 3A 00 50 D3 01 18 FE"

MUST_BE_GIVEN = {
    "dead-high": {"line": "M1"}, "dead-low": {"line": "M1"}, "floating": {"line": "M1"}, "intermittent": {"line": "M1"},
    "shorted": {"lines": ["D2", "D3"]}, "open-at-chip": {"line": "A9"}, "rom-bit-flipped": {"address": 3},
    "ram-mirrored": {"start": 0x8000, "end": 0xBFFF, "onto": 0x4000}, "lead-off": {"line": "M1"},
    "leads-swapped": {"lines": ["RD", "WR"]}, "lead-inverted": {"line": "M1"}, "lead-skewed": {"line": "M1"},
}  # fmt: skip
AT_THE_PROBE = (
    "lead-off", "leads-swapped", "lead-inverted", "lead-skewed", "threshold-off", "glitches", "ground-bounce",
    "sample-rate-low",
)  # fmt: skip


def words(capture):
    return list(capture.words())


def rows(capture):
    return [(c["kind"], c["address"], c["data"]) for c in capture.truth["cycles"]]


def share_high(capture, line):
    """Return the share of the changes after which a line is high."""
    bit = BIT[line]
    levels = [word >> bit & 1 for _, word, _ in capture.words()]
    return sum(levels) / len(levels)


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_runs_and_says_who_is_to_blame(name):
    one = fault(name, **MUST_BE_GIVEN.get(name, {}))
    capture = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.0005, faults=[one])
    assert words(capture)
    truth = capture.truth
    assert truth["faults"][0]["fault"] == name
    assert truth["suspects"] and set(truth["suspects"]) <= set(SUSPECTS)
    assert set(one.lines) <= set(BIT)
    assert one.state in ("fault", "any") and truth["state"] == one.state
    assert len(FAULTS[name].explanation) > 40


@pytest.mark.parametrize("line", [name for name in BIT if name != "CLK"])
@pytest.mark.parametrize("level", ["high", "low"])
def test_a_dead_line_is_captured_dead(line, level):
    capture = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.0002, faults=[fault(f"dead-{level}", line=line)])
    assert edges(capture, line) == []
    assert level_at(capture, line, 0) == (level == "high")


@pytest.mark.parametrize("level", ["high", "low"])
def test_dead_m1_never_reaches_the_device(level):
    healthy = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003)
    dead = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, faults=[fault(f"dead-{level}", line="M1")])
    assert edges(healthy, "ROMDIS")
    assert edges(dead, "ROMDIS") == []
    assert {"io_write", "memory_write"} <= {c["kind"] for c in dead.truth["cycles"]}  # the machine itself runs on


def test_m1_lost_at_the_connector_is_live_at_the_cpu():
    capture = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, faults=[fault("dead-high", line="M1", at="connector")])
    assert len(edges(capture, "M1")) > 1000
    assert edges(capture, "ROMDIS") == []
    there = simulate(
        machine=WITH_PAGER, lines="full_port", duration_s=0.001, probe_at={"M1": "connector"},
        faults=[fault("dead-high", line="M1", at="connector")],
    )  # fmt: skip
    assert edges(there, "M1") == []
    assert there.truth["suspects"][0] == "connection"


def test_dead_mreq_leaves_the_program_without_memory():
    capture = run(STORE, faults=[fault("dead-high", line="MREQ")], duration_s=100e-6)
    fetches = [c for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"]
    assert {c["data"] for c in fetches} == {0xFF}
    assert {c["address"] for c in fetches[1:]} == {0x0038}
    stack = [address for address, _ in data_written(capture)]
    assert stack == sorted(stack, reverse=True)  # marching downwards


def test_dead_wr_never_writes_the_ram():
    assert ports_written(run(STORE, duration_s=100e-6)) == [(1, 0x5A)]
    capture = run(STORE, faults=[fault("dead-high", line="WR")], duration_s=100e-6)
    assert [value for port, value in ports_written(capture) if value == 0x5A] == [] and len(ports_written(capture)) == 1
    assert [d for a, d in data_written(capture) if a == 0x5000] == [0x5A]  # the CPU did try


def test_dead_rd_leaves_every_read_unanswered():
    capture = run(STORE, faults=[fault("dead-high", line="RD")], duration_s=60e-6)
    assert {c["data"] for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"} == {0xFF}


def test_dead_iorq_leaves_the_ports_silent():
    capture = run("DB 10 D3 01 18 FE", faults=[fault("dead-high", line="IORQ")], duration_s=50e-6)
    assert cycle(capture, "io_read")["data"] == 0xFF
    assert edges(capture, "IORQ") == []


@pytest.mark.parametrize("line, level, bit", [("D3", "low", 3), ("D6", "high", 6)])
def test_a_stuck_data_line_is_wrong_everywhere(line, level, bit):
    capture = simulate(duration_s=0.001, faults=[fault(f"dead-{level}", line=line)])
    assert {c["data"] >> bit & 1 for c in capture.truth["cycles"]} == {level == "high"}


def test_a_dead_address_output_reaches_the_memory():
    capture = run("00" * 16, faults=[fault("dead-low", line="A1")], duration_s=30e-6)
    addresses = [c["address"] for c in capture.truth["cycles"]]
    assert addresses[:8] == [0, 1, 0, 1, 4, 5, 4, 5]


def test_a_break_in_the_socket_leaves_the_pin_live():
    capture = run("00" * 16, faults=[fault("dead-low", line="A1", at="socket")], duration_s=30e-6)
    assert [c["address"] for c in capture.truth["cycles"]][:4] == [0, 1, 2, 3]
    program = "01 00 00 18 00 18 FD"  # 2 reads as 0 on the board: the CPU takes other bytes than those at its addresses
    healthy = run(program, duration_s=40e-6)
    broken = run(program, faults=[fault("dead-low", line="A1", at="socket")], duration_s=40e-6)
    assert rows(healthy)[:8] != rows(broken)[:8]


def test_a_fault_at_the_probe_leaves_the_machine_alone():
    healthy = simulate(duration_s=0.0005)
    for level in ("high", "low"):
        faulty = simulate(duration_s=0.0005, faults=[fault(f"dead-{level}", line="D4", at="probe")])
        assert rows(faulty) == rows(healthy)
        assert edges(faulty, "D4") == []
        assert faulty.truth["suspects"][0] == "probe_or_capture"


@pytest.mark.parametrize("name", AT_THE_PROBE)
def test_faults_of_the_analyser_leave_the_machine_alone(name):
    one = fault(name, **MUST_BE_GIVEN.get(name, {}))
    healthy, faulty = simulate(duration_s=0.0008), simulate(duration_s=0.0008, faults=[one])
    assert rows(faulty) == rows(healthy)
    assert words(faulty) != words(healthy)


def test_floating_follows_its_neighbours():
    capture = simulate(duration_s=0.001, faults=[fault("floating", line="M1")], sample_hz=100_000_000)
    beside = {t for name in ("RFSH", "RESET") for t, _ in edges(capture, name)}  # pins 28 and 26
    rising = [t for t, level in edges(capture, "M1") if level]
    assert len(rising) > 100
    near = sum(any(t - 30 <= other <= t + 30 for other in beside) for t in rising)
    assert near > 0.9 * len(rising)


def test_a_floating_data_line_is_read_as_it_was_captured():
    capture = simulate(duration_s=0.001, faults=[fault("floating", line="D3")])
    bits = [c["data"] >> 3 & 1 for c in capture.truth["cycles"]]
    assert 0.1 < sum(bits) / len(bits) < 0.9
    beside = [c["data"] >> 4 & 1 for c in capture.truth["cycles"]]
    assert sum(a == b for a, b in zip(bits, beside, strict=True)) > 0.55 * len(bits)


def test_intermittent_works_first_and_fails_more_and_more():
    capture = simulate(machine=QUIET, duration_s=0.004, faults=[fault("intermittent", line="M1", after_s=0.001, ramp_s=0.003)])
    falls = [t / 1e6 for t, level in edges(capture, "M1") if not level]
    early, late = (sum(low <= t < low + 0.9 for t in falls) for low in (0.05, 3.1))
    assert early > 250
    assert late < early / 2


def test_the_cpus_own_data_input():
    capture = run("3E FF D3 01 18 FE", faults=[fault("cpu-data-in-stuck", bit=0, level="low")], duration_s=40e-6)
    assert cycle(capture, "memory_read")["data"] == 0xFF  # the bus is right: LD A,0FEh is what the CPU made of it
    assert [c["data"] for c in capture.truth["cycles"] if c["kind"] == "io_write"][:1] != [0xFF]


def test_the_cpus_own_data_output():
    capture = run(STORE, faults=[fault("cpu-data-out-stuck", bit=1, level="low")], duration_s=100e-6)
    assert data_written(capture) == [(0x5000, 0x58)]
    assert ports_written(capture) == [(1, 0x58)]


def test_shorted_lines_are_always_alike():
    capture = simulate(duration_s=0.0005, faults=[fault("shorted", lines=["A0", "A1"])], skew_ns=0)
    assert all((word >> BIT["A0"] ^ word >> BIT["A1"]) & 1 == 0 for _, word, _ in capture.words())
    assert edges(capture, "A1")


def test_shorted_strobes():
    capture = simulate(duration_s=0.0005, faults=[fault("shorted", lines=["MREQ", "IORQ"])], skew_ns=0)
    assert edges(capture, "IORQ") == edges(capture, "MREQ") != []


@pytest.mark.parametrize("name", ["rom-absent", "rom-not-selected"])
def test_no_rom_reads_ff_and_runs_away(name):
    capture = simulate(duration_s=0.0005, faults=[fault(name)])
    fetches = [c for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"]
    assert {(c["address"], c["data"]) for c in fetches[1:]} == {(0x0038, 0xFF)}


def test_one_flipped_bit_of_the_rom():
    capture = run("00" * 16, faults=[fault("rom-bit-flipped", address=5, bit=6)], duration_s=30e-6)
    assert {c["address"]: c["data"] for c in capture.truth["cycles"]}[5] == 0x40
    assert {c["data"] for c in capture.truth["cycles"] if c["address"] < 5} == {0}


def test_a_stuck_rom_output_leaves_the_ram_alone():
    capture = run("21 00 50 36 FF 7E 18 FB", faults=[fault("rom-data-stuck", bit=7, level="low")], duration_s=40e-6)
    assert (0x5000, 0x7F) in data_written(capture)
    assert all(c["data"] < 0x80 for c in capture.truth["cycles"] if c["address"] < 0x2000)


def read_back(**parameters):
    """Write FFh and 00h to 5000h and A000h and return what is read back, by address."""
    code = "3E FF 32 00 50 32 00 A0 3A 00 50 3A 00 A0 AF 32 00 50 32 00 A0 3A 00 50 3A 00 A0 18 FE"
    capture = run(code, duration_s=150e-6, faults=[fault(**parameters)])
    reads = [(c["address"], c["data"]) for c in capture.truth["cycles"] if c["kind"] == "memory_read"]
    return [d for a, d in reads if a == 0x5000], [d for a, d in reads if a == 0xA000]


def test_a_dead_ram_bit_stays_in_its_bank():
    assert read_back(kind="ram-bit-dead", bit=2, start=0x8000) == ([0xFF, 0x00], [0xFB, 0x00])
    assert read_back(kind="ram-bit-dead", bit=2, level="high", end=0x7FFF) == ([0xFF, 0x04], [0xFF, 0x00])


def test_a_missing_bank_floats():
    assert read_back(kind="ram-missing", start=0x8000) == ([0xFF, 0x00], [0xFF, 0xFF])


def test_a_mirrored_bank():
    code = "3E 11 32 00 50 3E 22 32 00 90 3A 00 50 18 FE"
    capture = run(code, duration_s=100e-6, faults=[fault("ram-mirrored", start=0x8000, end=0xBFFF, onto=0x4000)])
    assert [c["data"] for c in capture.truth["cycles"] if c["address"] == 0x5000] == [0x11, 0x22]


def test_a_buffer_that_has_lost_its_direction():
    assert read_back(kind="buffer-direction", way="in") == ([0xFF, 0xFF], [0xFF, 0xFF])  # what is written does not get through
    capture = run("00" * 8, faults=[fault("buffer-direction", way="out")], duration_s=40e-6)
    assert {c["data"] for c in capture.truth["cycles"] if c["kind"] == "opcode_fetch"} == {0xFF}
    assert data_written(capture)  # the restarts that it reads still push


def test_a_brown_out_leaves_the_ram_with_other_bytes():
    code = "3E 5A 32 00 50 3A 00 50 18 FB"  # writes once, reads for ever
    dip = [fault("brown-out", at_s=0.0001, share=1.0)]
    runs = [run(code, duration_s=0.0003, faults=faults, seed=seed) for faults, seed in (((), 1), (dip, 1), (dip, 2))]
    seen = [[(c["start_s"], c["data"]) for c in each.truth["cycles"] if c["address"] == 0x5000] for each in runs]
    assert {data for _, data in seen[0]} == {0x5A}
    for reads in seen[1:]:
        assert {data for at, data in reads if at < 0.00009} == {0x5A} and len({data for at, data in reads if at > 0.00011}) == 1
    assert seen[1] != seen[2]
    supervised = run(code, duration_s=0.0003, faults=[fault("brown-out", at_s=0.0001, supervisor="yes", hold_s=0.00005)])
    falls = [at for at, level in edges(supervised, "RESET") if not level]
    assert len(falls) == 1
    with pytest.raises(ScenarioError, match="no effect"):
        fault("brown-out", hold_s=0.0001)


def test_oxidised_contacts_hide_the_triggers_from_the_device():
    healthy = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.006)
    faults = [fault("edge-oxidised", lines=["M1", "MREQ", "A3"], ramp_s=0.0005)]
    oxidised = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.006, faults=faults)
    assert len(edges(healthy, "ROMDIS")) > len(edges(oxidised, "ROMDIS"))
    assert edges(oxidised, "M1")  # at the CPU's own pin all is well
    with pytest.raises(ScenarioError, match="no expansion device"):
        simulate(faults=faults).truth  # noqa: B018  # runs the machine
    for lines in (["M1"], ["M1", "M1"], ["M1", "D0"], "M1"):
        with pytest.raises(ScenarioError):
            fault("edge-oxidised", lines=lines)


def test_an_address_line_open_at_the_ram():
    code = "3E 11 32 00 50 3E 22 32 00 52 3A 00 50 18 FE"
    capture = run(code, duration_s=100e-6, faults=[fault("open-at-chip", chip="ram", line="A9", level="low")])
    assert [c["data"] for c in capture.truth["cycles"] if c["address"] == 0x5000] == [0x11, 0x22]
    assert [a for a, _ in data_written(capture)] == [0x5000, 0x5200]  # the bus itself is right


def test_a_data_line_open_at_the_rom():
    capture = run("00" * 8, faults=[fault("open-at-chip", chip="rom", line="D5")], duration_s=20e-6)
    assert cycle(capture, "opcode_fetch")["data"] == 0x20  # NOP with the pull-up on D5: JR NZ


def refreshed(*faults):
    """Leave a byte alone for 4 ms and read it; the cells hold for 1 ms."""
    code = "3E 5A 32 83 50 01 80 00 0B 78 B1 20 FB 3A 83 50 D3 01 18 FE"
    capture = run(
        code, machine=replace(QUIET, clock_hz=2_000_000), sample_hz=20_000_000, duration_s=0.004, retention_ms=1.0,
        faults=faults,
    )  # fmt: skip
    return ports_written(capture)


def test_ram_without_refresh_runs_empty():
    assert refreshed() == [(1, 0x5A)]
    assert refreshed(fault("ram-not-refreshed", retention_ms=1.0)) != [(1, 0x5A)]
    assert refreshed(fault("dead-high", line="RFSH")) != [(1, 0x5A)]


def test_a_refresh_that_arrives_keeps_the_ram():
    assert refreshed(fault("lead-off", line="RFSH")) == [(1, 0x5A)]
    assert refreshed(fault("rom-bit-flipped", address=0x1000)) == [(1, 0x5A)]  # the thorough board, and yet healthy RAM


def test_late_data_reach_the_bus_but_not_the_cpu():
    capture = run("3A 00 50 D3 01 18 FE", faults=[fault("late-data", probability=1.0)], duration_s=50e-6, seed=5)
    read = next(c for c in capture.truth["cycles"] if c["address"] == 0x5000)
    assert ports_written(capture) == [(1, 0xFF)]
    assert read["data"] != 0xFF  # RAM held something else
    sampled = read["start_s"] * 1e9 + 2.5 * T_NS
    at = {t: w >> 32 & 0xFF for t, w, _ in capture.words() if t <= sampled}
    assert at[max(at)] != read["data"]


def test_held_lines():
    assert [c["kind"] for c in run("00", faults=[fault("reset-held")]).truth["cycles"]] == []
    granted = run("00" * 20, faults=[fault("busreq-held", after_s=20e-6)], duration_s=60e-6)
    assert level_at(granted, "BUSACK", 60_000) == 0
    assert level_at(granted, "BUSREQ", 60_000) == 0
    stormy = simulate(duration_s=0.001, faults=[fault("int-held")])
    assert sum(c["kind"] == "interrupt_acknowledge" for c in stormy.truth["cycles"]) > 10
    assert not [c for c in run("00" * 20, faults=[fault("nmi-held")]).truth["cycles"] if c["note"]]


def test_a_reset_loop_starts_again_and_again():
    capture = simulate(duration_s=0.002, faults=[fault("reset-loop", period_s=0.0004, hold_s=0.00003)])
    falls = [t for t, level in edges(capture, "RESET") if not level]
    assert len(falls) == 4
    assert sum(c["address"] == 0 and c["kind"] == "opcode_fetch" for c in capture.truth["cycles"]) == 5


def test_the_interrupt_source_dies():
    assert edges(simulate(duration_s=0.004, faults=[fault("interrupt-source-dead")]), "INT") == []


def test_a_dead_clock():
    capture = simulate(duration_s=0.001, faults=[fault("clock-dead", after_s=0.0004, level="high")])
    assert max(t for t, _, _ in capture.words()) < 402_000
    assert level_at(capture, "CLK", 900_000) == 1
    whole = simulate(duration_s=0.001, faults=[fault("clock-dead")])
    assert edges(whole, "CLK") == []
    assert level_at(whole, "RESET", 0) == 1


def test_a_slow_clock():
    slow = simulate(duration_s=0.001, faults=[fault("clock-slow", ratio=0.25)])
    assert slow.truth["clock_hz"] == pytest.approx(3_276_800 / 4, rel=1e-4)
    assert len(edges(slow, "CLK")) == pytest.approx(2 * 0.001 * 3_276_800 / 4, abs=4)


def test_the_device_that_does_not_answer_or_does_not_leave():
    silent = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, faults=[fault("device-silent")])
    assert edges(silent, "ROMDIS") == []
    staying = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, faults=[fault("device-never-leaves")])
    assert [level for _, level in edges(staying, "ROMDIS")] == [1]
    early = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, faults=[fault("device-leaves-early", fetches=2)])
    up, down = (t for t, _ in edges(early, "ROMDIS")[:2])
    assert down - up < 30 / 3.2768e6 * 1e9


def test_two_roms_fight_where_the_host_ignores_romdis():
    host = bytes.fromhex("31 00 80 CD 58 00" + "00" * 0x52 + "3E 0F")
    capture = simulate(
        machine=WITH_PAGER, contents=((0, host),), device_contents=bytes(0x58) + b"\x33", faults=[fault("rom-disable-ignored")],
        lines="full_port", duration_s=0.0001,
    )  # fmt: skip
    first = next(c for c in capture.truth["cycles"] if c["address"] == 0x58)
    assert first["data"] == 0x3E & 0x33
    assert edges(capture, "ROMDIS")


def test_leads_on_each_others_pin():
    healthy = simulate(duration_s=0.0003, skew_ns=0)
    swapped = simulate(duration_s=0.0003, skew_ns=0, faults=[fault("leads-swapped", lines=["RD", "WR"])])
    assert edges(swapped, "RD") == edges(healthy, "WR")
    assert edges(swapped, "WR") == edges(healthy, "RD")


def test_an_inverted_lead():
    healthy = simulate(duration_s=0.0003)
    inverted = simulate(duration_s=0.0003, faults=[fault("lead-inverted", line="M1")])
    assert edges(inverted, "M1") == [(t, 1 - level) for t, level in edges(healthy, "M1")]


def test_a_skewed_lead():
    healthy = simulate(duration_s=0.0003, skew_ns=0, sample_hz=100_000_000)
    late = simulate(duration_s=0.0003, skew_ns=0, sample_hz=100_000_000, faults=[fault("lead-skewed", line="RD", ns=120)])
    assert edges(late, "RD")[:50] == [(t + 120, level) for t, level in edges(healthy, "RD")][:50]


def test_a_threshold_that_is_off_delays_rising_edges_only():
    healthy = simulate(duration_s=0.0003, skew_ns=0, sample_hz=100_000_000)
    late = simulate(duration_s=0.0003, skew_ns=0, sample_hz=100_000_000, faults=[fault("threshold-off", ns=50)])
    pairs = list(zip(edges(healthy, "RD")[:50], edges(late, "RD")[:50], strict=True))
    assert {b[0] - a[0] for a, b in pairs if a[1]} == {50}
    assert {b[0] - a[0] for a, b in pairs if not a[1]} == {0}


def test_glitches_last_one_sample():
    healthy = {t: w for t, w, _ in simulate(duration_s=0.001).words()}
    spiky = simulate(duration_s=0.001, faults=[fault("glitches", per_ms=50)])
    halted = edges(spiky, "HALT") + edges(spiky, "BUSREQ") + edges(spiky, "NMI")
    assert halted and len(halted) % 2 == 0
    assert len(list(spiky.words())) > len(healthy)
    for name in ("HALT", "BUSREQ", "NMI"):
        times = [t for t, _ in edges(spiky, name)]
        assert all(b - a in (41, 42) for a, b in zip(times[::2], times[1::2], strict=True))


def test_ground_bounce_comes_with_many_falling_address_lines():
    capture = simulate(duration_s=0.002, faults=[fault("ground-bounce", lines=5)])
    healthy = simulate(duration_s=0.002)
    assert sum(len(edges(capture, n)) for n in ("M1", "IORQ", "WR")) > sum(len(edges(healthy, n)) for n in ("M1", "IORQ", "WR"))


@pytest.mark.parametrize("close", [True, False])
def test_lost_samples(close):
    capture = simulate(duration_s=0.002, faults=[fault("samples-lost", every_ms=0.4, lost_us=25, close=close)])
    whole = simulate(duration_s=0.002)
    assert len(capture.truth["cycles"]) < len(whole.truth["cycles"])
    levels = words(capture)
    times = [t for t, _, _ in levels]
    assert times == sorted(set(times))
    longest = max(b - a for a, b in itertools.pairwise(times))
    assert (longest < 1_000) == close
    rises = [b for (_, v, _), (b, w, _) in itertools.pairwise(levels) if w & ~v & 1]
    for row in capture.truth["cycles"][:-2]:  # every cycle that the truth keeps begins with a rising clock edge in the file
        start = row["start_s"] * 1e9
        after = rises[bisect.bisect_left(rises, start - 5)]
        assert after - start < 90


def test_a_slow_analyser():
    capture = simulate(duration_s=0.001, faults=[fault("sample-rate-low", sample_hz=5_000_000)])
    assert {t % 200 for t, _, _ in capture.words()} == {0}


def test_faults_act_together():
    capture = simulate(duration_s=0.0005, faults=[fault("dead-low", line="M1"), fault("lead-inverted", line="MREQ")])
    assert edges(capture, "M1") == []
    assert share_high(capture, "MREQ") < share_high(simulate(duration_s=0.0005), "MREQ")
    assert [f["fault"] for f in capture.truth["faults"]] == ["dead-low", "lead-inverted"]


@pytest.mark.parametrize(
    "kind, parameters, message",
    [
        ("m1-dead", {}, r"no fault is called 'm1-dead' \(kind\): one of dead-high, dead-low, .*"),
        ("dead-low", {}, r"line is missing \(line\): a line: CLK, M1, \.\.\. A0\.\.A15, D0\.\.D7, ROMDIS"),
        ("dead-low", {"line": "X"}, r"line is 'X' \(line\): a line: .*"),
        ("dead-low", {"line": "M1", "at": "moon"}, r"at is 'moon' \(at\): one of , cpu, socket, connector, line, probe"),
        ("dead-low", {"line": "ROMDIS", "at": "cpu"}, r"ROMDIS does not reach the cpu \(at\): one of connector, line, probe"),
        ("wait-held", {"bit": 3}, r"wait-held has no parameter 'bit' \(bit\): one of after_s"),
        ("rom-absent", {"bit": 3}, r"rom-absent has no parameter 'bit' \(bit\): one of none"),
        ("ram-bit-dead", {"bit": 8}, r"bit is 8 \(bit\): a whole number 0\.\.7"),
        ("dead-low", {"line": "CLK", "at": "socket"}, r"CLK does not reach the socket \(at\): one of line, probe"),
        ("open-at-chip", {"line": "D3", "level": "low"}, r"level has no effect on this open-at-chip \(level\): leave it out"),
        ("clock-dead", {"after_s": -0.5}, r"after_s is -0\.5 \(after_s\): a number 0\.\.3600"),
        ("clock-dead", {"after_s": True}, r"after_s is True \(after_s\): a number 0\.\.3600"),
        ("clock-dead", {"after_s": "soon"}, r"after_s is 'soon' \(after_s\): a number 0\.\.3600"),
        ("shorted", {"lines": ["D1"]}, r"lines is \['D1'\] \(lines\): a list of two different lines"),
    ],
)
def test_what_a_fault_does_not_allow(kind, parameters, message):
    with pytest.raises(ScenarioError, match=f"^{message}$"):
        Fault(kind, parameters)


@pytest.mark.parametrize(
    "one, message",
    [
        (fault("device-silent"), r"the machine has no expansion device that could fail \(fault\): give the machine a \[\[paging\]\] table"),
        (fault("rom-disable-ignored"), r"the machine has no expansion device .*"),
        (fault("ram-missing", start=0x0000, end=0x1FFF), r"the machine has no RAM in 0000h\.\.1FFFh to spoil \(fault\): another range"),
        (fault("rom-bit-flipped", address=0x5000), r"the machine has no ROM in 5000h\.\.5000h to spoil \(fault\): another range"),
        (fault("ram-mirrored", start=0x8000, end=0x8FFF, onto=0x1000), r"the machine has no RAM in 1000h\.\.1FFFh .*"),
        (fault("late-data", chip="rom", start=0x4000), r"the machine has no ROM in 4000h\.\.FFFFh .*"),
    ],
    ids=lambda value: value.kind if isinstance(value, Fault) else "",
)  # fmt: skip
def test_a_fault_of_a_part_that_the_machine_does_not_have(one, message):
    with pytest.raises(ScenarioError, match=f"^{message}$"):
        words(simulate(duration_s=0.0001, faults=[one]))


def test_two_faults_of_one_name_and_parameters_that_nobody_reads_are_refused():
    with pytest.raises(ValueError, match=r"^two kinds of fault are called 'rom-absent'$"):
        fault_kind("rom-absent", explanation="", suspects=("rom",))
    one = FAULTS["ram-bit-dead"].parameters[0]
    with pytest.raises(ValueError, match=r"^new: the function takes \[\], the catalogue says \['bit'\]$"):
        fault_kind("new", explanation="", suspects=("rom",), parameters=(one,))(lambda: ())
    with pytest.raises(ValueError, match=r"^new: the function takes \['bit'\], the catalogue says \[\]$"):
        fault_kind("new", explanation="", suspects=("rom",))(lambda bit: ())
    assert "new" not in FAULTS


def test_effects_say_what_is_wrong_without_a_bench():
    assert fault("dead-high", line="RD", at="socket").effects == (LineHeld("RD", "high", "socket"),)
    assert fault("wait-held", after_s=0.5).effects == (LineHeld("WAIT", "low", "line", 0.5),)
    assert fault("dead-low", line="CLK").effects == (ClockStopped(0.0, "low"),)
    assert fault("shorted", lines=["D5", "D6"]).effects == (LinesShorted(("D5", "D6")),)
    assert fault("rom-absent").effects == fault("rom-not-selected").effects == (ChipSilent("rom", 0, 0xFFFF),)
    assert fault("ram-bit-dead", bit=2, start=0x8000).effects == (ChipBitStuck("ram", 2, "low", 0x8000, 0xFFFF),)
    for name in FAULTS:
        effects = fault(name, **MUST_BE_GIVEN.get(name, {})).effects
        assert effects and all(isinstance(value, (str, int, float, tuple)) for effect in effects for value in effect)


def test_every_fault_has_its_place_in_the_order_of_the_catalogue():
    places = [kind.place for kind in FAULTS.values()]
    assert [place for place, _ in itertools.groupby(places)] == list(PLACES_OF_FAULT)


def test_two_stuck_bits_of_the_cpu_add_up():
    faults = [fault("cpu-data-out-stuck", bit=1, level="low"), fault("cpu-data-out-stuck", bit=3, level="low")]
    assert data_written(run(STORE, faults=faults, duration_s=100e-6)) == [(0x5000, 0x5A & ~0x0A)]


def test_a_line_fault_acts_by_the_lines_direction_where_no_place_is_given():
    places = {name: fault("dead-low", line=name).values["at"] for name in LINE}
    assert {places[n] for n in ("M1", "MREQ", "A3", "BUSACK")} == {"cpu"}
    assert {places[n] for n in ("WAIT", "CLK", "D0", "ROMDIS", "INT")} == {"line"}


def test_a_short_reaches_what_the_cpu_reads():
    capture = run("3E 40 D3 01 18 FE", faults=[fault("shorted", lines=["D6", "D7"])], duration_s=40e-6)
    assert ports_written(capture)[0] == (1, 0x00)  # 40h on D6 alone is pulled low by D7


def test_a_cpu_whose_interrupt_input_is_dead_takes_none():
    capture = simulate(duration_s=0.004, faults=[fault("dead-high", line="INT", at="cpu")])
    assert len(edges(capture, "INT")) > 2  # the pin is live
    assert not [c for c in capture.truth["cycles"] if c["kind"] == "interrupt_acknowledge"]


@pytest.mark.parametrize("bit, expected", [(0, 0x77), (1, 0x74), (3, 0x7E), (5, 0x56)])
def test_a_flipped_bit_goes_both_ways(bit, expected):
    capture = run("18 02 00 00 76", faults=[fault("rom-bit-flipped", address=4, bit=bit)], duration_s=30e-6)
    assert {c["address"]: c["data"] for c in capture.truth["cycles"]}[4] == expected


def test_faults_of_one_bank_add_up():
    code = "3E FF 32 00 50 32 00 70 3A 00 50 3A 00 70 18 FE"
    faults = [fault("ram-bit-dead", bit=1, end=0x6FFF), fault("ram-bit-dead", bit=4), fault("ram-bit-dead", bit=6, start=0x6000)]
    capture = run(code, duration_s=100e-6, faults=faults)
    reads = {c["address"]: c["data"] for c in capture.truth["cycles"] if c["kind"] == "memory_read"}
    assert (reads[0x5000], reads[0x7000]) == (0xFF & ~0x12, 0xFF & ~0x50)


def test_a_line_that_fails_in_bursts_comes_back_after_each():
    """Also where an interrupt comes within a burst: what is held then is held no longer than the burst."""
    failing = fault("intermittent", line="M1", after_s=0.001, ramp_s=1.0, burst_s=1e-4)
    capture = simulate(lines="eight", duration_s=0.02, faults=[failing])
    moves = edges(capture, "M1")
    silences = [(before, after) for before, after in itertools.pairwise(time for time, _ in moves) if after - before > 40_000]
    assert len(silences) >= 8 and moves[-1][0] > 19_000_000


def test_an_nmi_that_a_fault_pulls_reaches_the_cpu():
    """Its falling edge calls the CPU once; held from power-on it never falls."""
    late = run("00 " * 60 + "18 FE", faults=[fault("nmi-held", after_s=20e-6)], duration_s=60e-6)
    assert [c["address"] for c in late.truth["cycles"] if c["note"] == "nmi_response"] != []
    assert 0x66 in [c["address"] for c in late.truth["cycles"]]
    always = run("00 " * 60 + "18 FE", faults=[fault("nmi-held")], duration_s=60e-6)
    assert 0x66 not in [c["address"] for c in always.truth["cycles"]]


@pytest.mark.parametrize(("kind", "chance"), [("ram-cells-weak", {"bit": 2}), ("reads-fought", {"chip": "ram"})])
def test_what_comes_now_and_then_comes_about_as_often_as_it_is_said_to(kind, chance):
    loop = "31 00 80 21 00 50 36 A7 7E 18 FD"  # LD (HL),0A7h / LD A,(HL) / JR
    capture = run(loop, faults=[fault(kind, probability=0.3, **chance)], duration_s=1e-3)
    got = [c["data"] for c in capture.truth["cycles"] if c["kind"] == "memory_read" and c["address"] == 0x5000]
    wrong = [byte for byte in got if byte != 0xA7]
    assert 0.1 * len(got) < len(wrong) < 0.5 * len(got) and len(got) > 50
    assert set(wrong) == {0xA3} if kind == "ram-cells-weak" else all(byte & ~0xA7 == 0 for byte in wrong)


@pytest.mark.parametrize(("half", "place", "same"), [("rows", 0x5101, True), ("rows", 0x5102, False), ("columns", 0x5001, True)])
def test_a_multiplexer_that_does_not_turn_gives_one_cell_to_many_addresses(half, place, same):
    """What is stored at 5001h (row 01h, column 20h) comes back from every address with the same half."""
    code = f"3E A7 32 01 50 3A {place & 0xFF:02X} {place >> 8:02X} 18 FE"
    capture = run(code, faults=[fault("ram-multiplexer-stuck", half=half)], duration_s=60e-6)
    got = [c["data"] for c in capture.truth["cycles"] if c["kind"] == "memory_read" and c["address"] == place]
    assert (got[0] == 0xA7) is same


@pytest.mark.parametrize("line", ["CLK", "RD"])
def test_a_lead_that_is_off_at_either_end_of_the_comb_follows_its_one_neighbour(line):
    lines = ("CLK", "MREQ", "RD")
    capture = simulate(lines=lines, duration_s=0.0005, faults=[fault("lead-off", line=line)], sample_hz=100_000_000)
    beside = {t for t, _ in edges(capture, "MREQ")}
    mine = [t for t, _ in edges(capture, line)]
    assert mine and sum(any(t - 30 <= other <= t + 30 for other in beside) for t in mine) > 0.75 * len(mine)  # it wanders by itself, too
