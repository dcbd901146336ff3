"""What happens beside the program: reset, interrupts, halt, bus requests, wait states; and the board's answers."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from machine_waves import QUIET, SLOW, T_NS, WITH_PAGER, cycle, data_written, edges, level_at, ports_written, run

from strobewise.machine import BusRequest, Press, fault, simulate
from strobewise.machine.board import Port, WaitRule
from strobewise.machine.halts import Opcodes
from strobewise.machine.scenario import Cpu

# LD SP,8000h; IM 1; EI; JR itself; the routine at 0038h writes port 0AAh
WITH_INTERRUPTS = "31 00 80 ED 56 FB 18 FE" + "00" * 48 + "3E 5A D3 AA FB ED 4D" + "00" * 39 + "3E A5 D3 BB ED 45"


def kinds(capture):
    return [c["kind"] for c in capture.truth["cycles"]]


def test_the_first_fetch_is_at_0000_two_t_states_after_reset_has_risen():
    capture = run("00")
    rise = edges(capture, "RESET")[0]
    first = cycle(capture, "opcode_fetch")
    assert rise[1] == 1
    assert first["address"] == 0
    assert 1.5 * T_NS < first["start_s"] * 1e9 - rise[0] <= 2 * T_NS


def test_during_reset_no_strobe_moves():
    capture = run("00")
    rise = edges(capture, "RESET")[0][0]
    for line in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "BUSACK"):
        assert level_at(capture, line, 0) == 1
        assert all(time > rise for time, _ in edges(capture, line))


def test_reset_in_the_middle_cuts_the_cycle_short_and_starts_anew():
    capture = run("00" * 60, presses=[Press("RESET", 40e-6, 10e-6)], duration_s=70e-6)
    cycles = capture.truth["cycles"]
    cut = next(i for i, c in enumerate(cycles) if c["note"] == "cut_short")
    assert cycles[cut]["t_states"] is None
    assert cycles[cut + 1]["address"] == 0
    fall = next(t for t, level in edges(capture, "RESET") if not level and t > 20_000)
    rise = next(t for t, level in edges(capture, "RESET") if level and t > fall)
    assert all(not fall + 3 * T_NS < t < rise for line in ("M1", "MREQ", "RFSH") for t, _ in edges(capture, line))


@pytest.mark.parametrize(("cmos", "value"), [(False, 0x00), (True, 0xFF)])
def test_the_make_of_the_cpu_is_the_scenario_s(cmos, value):
    capture = run("0E AA ED 71 18 FE", cpu=Cpu(cmos=cmos))  # LD C,0AAh; OUT (C),0
    assert ports_written(capture)[0][1] == value


def test_interrupt_runs_the_routine():
    capture = run(WITH_INTERRUPTS, presses=[Press("INT", 60e-6, 8e-6)], duration_s=150e-6)
    assert kinds(capture).count("interrupt_acknowledge") == 1
    assert ports_written(capture) == [(0xAA, 0x5A)]
    one = cycle(capture, "interrupt_acknowledge")
    assert one["data"] == 0xFF
    fall = next(t for t, level in edges(capture, "INT") if not level)
    assert 0 < one["start_s"] * 1e9 - fall < 15 * T_NS  # at the end of the instruction, JR takes 12


def test_interrupt_is_ignored_while_disabled():
    capture = run("F3" + "18 FE", presses=[Press("INT", 40e-6, 20e-6)], duration_s=100e-6)
    assert "interrupt_acknowledge" not in kinds(capture)


def test_nmi_is_taken_once_for_each_edge():
    capture = run(WITH_INTERRUPTS, presses=[Press("NMI", 60e-6, 30e-6)], duration_s=200e-6)
    notes = [c for c in capture.truth["cycles"] if c["note"] == "nmi_response"]
    assert len(notes) == 1
    assert notes[0]["t_states"] == 5
    assert ports_written(capture) == [(0xBB, 0xA5)]


def test_frame_interrupt_has_its_period():
    capture = simulate(duration_s=0.01)
    falls = [t for t, level in edges(capture, "INT") if not level]
    period = 9_100 / 3_276_800 * 1e9
    assert len(falls) == 4
    assert all(b - a == pytest.approx(period, abs=100) for a, b in itertools.pairwise(falls))


def test_halt_goes_low_and_repeats_fetches_until_an_interrupt():
    capture = run("31 00 80 ED 56 FB 76" + "00" * 49 + "FB ED 4D", presses=[Press("INT", 70e-6, 8e-6)], duration_s=130e-6)
    halted = [c for c in capture.truth["cycles"] if c["note"] == "halt"]
    assert len(halted) > 5
    assert {c["address"] for c in halted} == {7}
    fall, rise = [t for t, _ in edges(capture, "HALT")][:2]
    assert fall == pytest.approx(halted[0]["start_s"] * 1e9 - T_NS / 2 + 60, abs=2)  # the falling edge in T4 of HALT's own fetch
    acknowledge = cycle(capture, "interrupt_acknowledge")["start_s"] * 1e9
    assert rise == pytest.approx(acknowledge - T_NS / 2 + 60, abs=2)
    assert len(edges(capture, "HALT")) == 2


@pytest.mark.parametrize(
    ("fetched", "halts"),
    [("76", 1), ("00 76", 1), ("CB 76", 0), ("ED 76", 0), ("CB CB 76", 1), ("DD 76", 1), ("DD CB 76", 1), ("DD FD 76", 1), ("ED ED 76", 1)],
)
def test_which_fetched_byte_is_a_halt(fetched, halts):
    """DD CB takes its last byte by a read: the next fetch begins an instruction."""
    opcodes = Opcodes()
    assert [opcodes.halts(byte) for byte in bytes.fromhex(fetched)][-1] == halts


def test_bus_request_is_granted_after_the_machine_cycle():
    capture = run("00" * 60, bus_requests=[BusRequest(60, None, 20)], duration_s=60e-6)
    asked, released = [t for t, _ in edges(capture, "BUSREQ")]
    granted, back = [t for t, _ in edges(capture, "BUSACK")]
    assert 0 < granted - asked <= 6 * T_NS
    assert released - granted == pytest.approx(21 * T_NS, abs=100)  # from the clock edge on at which the other master sees it
    assert 0 < back - released < 2 * T_NS
    assert (back - granted) % T_NS == pytest.approx(T_NS / 2, abs=2)  # falls with a rising clock edge, rises with a falling one
    assert not [t for line in ("M1", "MREQ", "RD", "RFSH") for t, _ in edges(capture, line) if granted + 200 < t < back]
    one = next(c for c in capture.truth["cycles"] if c["bus_granted"])
    assert one["t_states"] > 20


def test_a_repeating_bus_master():
    capture = simulate(machine=QUIET, bus_requests=[BusRequest(300, 400, 30)], duration_s=0.001)
    assert sum(c["bus_granted"] for c in capture.truth["cycles"]) == pytest.approx(0.001 * 3_276_800 / 400, abs=2)


def test_ports_read_their_value_or_what_was_latched():
    ports = [Port(0xFF, 0x10, 0x42), Port(0xFF, 0x20, 0x00, latch=True)]
    capture = run("DB 10 D3 20 DB 20 DB 77" + "00" * 8, ports=ports, duration_s=60e-6)
    assert [c["data"] for c in capture.truth["cycles"] if c["kind"] == "io_read"] == [0x42, 0x42, 0xFF]


@pytest.mark.parametrize("pull_ups, expected", [(True, 0xFF), (False, 0x20)])
def test_where_nobody_answers_the_bus_floats(pull_ups, expected):
    capture = run("3A 00 20" + "00" * 8, pull_ups=pull_ups, duration_s=40e-6)
    assert [c["data"] for c in capture.truth["cycles"] if c["address"] == 0x2000] == [expected]


def test_rom_is_not_written_and_ram_is():
    capture = run("3E 77 32 01 00 32 00 50 3A 01 00 3A 00 50" + "00" * 8, duration_s=80e-6)
    reads = [(c["address"], c["data"]) for c in capture.truth["cycles"] if c["kind"] == "memory_read"]
    assert (0x0001, 0x77) in reads  # the program's own byte
    assert reads[-1] == (0x5000, 0x77)
    capture = run("3E 77 32 03 00 3A 03 00" + "00" * 8, duration_s=60e-6)
    assert [c["data"] for c in capture.truth["cycles"] if c["address"] == 3][-1] == 0x03


def test_pager_lays_its_rom_over_the_hosts_and_leaves():
    host = "31 00 80 CD 58 00 3E 11 C3 10 00" + "00" * 5 + "D3 01 18 FE"  # CALL 0058h, then on to 0010h
    device = bytes.fromhex("00" * 0x58 + "3E 99 D3 02 C3 40 1F") + bytes(0x1F40 - 0x5F) + b"\xc9"
    capture = run(host, machine=replace(WITH_PAGER, clock_hz=2_000_000), device_contents=device, duration_s=90e-6)
    assert ports_written(capture) == [(0x02, 0x99), (0x01, 0x11)]
    up, down = edges(capture, "ROMDIS")[:2]
    trigger = next(c for c in capture.truth["cycles"] if c["address"] == 0x58 and c["kind"] == "opcode_fetch")
    leaving = next(c for c in capture.truth["cycles"] if c["address"] == 0x1F40)
    assert trigger["data"] == 0x3E and leaving["data"] == 0xC9  # both bytes are the device's
    assert 0 < up[0] - trigger["start_s"] * 1e9 < 2 * T_NS
    assert 2 * T_NS < down[0] - leaving["start_s"] * 1e9 < 4 * T_NS


def test_active_low_romdis():
    paging = replace(WITH_PAGER.paging[0], active=0)
    capture = simulate(machine=replace(WITH_PAGER, paging=(paging,)), lines="full_port", duration_s=0.0001)
    assert level_at(capture, "ROMDIS", 0) == 1


def test_data_reads_at_a_trigger_do_not_page():
    capture = run("3A 58 00 18 FE", machine=replace(WITH_PAGER, clock_hz=2_000_000))
    assert edges(capture, "ROMDIS") == []


def test_capture_that_starts_late_shows_the_same_machine():
    whole = simulate(duration_s=0.001)
    late = simulate(start_s=0.0005, duration_s=0.0005)
    tail = [(c["kind"], c["address"], c["data"]) for c in whole.truth["cycles"] if c["start_s"] >= 0.0005]
    part = [(c["kind"], c["address"], c["data"]) for c in late.truth["cycles"]]
    assert part[:-1] == tail[-len(part) : -1]


def test_stuck_wait_leaves_one_endless_cycle():
    capture = run("00" * 20, faults=[fault("wait-held")], duration_s=100e-6)
    assert len(capture.truth["cycles"]) == 1
    assert [level for _, level in edges(capture, "MREQ")] == [0]
    assert len(edges(capture, "CLK")) > 150


def test_wait_that_comes_later_lets_the_program_run_until_then():
    capture = run("00" * 60, faults=[fault("wait-held", after_s=40e-6)], duration_s=100e-6)
    last = capture.truth["cycles"][-1]
    assert 38e-6 < last["start_s"] < 42e-6
    assert len(data_written(capture)) == 0


def test_machine_speed_does_not_change_the_cycles():
    code = "3A 00 40 32 00 50 C3 00 00"
    slow, fast = (run(code, machine=replace(SLOW, clock_hz=hz), duration_s=100 / hz) for hz in (1_000_000, 4_000_000))
    same = [[(c["kind"], c["t_states"], c["address"]) for c in one.truth["cycles"]][:-1] for one in (slow, fast)]
    shorter = min(map(len, same))
    assert shorter > 10 and same[0][:shorter] == same[1][:shorter]


@pytest.mark.parametrize("t_state, later", [(0, 0), (1, 0), (2, 0), (3, 1)])
def test_an_interrupt_is_sampled_with_the_rising_edge_of_the_last_t_state(t_state, later):
    """UM0080, interrupt request cycle: what comes after that edge waits for the next instruction's end."""
    code = "ED 56 FB" + "00" * 40
    first_nop = next(c for c in run(code).truth["cycles"] if c["address"] == 8)["start_s"]
    fell = first_nop + (t_state + 0.02) * T_NS * 1e-9
    start = run(code, start_s=0.0).truth
    assert start["cycles"]
    phase = run(code).truth["cycles"][0]["start_s"]
    power_on = 26 * T_NS * 1e-9  # the first fetch begins so long after power-on
    capture = run(code, presses=[Press("INT", fell - phase + power_on, 20e-6)], duration_s=60e-6)
    taken = cycle(capture, "interrupt_acknowledge")["start_s"]
    assert round((taken - first_nop) / (T_NS * 1e-9)) == 4 * (1 + later)


@pytest.mark.parametrize("offset", [0, 1, 2, 3])
def test_reset_ends_a_cycle_wherever_it_is(offset):
    capture = run("00" * 60, presses=[Press("RESET", (26 + 4 * 8 + offset) * T_NS * 1e-9, 10e-6)], duration_s=60e-6)
    fall = next(t for t, level in edges(capture, "RESET") if not level and t > 1_000)
    rise = next(t for t, level in edges(capture, "RESET") if level and t > fall)
    for line in ("M1", "MREQ", "RD", "RFSH"):
        assert not [t for t, _ in edges(capture, line) if fall + 2.05 * T_NS < t < rise]
        assert level_at(capture, line, fall + 3 * T_NS) == 1


def test_a_wait_rule_may_skip_cycles():
    capture = run("00" * 30, waits=[WaitRule(2, ("opcode_fetch",), every=3)], duration_s=80e-6)
    assert [c["wait_states"] for c in capture.truth["cycles"]][:9] == [0, 0, 2] * 3


def test_a_thorough_board_without_a_fault_in_use_is_the_plain_board():
    """A fault far away from everything makes every transfer take the thorough way; nothing else may change."""
    for pull_ups in (True, False):
        settings = {
            "machine": replace(WITH_PAGER, interrupt_period_t_states=4_000), "lines": "full_port", "duration_s": 0.005,
            "presses": [Press("NMI", 0.001)], "pull_ups": pull_ups, "waits": [WaitRule(1, every=5)],
        }  # fmt: skip
        plain = simulate(**settings)
        thorough = simulate(**settings, faults=[fault("rom-bit-flipped", address=0x1FFF)])
        assert list(thorough.words()) == list(plain.words())
        assert edges(plain, "ROMDIS")


def test_the_paging_device_moves_its_line_in_fetches_alone():
    """It looks at opcode fetches; reads and writes between them change nothing, whatever their address."""
    capture = simulate(machine=WITH_PAGER, lines="full_port", duration_s=0.003, skew_ns=0.0, sample_hz=1_000_000_000)
    cycles = capture.truth["cycles"]
    fetches = [(c["start_s"], after["start_s"]) for c, after in itertools.pairwise(cycles) if c["kind"] == "opcode_fetch"]
    moved = [time * 1e-9 for time, _ in edges(capture, "ROMDIS")]
    assert len(moved) >= 4
    assert all(any(start <= moment <= end for start, end in fetches) for moment in moved)
