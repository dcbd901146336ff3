"""The small assembler and the demo programs."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from machine_waves import QUIET, WITH_PAGER, ports_written

from strobewise.machine import GENERIC, Press, Scenario, run_scenario, simulate
from strobewise.machine.programs import PROGRAMS, assemble, program
from strobewise.records.profile import MemoryRegion


def test_bytes_labels_and_gaps():
    assert assemble("C3 @end *0006 end: 00", {}) == bytes.fromhex("C3 06 00 FF FF FF 00")


def test_relative_jumps_count_from_the_next_instruction():
    assert assemble("here: 00 18 >here", {}) == bytes.fromhex("00 18 FD")
    assert assemble("18 >there 00 there: 00", {}) == bytes.fromhex("18 01 00 00")


def test_comments_and_outside_labels():
    assert assemble("21 @table ; LD HL,table\n 7E ; 00 00", {"table": 0x1234}) == bytes.fromhex("21 34 12 7E")


def test_a_jump_that_is_too_far():
    with pytest.raises(ValueError, match=r"^far is 253 bytes away$"):
        assemble("18 >far *00FF far: 00", {})
    with pytest.raises(KeyError):
        assemble("C3 @nowhere", {})


def test_a_second_look_at_one_program():
    assert program("stop", (0x4000, 0xFFFF)) == bytes.fromhex("F3 31 F0 FF 06 14 21 00 41 34 23 10 FC 76") + bytes(
        [0xFF] * (0x66 - 14)
    ) + bytes.fromhex("ED 45")


MAPS = [
    (MemoryRegion("rom", 0, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)),
    (MemoryRegion("rom", 0, 0x07FF), MemoryRegion("ram", 0x0800, 0x7FFF)),
    (MemoryRegion("rom", 0, 0x3FFF), MemoryRegion("ram", 0x8000, 0xBFFF), MemoryRegion("ram", 0xC000, 0xFFFF)),
]


@pytest.mark.parametrize("memory", MAPS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_patrol_finds_nothing_wrong_on_a_healthy_machine(memory, seed):
    """It writes 2 to port 43h when a byte does not read back, and the frame count otherwise."""
    capture = run_scenario(simulate(machine=replace(GENERIC, memory=memory), duration_s=0.006).scenario, seed)
    written = ports_written(capture)
    assert len(written) >= 2
    assert [value for _, value in written] == sorted(value for _, value in written)
    kinds = {c["kind"] for c in capture.truth["cycles"]}
    assert kinds == {"opcode_fetch", "memory_read", "memory_write", "io_read", "io_write", "interrupt_acknowledge"}


def test_patrol_moves_every_line_of_the_bus():
    words = list(simulate(duration_s=0.005).words())
    moved = 0
    for (_, a, _), (_, b, _) in itertools.pairwise(words):
        moved |= a ^ b
    assert moved >> 16 & 0xFFFFFF == 0xFFFFFF


def test_patrol_counts_presses_of_the_button():
    capture = simulate(duration_s=0.004, presses=[Press("NMI", 0.001), Press("NMI", 0.002)])
    counted = [c["data"] for c in capture.truth["cycles"] if c["kind"] == "memory_write" and c["address"] == 0x4012]
    assert counted[-2:] == [1, 2]


def test_doze_sleeps_and_wakes():
    contents = ((0, program("doze", (0x4000, 0xFFFF))),)
    cycles = simulate(Scenario(contents=contents), duration_s=0.006).truth["cycles"]
    assert sum(c["note"] == "halt" for c in cycles) > 1000
    assert sum(c["kind"] == "interrupt_acknowledge" for c in cycles) == 2


def test_stop_halts_for_good():
    contents = ((0, program("stop", (0x4000, 0xFFFF))),)
    cycles = simulate(Scenario(contents=contents), duration_s=0.002).truth["cycles"]
    assert {c["note"] for c in cycles[-50:]} == {"halt"}


@pytest.mark.parametrize("triggers", [(0x0058, 0x01D4, 0x0066), (0x0000, 0x0018, 0x0066), (0x0028,)])
def test_lodger_comes_and_goes_and_the_host_runs_on(triggers):
    paging = replace(WITH_PAGER.paging[0], fetch_at=triggers)
    capture = simulate(
        machine=replace(QUIET, paging=(paging,)), lines="full_port", duration_s=0.005, presses=[Press("NMI", 0.0022)]
    )
    written = ports_written(capture)
    assert (0x9C, 0x5A) in written or triggers == (0x0000,)
    assert (0x43, 0) in written  # the host gets through its loop
    assert (0x9C, 0xA6) in written or 0x0066 not in triggers
    assert (0x43, 2) not in written


def test_the_list_of_programs():
    assert PROGRAMS == ("patrol", "doze", "stop", "lodger", "nops")
