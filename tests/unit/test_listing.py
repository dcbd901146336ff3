"""The program flow: machine cycles back to instructions, whatever the capture leaves out. T-states: UM0080, instruction descriptions."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded_program import as_rows, random_run, run

from strobewise.bus.lines import BIT
from strobewise.bus.model import KIND_INDEX
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.cpu.opcodes import operations
from strobewise.cycles.table import CycleTable
from strobewise.errors import LineMapError
from strobewise.evidence.listing import Program, find_gaps, program_steps
from strobewise.machine import GENERIC, LINE_SETS, BusRequest, Press, fault, simulate
from strobewise.machine.board import WaitRule
from strobewise.program.flow import ProgramFlow
from strobewise.program.steps import GAP, NOT_KNOWN, RESET, Rows, successors
from strobewise_cli.render import listing

READ, FETCH, WRITE, ACCESS, UNKNOWN = (
    KIND_INDEX[kind] for kind in ("memory_read", "opcode_fetch", "memory_write", "memory_access", "unknown")
)
LOOP = bytes.fromhex("31 00 80 06 03 c5 cd 10 00 c1 10 f9 18 f2 00 00 21 00 40 34 7e d3 fe c9")
#: LD SP,8000h / LD B,3 / loop: PUSH BC / CALL 0010h / POP BC / DJNZ loop / JR 0000h;
#: at 0010h: LD HL,4000h / INC (HL) / LD A,(HL) / OUT (0FEh),A / RET


def follow(rows, **settings):
    return ProgramFlow(**settings).feed(rows, final=True)


def texts(steps):
    return [listing.mnemonic(step.operation, step.data, step.address) if step.operation else step.what for step in steps]


def without(rows: Rows, *columns: str) -> Rows:
    """Return rows with columns that the capture does not have."""
    return rows._replace(**{column: [-1] * len(rows.kind) for column in columns})


def test_a_loop_instruction_by_instruction():
    bus, _ = run(LOOP, 14)
    steps = follow(as_rows(bus.cycles))
    assert texts(steps) == [
        "LD SP,0x8000", "LD B,0x03", "PUSH BC", "CALL 0x0010", "LD HL,0x4000", "INC (HL)", "LD A,(HL)", "OUT (0xfe),A", "RET", "POP BC",
        "DJNZ 0x0005", "PUSH BC", "CALL 0x0010", "LD HL,0x4000",
    ]  # fmt: skip
    assert [step.t_states for step in steps] == [10, 7, 11, 17, 10, 11, 7, 11, 10, 10, 13, 11, 17, 10]
    assert all(step.expected == step.t_states and step.note == "" for step in steps)
    assert (steps[3].address, steps[3].data.hex(), steps[3].start, steps[3].end) == (6, "cd1000", 280, 450)


@pytest.mark.parametrize(
    "code, t_states",
    [  # UM0080, instruction descriptions
        ("dd 7e 05", 19), ("dd cb 05 06", 23), ("dd cb 05 46", 20), ("dd 36 05 5a", 19), ("dd 34 01", 23), ("ed 67", 18), ("e3", 19),
        ("ed 4a", 15), ("ed 78", 12), ("22 00 40", 16), ("ed 5b 00 40", 20), ("dd 21 00 40", 14), ("fd e9", 8), ("c7", 11), ("ed a0", 16),
    ],
)  # fmt: skip
def test_lengths_are_the_manuals(code, t_states):
    bus, _ = run(bytes.fromhex(code) + b"\0" * 8, 3)
    step = follow(as_rows(bus.cycles))[0]
    assert (step.expected, step.t_states) == (t_states, t_states)


def test_the_course_of_a_conditional_instruction_shows_in_what_is_expected():
    code = bytes.fromhex("01 02 00 21 00 40 11 00 50 ed b0 b7 28 02 20 00 c8 c0")  # LD BC,2 ... LDIR / OR A / JR Z / JR NZ / RET Z / RET NZ
    bus, _ = run(code, 10)
    steps = follow(as_rows(bus.cycles))
    shown = {(text, step.expected) for text, step in zip(texts(steps), steps, strict=True)}
    assert {("LDIR", 21), ("LDIR", 16), ("JR Z,0x0010", 7), ("RET Z", 5), ("RET NZ", 11)} <= shown
    bus, _ = run(bytes.fromhex("b7 20 00 28 00"), 3)  # jumps to what follows anyway: only their time tells
    assert sorted(step.expected for step in follow(as_rows(bus.cycles))[1:]) == [7, 12]
    blind = follow(without(as_rows(bus.cycles), "t_states", "address"), has_address=False)
    assert [step.expected for step in blind] == [4, None, None]


def test_wait_states_stand_apart():
    bus, _ = run(LOOP, 6)
    rows = as_rows(bus.cycles)
    waits = [2 if kind == READ else 0 for kind in rows.kind]
    steps = follow(rows._replace(wait_states=waits, t_states=[t + w for t, w in zip(rows.t_states, waits, strict=True)]))
    assert [(step.t_states, step.wait_states) for step in steps[:2]] == [(10, 4), (7, 2)]
    assert all(step.t_states == step.expected for step in steps)


# --- what comes between instructions ---


def test_interrupts_by_mode():
    enabled = "ed {im} fb 00 00 00"  # IM n / EI / NOP ...
    for mode, code, vector, response in (
        ("mode 0", "46", 0xD7, "RST 0x10"), ("mode 1", "56", 0xFF, "interrupt"), ("mode 2, vector 0x40", "5e", 0x40, "interrupt"),
    ):  # fmt: skip
        bus, _ = run(bytes.fromhex(enabled.format(im=code)), 6, interrupts={3}, vector=vector)
        step = follow(as_rows(bus.cycles))[3]
        assert step.what == "interrupt" and mode in step.note and texts([step]) == [response]
        assert step.t_states == step.expected == (19 if "2" in mode else 13)  # UM0080, interrupt response


def test_what_a_device_gives_in_mode_0_says_where_the_program_goes_on():
    """UM0080, mode 0: a restart goes to its address; any other instruction leaves the program where it was."""
    bus, _ = run(bytes.fromhex("ed 46 fb 00 00 00"), 6, interrupts={3}, vector=0xD7)
    rows = as_rows(bus.cycles)
    at = rows.kind.index(KIND_INDEX["interrupt_acknowledge"])
    behind = rows.kind.index(FETCH, at)
    hidden = rows._replace(address=[NOT_KNOWN if k == behind else address for k, address in enumerate(rows.address)])
    assert [step.address for step in follow(hidden)][4] == 0x10
    astray = rows._replace(address=[0x1234 if k == behind else address for k, address in enumerate(rows.address)])
    assert follow(astray)[4].note and not follow(rows)[4].note


def test_interrupt_in_a_mode_that_the_program_did_not_tell():
    bus, _ = run(bytes.fromhex("fb 00 00 00"), 4, interrupts={2})
    assert follow(as_rows(bus.cycles))[2].note == "interrupt, mode 1, or 0 with RST 0x38, pushes 0x0002"


def test_an_nmi_is_marked_where_it_was_taken():
    bus, _ = run(LOOP, 8, nmis={4})
    step = follow(as_rows(bus.cycles))[4]
    assert (step.what, step.address, step.t_states, step.expected) == ("nmi", 0x10, 11, 11)  # UM0080: 11 T-states
    assert step.note == "NMI, pushes 0x0010"


def test_a_stay_in_halt_is_one_step_with_and_without_its_line():
    bus, _ = run(bytes.fromhex("ed 56 fb 76 00 00"), 40, interrupts={30})
    for has_halt in (True, False):
        rows = as_rows(bus.cycles)
        steps = follow(rows if has_halt else rows._replace(note=[0] * len(rows.note)), has_halt=has_halt)
        assert [step.what for step in steps[2:5]] == ["instruction", "halt", "interrupt"]
        assert steps[3].note == "in HALT: 27 fetches" and steps[3].t_states == steps[3].expected == 108
        assert steps[3].address == steps[4].address == 4
        assert (steps[3].start, steps[3].end) == (steps[2].end, steps[4].start)


def test_a_reset_cuts_what_ran():
    bus, _ = run(LOOP, 5)
    rows = as_rows(bus.cycles)
    cut = Rows(*(column[:3] for column in rows))  # LD SP,nn; the reset comes, and the program starts anew
    mark = Rows(bytes((RESET,)), [100], [200], [-1], [-1], [-1], [-1], [0])
    steps = follow(cut.joined(mark).joined(rows))
    assert [step.what for step in steps[:3]] == ["instruction", "reset", "instruction"]
    assert (steps[1].note, steps[2].address, steps[2].note) == ("/RESET low", 0, "")
    short = Rows(*(column[:2] for column in rows))
    found = follow(short.joined(mark).joined(rows))[:2]
    assert [(s.what, s.note, s.t_states) for s in found] == [("misfit", "cut short", None), ("reset", "/RESET low", None)]


def test_after_a_gap_the_program_is_found_again():
    bus, _ = run(LOOP, 14)
    rows = as_rows(bus.cycles)
    mark = Rows(bytes((GAP,)), [70], [280], [-1], [-1], [-1], [-1], [0])
    steps = follow(Rows(*(column[:2] for column in rows)).joined(mark).joined(rows.tail(8)))
    assert [step.what for step in steps[:3]] == ["misfit", "gap", "instruction"]
    assert (steps[2].note, texts(steps)[2]) == ("resynchronised", "CALL 0x0010")
    unmarked = follow(Rows(*(column[:3] for column in rows)).joined(rows.tail(8)))
    assert unmarked[1].note == "out of sequence: 0x0003 expected"


def test_opcodes_that_are_not_known_and_ends_in_the_middle():
    bus, _ = run(LOOP, 5)
    rows = as_rows(bus.cycles)
    data = rows.data[:]
    data[3] = -1
    steps = follow(rows._replace(data=data))
    assert (steps[1].what, steps[1].note, steps[1].address) == ("misfit", "opcode not known", 3)
    assert steps[2].note == "resynchronised"
    begun = follow(rows.tail(1))
    assert (begun[0].what, begun[0].note) == ("misfit", "the capture begins inside an instruction")
    ended = follow(Rows(*(column[:2] for column in rows)))
    assert [(step.what, step.note) for step in ended] == [("misfit", "the capture ends inside an instruction")]


# --- with less captured ---


def test_without_the_address_bus_the_program_tells_where_it_is():
    bus, _ = run(LOOP, 30)
    full = follow(as_rows(bus.cycles))
    blind = follow(without(as_rows(bus.cycles), "address"), has_address=False)
    assert [step.data for step in blind] == [step.data for step in full]
    assert blind[0].address is None and listing.mnemonic(blind[12].operation, blind[12].data, None)
    known = [(one.address, other.address) for one, other in zip(blind, full, strict=True) if one.address is not None]
    assert len(known) >= 20 and all(one == other for one, other in known)
    assert blind[3].note == "address from the program"  # a call pushes the address behind it


def test_a_relative_jump_from_an_unknown_place_counts_from_itself():
    jump = operations(b"")[0x18]
    assert listing.mnemonic(jump, b"\x18\xfe", None) == "JR $+0x00"
    assert listing.mnemonic(jump, b"\x18\xf2", None) == "JR $-0x0c"
    assert listing.mnemonic(jump, b"\x18\xf2", 0x20) == "JR 0x0014"


@pytest.mark.parametrize("kind_of", [
    lambda kind: ACCESS if kind in (READ, WRITE) else kind,  # neither /RD nor /WR
    lambda kind: READ if kind == FETCH else kind,  # nothing tells a fetch from a read
])  # fmt: skip
def test_vaguer_kinds_of_cycle(kind_of):
    bus, _ = run(LOOP, 40)
    rows = as_rows(bus.cycles)
    full = follow(rows)
    vague = follow(rows._replace(kind=bytes(kind_of(kind) for kind in rows.kind)))
    assert [step._replace(note="") for step in vague] == [step._replace(note="") for step in full]


def test_an_nmi_shows_without_addresses_too():
    bus, _ = run(LOOP, 8, nmis={4})
    rows = without(as_rows(bus.cycles), "address")
    steps = follow(rows._replace(note=[0] * len(rows.kind)), has_address=False)
    assert steps[4].what == "nmi" and steps[4].t_states == 11


# --- whatever the program ---


@given(st.integers(0, 10**9))
@settings(max_examples=40, deadline=None)
def test_random_programs_come_back_step_by_step(seed):
    bus, ran = random_run(seed, 120)
    steps = follow(as_rows(bus.cycles))
    assert not [step for step in steps[:-1] if step.what == "misfit"]
    expected, halted = [], False
    for step in ran:
        if not (halted and step.what == "halt"):
            expected.append((step.pc, step.what))
        halted = step.what == "halt"
    found = [(step.address, {"instruction": None, "nmi": "nmi_response"}.get(step.what, step.what)) for step in steps]
    assert found == expected
    assert all(step.t_states == step.expected for step in steps)
    assert all(step.note == "" for step in steps if step.what == "instruction")


@given(st.integers(0, 10**9), st.lists(st.integers(1, 60), max_size=12))
@settings(max_examples=30, deadline=None)
def test_where_the_rows_are_cut_makes_no_difference(seed, cuts):
    bus, _ = random_run(seed, 60)
    rows = as_rows(bus.cycles)
    flow, steps, at = ProgramFlow(), [], 0
    for cut in cuts:
        steps += flow.feed(Rows(*(column[at : at + cut] for column in rows)))
        at += cut
    steps += flow.feed(rows.tail(at), final=True)
    assert steps == follow(rows)


@pytest.mark.parametrize("code, vector", [("ed 5e fb 00 00 00 00 00", 0x40), ("ed 56 fb 76 00 00", 0xFF), ("ed 46 fb 00 00 00", 0xD7)])
def test_every_cut_in_an_interrupt(code, vector):
    bus, _ = run(bytes.fromhex(code), 16, interrupts={8}, vector=vector)
    rows = as_rows(bus.cycles)
    whole = follow(rows)
    for first in range(len(rows.kind)):
        for second in (1, 2, 5):
            flow = ProgramFlow()
            pieces = [Rows(*(column[:first] for column in rows)), Rows(*(column[first : first + second] for column in rows))]
            steps = [step for piece in pieces for step in flow.feed(piece)] + flow.feed(rows.tail(first + second), final=True)
            assert steps == whole, (first, second)


def test_successors_of_jumps():
    assert successors(operations(b"")[0xC3], 0, bytes.fromhex("c33412"), None) == (0x1234,)
    assert successors(operations(b"")[0xC2], 0x10, bytes.fromhex("c23412"), None) == (0x13, 0x1234)
    assert successors(operations(b"")[0x10], 0x10, bytes.fromhex("10fe"), None) == (0x12, 0x10)
    assert successors(operations(b"")[0xEF], 0x10, b"\xef", None) == (0x28,)
    assert successors(operations(b"")[0xC9], 0x10, b"\xc9", 0x4321) == (0x4321,)
    assert successors(operations(b"")[0xC9], 0x10, b"\xc9", None) == ()
    assert successors(operations(b"")[0xE9], 0x10, b"\xe9", None) == ()
    assert successors(operations(b"\xed")[0xB0], 0x10, b"\xed\xb0", None) == (0x12, 0x10)
    assert successors(operations(b"")[0x3E], 0xFFFF, bytes.fromhex("3e00"), None) == (1,)


# --- from captures ---


def steps_of(tmp_path, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    with open_capture(str(path)) as capture:
        return [step for steps in program_steps(capture, map_channels(capture.header.channels)) for step in steps]


def test_a_busy_machine(tmp_path):
    steps = steps_of(
        tmp_path, lines="full", duration_s=0.002, presses=[Press("NMI", 0.001)], bus_requests=[BusRequest(900, 700, 25)],
        waits=[WaitRule(2, ("memory_read",), 0x4000, 0xFFFF, 3)], machine=replace(GENERIC, interrupt_period_t_states=2000),
    )  # fmt: skip
    kinds = {step.what for step in steps}
    assert {"instruction", "interrupt", "nmi", "bus_granted"} <= kinds
    inner = [step for step in steps[1:-1] if step.what != "bus_granted"]
    assert all(step.t_states == step.expected for step in inner)
    assert not [step for step in inner if step.what == "misfit"]
    assert sum(step.wait_states for step in steps) > 10
    assert [step.start for step in steps] == sorted(step.start for step in steps)


def test_a_dead_fetch_strobe_makes_no_difference(tmp_path):
    healthy = steps_of(tmp_path, lines="full", duration_s=0.001)
    dead = steps_of(tmp_path, lines="full", duration_s=0.001, faults=[fault("dead-low", line="M1")])
    assert [(step.address, step.data) for step in dead] == [(step.address, step.data) for step in healthy]


def test_lost_samples_are_gaps(tmp_path):
    steps = steps_of(tmp_path, lines="full", duration_s=0.003, faults=[fault("samples-lost", every_ms=0.8, lost_us=30.0, close=False)])
    whats = [step.what for step in steps]
    assert whats.count("gap") >= 2
    for at in [k for k, what in enumerate(whats[:-1]) if what == "gap"]:
        assert any("resynchronised" in step.note for step in steps[at + 1 : at + 4])
    assert whats.count("misfit") <= 3 * whats.count("gap") + 1


def test_a_reset_in_the_middle(tmp_path):
    steps = steps_of(tmp_path, lines="full", duration_s=0.003, faults=[fault("reset-loop")])
    at = [k for k, step in enumerate(steps[:-1]) if step.what == "reset"]
    assert at
    after = steps[at[-1] + 1]
    assert after.address == 0 and after.note == ""


def test_gaps_are_found_with_and_without_a_clock():
    start = np.array([0, 40, 80, 1000])
    table = CycleTable.build(
        start, np.array([40, 80, 1000, 1040]), np.zeros(4, np.uint8), t_states=np.array([4, 4, 5, 4]), wait_states=np.zeros(4, np.int16),
    )  # fmt: skip
    assert list(find_gaps(table, 10.0, True)) == [(3, (GAP, 120, 1000))]  # four T-states without waits are what any cycle takes
    waited = CycleTable.build(start, np.array([40, 80, 1000, 1040]), np.zeros(4, np.uint8), t_states=np.array([4, 4, 92, 4]),
                              wait_states=np.array([0, 0, 88, 0]))  # fmt: skip
    assert list(find_gaps(waited, 10.0, False)) == []


def test_lines_that_are_missing_are_named():
    with pytest.raises(LineMapError, match=r"^no opcode can be read without D2 \(x\.vcd\): map the data bus, as --map D0=NAME$"):
        Program(frozenset(BIT) - {"D2"}, "x.vcd")
    with pytest.raises(LineMapError, match=r"^no machine cycle can be found without /MREQ or /RD"):
        Program(frozenset(BIT) - {"MREQ", "RD"}, "x.vcd")


# --- the text ---


def test_csv_quotes_what_holds_a_comma():
    bus, _ = run(LOOP, 6)
    text = listing.csv_header() + listing.csv_rows(follow(as_rows(bus.cycles, t=1000)), 1_000_000)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == ["start_s", "address", "bytes", "text", "t_states", "expected_t_states", "note"]
    assert rows[0] == {
        "start_s": "0.000000000", "address": "0x0000", "bytes": "310080", "text": "LD SP,0x8000", "t_states": "10",
        "expected_t_states": "10", "note": "",
    }  # fmt: skip
    assert rows[3]["start_s"] == "0.000028000" and rows[3]["text"] == "CALL 0x0010"


def test_the_readable_listing_marks_what_is_odd():
    bus, _ = run(LOOP, 8, nmis={4})
    rows = as_rows(bus.cycles)
    late = rows.t_states[:]
    late[0] = 7
    lines = listing.text_rows(follow(rows._replace(t_states=late)), 1_000_000).splitlines()
    assert lines[0] == "   0.000000000  0000  31 00 80     LD SP,0x8000             13   10*"
    assert lines[1] == "   0.000000100  0003  06 03        LD B,0x03                 7    7"
    assert "[NMI, pushes 0x0010]" in lines[4]


def test_instructions_are_told_where_reads_and_writes_look_alike(tmp_path):
    """Without /RD and /WR a data access may be either; the program says which it is."""
    with_all, without = (
        [(step.address, step.operation.text, step.data) for step in steps_of(tmp_path, lines=lines, duration_s=0.0005) if step.operation]
        for lines in (LINE_SETS["full"], tuple(name for name in LINE_SETS["full"] if name not in ("RD", "WR")))
    )
    assert sum("(" in text for _, text, _ in with_all) > 10
    assert without == with_all


@pytest.mark.parametrize(
    ("kinds", "address", "t_states", "nmi"),
    [
        ((FETCH, WRITE, WRITE, FETCH), -1, 5, True),
        ((FETCH, WRITE, WRITE, FETCH), -1, -1, True),
        ((FETCH, WRITE, WRITE, FETCH), -1, 4, False),  # UM0080: the fetch of an NMI's response takes five
        ((FETCH, WRITE, WRITE, FETCH), 0x66, 5, False),
        ((FETCH, READ, READ, FETCH), -1, 5, False),
        ((READ, WRITE, WRITE, FETCH), -1, 5, False),
    ],
)
def test_what_looks_like_an_nmi_without_addresses(kinds, address, t_states, nmi):
    rows = as_rows(run(LOOP, 3)[0].cycles)
    rows = Rows(*([column[0]] * 4 for column in rows))._replace(
        kind=bytes(kinds), address=[address] * 4, t_states=[t_states] * 4, wait_states=[0] * 4, data=[0x12] * 4,
    )  # fmt: skip
    assert ProgramFlow()._looks_like_nmi(rows, 0, 4) == nmi
