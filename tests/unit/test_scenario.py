"""Scenarios in TOML: what they may say, and the words for what they may not."""

# ruff: noqa: E501 (messages stand whole, as the user reads them)

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from strobewise.errors import ProfileError, ScenarioError
from strobewise.machine import GENERIC, LINE_SETS, BusRequest, Cpu, Dialect, Press, Scenario, fault, load_scenario, simulate
from strobewise.machine.board import Port, WaitRule
from strobewise.records.profile import MemoryRegion

MACHINE = """
name = "little machine"
clock_hz = 2_500_000

[[memory]]
kind = "rom"
start = 0x0000
end = 0x0FFF

[[memory]]
kind = "ram"
start = 0x8000
end = 0xFFFF
"""

FULL = (
    MACHINE
    + """
[[paging]]
fetch_at = [8]

[[contents]]
at = 0x0000
hex = "F3 76"

[[contents]]
at = 0x0100
program = "stop"

[device]
hex = "00"

[cpu]
grade_mhz = 6
delay_fraction = 0.9
cmos = true

[board]
pull_ups = false
access_ns = 90
retention_ms = 3
reset_t_states = 10
interrupt_hold_t_states = 9
vector = 0xC7
duty = 0.45
jitter_ns = 2

[[port]]
mask = 0x00FF
match = 0x0021
value = 7
latch = true

[[wait]]
states = 2
kinds = ["io_read"]
start = 0x0000
end = 0x00FF
every = 3

[[press]]
line = "NMI"
at_s = 0.002
hold_s = 0.0004

[[bus_request]]
first_t_states = 100
period_t_states = 200
hold_t_states = 20

[capture]
lines = ["M1", "MREQ", "ROMDIS"]
names = "slash"
sample_hz = 16_000_000
start_s = 0.001
duration_s = 0.004
skew_ns = 5
probe_at = { M1 = "connector" }

[vcd]
timescale = "10ns"
spaced_timescale = false
layout = "lines"
vectors = true
dumpvars = true
var_type = "reg"
id_length = 2
comment = "mine"

[[fault]]
kind = "dead-low"
line = "M1"
at = "connector"

[[fault]]
kind = "shorted"
lines = ["D1", "D2"]
"""
)


def write(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key(tmp_path):
    one = load_scenario(write(tmp_path, "seed = 9\n" + FULL))
    assert (one.name, one.machine.clock_hz, one.seed) == ("little machine", 2_500_000, 9)
    assert one.contents[0] == (0, b"\xf3\x76") and one.contents[1][0] == 0x100
    assert one.device_contents == b"\x00"
    assert one.cpu == Cpu(6, 0.9, True)
    board = one.board
    assert (board.pull_ups, board.access_ns, board.retention_ms, board.reset_t_states) == (False, 90, 3, 10)
    assert (board.interrupt_hold_t_states, board.vector, board.duty, board.jitter_ns) == (9, 0xC7, 0.45, 2)
    assert board.ports == (Port(0xFF, 0x21, 7, True),)
    assert board.waits == (WaitRule(2, ("io_read",), 0, 0xFF, 3),)
    assert one.presses == (Press("NMI", 0.002, 0.0004),)
    assert one.bus_requests == (BusRequest(100, 200, 20),)
    capture = one.capture
    assert (capture.lines, capture.names, capture.sample_hz) == (("M1", "MREQ", "ROMDIS"), "slash", 16_000_000)
    assert (capture.start_s, capture.duration_s, capture.skew_ns) == (0.001, 0.004, 5)
    assert capture.probe_at == {"M1": "connector"}
    assert capture.dialect == Dialect("10ns", False, "lines", True, True, "reg", 2, "mine")
    assert one.faults == (fault("dead-low", line="M1", at="connector"), fault("shorted", lines=["D1", "D2"]))


def test_a_profile_is_a_healthy_scenario(tmp_path):
    one = load_scenario(write(tmp_path, MACHINE))
    assert one.faults == () and one.contents is None and one.capture.lines == LINE_SETS["full"]
    assert len(simulate(one, duration_s=0.001).truth["cycles"]) > 300


def test_a_scenario_may_name_its_machine(tmp_path):
    (tmp_path / "machine.toml").write_text(MACHINE, encoding="utf-8")
    one = load_scenario(write(tmp_path, 'machine = "machine.toml"\nname = "a story"\n[capture]\nlines = "two"\n'))
    assert (one.name, one.machine.name, one.capture.lines) == ("a story", "little machine", ("M1", "MREQ"))
    assert load_scenario(write(tmp_path, 'machine = "machine.toml"')).name == "mine"


def test_rom_files_of_the_profile_are_run(tmp_path):
    (tmp_path / "boot.rom").write_bytes(bytes.fromhex("F3 18 FE"))
    one = load_scenario(write(tmp_path, MACHINE.replace('start = 0x0000', 'start = 0x0000\nfile = "boot.rom"')))
    cycles = simulate(one, duration_s=0.0001).truth["cycles"]
    assert {(c["address"], c["data"]) for c in cycles} == {(0, 0xF3), (1, 0x18), (2, 0xFE)}


def test_the_ram_of_several_regions_is_one_stretch():
    assert Scenario(machine=GENERIC).ram() == (0x4000, 0xFFFF)
    banks = tuple(MemoryRegion("ram", start, start + 0x3FFF) for start in (0xC000, 0x4000, 0x8000))
    assert Scenario(machine=replace(GENERIC, memory=(*banks, MemoryRegion("ram", 0x1000, 0x1FFF)))).ram() == (0x4000, 0xFFFF)
    assert Scenario(machine=replace(GENERIC, memory=())).ram() == (0x4000, 0xFFFF)


@pytest.mark.parametrize(
    "text, message",
    [
        ("name = \"x\"", "no memory (FILE, memory): [[memory]] tables, or machine = \"PROFILE.toml\""),
        (MACHINE + "seeds = 1", "unknown key 'seeds' (FILE, memory[2].seeds): one of chips, end, file, kind, start"),
        ("sead = 1" + MACHINE, "unknown key 'sead', perhaps seed (FILE, sead): one of board, bus_request, capture, clock_hz, contents, cpu, device, fault, glue, interrupt_period_t_states, lines, machine, memory, name, paging, port, press, seed, vcd, wait"),
        (MACHINE.replace("0x0FFF", "0x00FF"), "nothing to run (FILE, contents): [[contents]] tables; the demo program needs ROM from 0x0000 on and 12 KB of RAM"),
        (MACHINE + "[[contents]]\nat = 0", "contents from nowhere (FILE, contents[1].program): one of program, hex, file"),
        (MACHINE + "[[contents]]\nhex = \"00\"\nprogram = \"doze\"", "contents from program and hex (FILE, contents[1].program): one of program, hex, file"),
        (MACHINE + "[[contents]]\nhex = \"0G\"", "not bytes that fit there (FILE, contents[1].hex): 1..65536 bytes as pairs of hex digits"),
        (MACHINE + "[[contents]]\nprogram = \"dose\"", "program is 'dose', perhaps doze (FILE, contents[1].program): one of patrol, doze, stop, lodger, nops"),
        (MACHINE + "[device]\nhex = \"00\"", "a device without [[paging]] (FILE, device): a [[paging]] table that says what it answers"),
        (MACHINE + "[[paging]]\nfetch_at = [8]\nresponds_on = \"WAIT\"", "the device responds on WAIT (FILE, paging): ROMDIS, which is all that the bench models"),
        (MACHINE + "[cpu]\ngrade_mhz = 5", "grade_mhz is 5 (FILE, cpu.grade_mhz): one of 4, 6, 8, 10, 20"),
        (MACHINE + "[board]\nduty = 0.9", "duty is 0.9 (FILE, board.duty): a number 0.2..0.8"),
        (MACHINE + "[board]\npull_ups = 1", "pull_ups is 1 (FILE, board.pull_ups): true or false"),
        (MACHINE + "[[port]]\nmask = 0x0F\nmatch = 0x10", "match is 0x10 (FILE, port[1].match): a whole number 0x0000..0x000F"),
        (MACHINE + "[[wait]]\nstates = 1\nkinds = [\"fetch\"]", "kinds holds 'fetch' (FILE, wait[1].kinds): a list of opcode_fetch, memory_read, memory_write, io_read, io_write, interrupt_acknowledge"),
        (MACHINE + "[[press]]\nline = \"HALT\"\nat_s = 0", "line is 'HALT' (FILE, press[1].line): one of NMI, INT, RESET"),
        (MACHINE + "[[press]]\nline = \"NMI\"", "at_s is missing (FILE, press[1].at_s): a number 0..3600"),
        (MACHINE + "[capture]\nlines = \"few\"", "lines is 'few' (FILE, capture.lines): a list of lines, or one of full, full_port, control, sixteen, eight, two"),
        (MACHINE + "[capture]\nlines = [\"M1\", \"MRQ\"]", "lines holds 'MRQ' (FILE, capture.lines): a list of lines, or one of full, full_port, control, sixteen, eight, two"),
        (MACHINE + "[capture]\nlines = [\"M1\", \"M1\"]", "lines is ['M1', 'M1'] (FILE, capture.lines): a list of lines, or one of full, full_port, control, sixteen, eight, two"),
        (MACHINE + "[capture]\nprobe_at = { M1 = \"here\" }", "M1 is 'here' (FILE, capture.probe_at.M1): one of cpu, board, connector"),
        (MACHINE + "[vcd]\ntimescale = \"5ns\"", "timescale is '5ns', perhaps 1ns (FILE, vcd.timescale): one of 1ps, 10ps, 100ps, 1ns, 10ns, 100ns, 1us, 10us, 100us"),
        (MACHINE + "[[fault]]\nkind = \"dead\"", None),
        (MACHINE + "[[fault]]\nkind = \"dead-low\"", "line is missing (FILE, fault[1].line): a line: CLK, M1, ... A0..A15, D0..D7, ROMDIS"),
        (MACHINE + "[[fault]]\nkind = \"dead-low\"\nline = \"M2\"", "line is 'M2' (FILE, fault[1].line): a line: CLK, M1, ... A0..A15, D0..D7, ROMDIS"),
        (MACHINE + "[[fault]]\nkind = \"dead-low\"\nline = \"M1\"\nlevel = 0", "unknown key 'level' (FILE, fault[1].level): one of at, kind, line"),
    ],
)  # fmt: skip
def test_what_a_scenario_must_not_say(tmp_path, text, message):
    path = write(tmp_path, text)
    if message is None:
        match = rf"^kind is 'dead', perhaps dead-low \({re.escape(str(path))}, fault\[1\]\.kind\): one of dead-high, .*$"
    else:
        match = f"^{re.escape(message.replace('(FILE', '(' + str(path)))}$"
    with pytest.raises((ScenarioError, ProfileError), match=match):
        load_scenario(path)


@pytest.mark.parametrize(
    ("where", "key", "limits"),
    [
        ("", "seed", "a whole number 0..4294967296"),
        ("[cpu]", "delay_fraction", "a number 0.05..1"),
        ("[board]", "access_ns", "a number 1..100000"),
        ("[board]", "retention_ms", "a number 0.01..10000"),
        ("[board]", "reset_t_states", "a whole number 3..4294967296"),
        ("[board]", "interrupt_hold_t_states", "a whole number 1..4294967296"),
        ("[board]", "vector", "a whole number 0..255"),
        ("[board]", "duty", "a number 0.2..0.8"),
        ("[board]", "jitter_ns", "a number 0..1000"),
        ("[[port]]", "mask", "a whole number 0x0000..0xFFFF"),
        ("[[port]]\nmatch = 0", "value", "a whole number 0..255"),
        ("[[wait]]", "states", "a whole number 1..16"),
        ("[[wait]]\nstates = 1", "start", "a whole number 0x0000..0xFFFF"),
        ("[[wait]]\nstates = 1", "end", "a whole number 0x0000..0xFFFF"),
        ("[[wait]]\nstates = 1", "every", "a whole number 1..4294967296"),
        ('[[press]]\nline = "NMI"', "at_s", "a number 0..3600"),
        ('[[press]]\nline = "NMI"\nat_s = 0', "hold_s", "a number 1e-07..60"),
        ("[[bus_request]]", "first_t_states", "a whole number 1..4294967296"),
        ("[[bus_request]]\nfirst_t_states = 1", "period_t_states", "a whole number 1..4294967296"),
        ("[[bus_request]]\nfirst_t_states = 1", "hold_t_states", "a whole number 1..4294967296"),
        ("[capture]", "sample_hz", "a whole number 1000..1000000000"),
        ("[capture]", "start_s", "a number 0..3600"),
        ("[capture]", "duration_s", "a number 1e-06..3600"),
        ("[capture]", "skew_ns", "a number 0..1000"),
        ("[vcd]", "id_length", "a whole number 1..8"),
    ],
)  # fmt: skip
def test_each_number_of_a_scenario_has_its_limits(tmp_path, where, key, limits):
    text = f"{key} = -1\n{MACHINE}" if not where else f"{MACHINE}\n{where}\n{key} = -1\n"
    with pytest.raises(ScenarioError, match=rf"^{key} is -(0x)?1 .*\.?{key}\): {re.escape(limits)}$"):
        load_scenario(write(tmp_path, text))


def test_a_clock_that_the_cpu_cannot_follow():
    message = r"^a clock of 8\.000 MHz is too fast for a 4 MHz CPU \(clock_hz\): a slower clock, or a higher \[cpu\] grade_mhz$"
    with pytest.raises(ScenarioError, match=message):
        list(simulate(machine=replace(GENERIC, clock_hz=8_000_000)).words())
    assert simulate(machine=replace(GENERIC, clock_hz=8_000_000), grade_mhz=8, duration_s=0.0001).truth["cycles"]


def test_a_change_that_nothing_has_the_name_of():
    with pytest.raises(TypeError, match=r"^nothing in a scenario is called speed, weight$"):
        simulate(speed=1, weight=2)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[fault]]\nkind = "lead-off"\nline = "WR"\n', "lead-off at the lead of WR, which is not captured"),
        ('[[fault]]\nkind = "dead-high"\nline = "WR"\nat = "probe"\n', "dead-high at the lead of WR"),
        ('[[fault]]\nkind = "leads-swapped"\nlines = ["M1", "RD"]\n', "leads-swapped at the lead of RD"),
        ('[[fault]]\nkind = "wait-held"\nafter_s = 0.003\n', "begins at 0.003 s, when the capture has ended"),
        ('[[fault]]\nkind = "brown-out"\nat_s = 0.5\n', "begins at 0.5 s"),
        ('[[fault]]\nkind = "brown-out"\nhold_s = 0.0001\n', "hold_s has no effect"),
        ('[[press]]\nline = "NMI"\nat_s = 0.004\n', "NMI is pressed at 0.004 s"),
        ('[[fault]]\nkind = "lead-off"\nline = "M1"\n', None),
        ('[[fault]]\nkind = "dead-high"\nline = "WR"\n', None),
        ('[[fault]]\nkind = "wait-held"\nafter_s = 0.0029\n', None),
        ('[[fault]]\nkind = "brown-out"\nsupervisor = "yes"\nhold_s = 0.0001\n', None),
        ('[[press]]\nline = "NMI"\nat_s = 0.0029\n', None),
    ],
)
def test_what_nobody_would_see_is_refused(tmp_path, text, said):
    path = write(tmp_path, MACHINE + '\n[capture]\nlines = "two"\nduration_s = 0.003\n\n' + text)
    if said is None:
        load_scenario(path)
    else:
        with pytest.raises(ScenarioError, match=said):
            load_scenario(path)
