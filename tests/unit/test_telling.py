"""Addresses that the program tells: never another than the CPU used, given up where nothing tells."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from strobewise.bus.model import KIND_INDEX
from strobewise.machine import GENERIC, GENERIC_PAGING, BusRequest, Press, simulate
from strobewise.program.telling import BROKEN, NMI, RESET, Teller, TellingRows

F, R, W, IO, A, IO_W = (
    KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "io_read", "interrupt_acknowledge", "io_write")
)
START = [(F, 0x3E), (R, 0x00)]  # LD A,0: behind its operand begins an instruction for sure
END = [(F, 0x00)] * 10
CALL = [(F, 0xCD), (R, 0x00), (R, 0x20), (W, 0x12), (W, 0x34)]


def tell(*rows, flags=None, longer=(), internal_t=None):
    """Return the told addresses of the rows behind START.

    longer: rows that take five T-states more than they must; internal_t: by row, what an instruction takes beside its transfers.
    """
    kind, data = (list(column) for column in zip(*START, *rows, *END, strict=True))
    internal = [0]
    for k in range(len(kind)):
        internal.append(internal[-1] + 5 * (k - len(START) in longer) + (internal_t or {}).get(k - len(START), 0))
    marks = [0] * len(kind)
    for at, flag in (flags or {}).items():
        marks[at + len(START)] = flag
    teller = Teller(TellingRows(kind, data, internal, [False] * len(kind), marks))
    teller.run()
    return teller.told[len(START) : len(START) + len(rows)], teller


def test_a_pushed_return_address_says_where_the_program_was():
    told, teller = tell((F, 0x00), *CALL, (F, 0x3A), (R, 0x55), (R, 0x66), (R, 0x01))
    assert told == [0x1230, 0x1231, 0x1232, 0x1233, -1, -1, 0x2000, 0x2001, 0x2002, 0x6655], "the stack's place is not known"
    assert (teller.written.number, teller.instructions >= 3) == (0, True)


def test_another_return_address_than_pc_takes_back_what_was_told():
    again = [(F, 0xCD), (R, 0x00), (R, 0x30), (W, 0x77), (W, 0x77)]
    told, teller = tell(*CALL, (F, 0x00), *again, (F, 0x00))
    assert told[5:9] == [-1] * 4 and told[-1] == 0x3000
    assert (teller.written.number, teller.written.wrong) == (2, 2)


def test_a_condition_that_nobody_knows():
    jump = [(F, 0x20), (R, 0x10)]  # JR NZ
    assert tell(*CALL, *jump, (F, 0x00))[0][5:] == [0x2000, 0x2001, 0x2002]
    assert tell(*CALL, *jump, (F, 0x00), longer={6})[0][5:] == [0x2000, 0x2001, 0x2012]
    far = [(F, 0xC2), (R, 0x00), (R, 0x40)]  # JP NZ shows nothing
    assert tell(*CALL, *far, (F, 0x00))[0][5:] == [0x2000, 0x2001, 0x2002, -1]
    known = [(F, 0xAF), *far]  # XOR A
    assert tell(*CALL, *known, (F, 0x00))[0][5:] == [0x2000, 0x2001, 0x2002, 0x2003, 0x2004]
    called = [(F, 0xC4), (R, 0x00), (R, 0x40)]  # CALL NZ: its writes tell
    assert tell(*CALL, *called, (F, 0x00))[0][5:] == [0x2000, 0x2001, 0x2002, 0x2003]
    assert tell(*CALL, *called, (W, 0x20), (W, 0x03), (F, 0x00))[0][-1] == 0x4000


def test_the_response_to_nmi_is_no_instruction():
    """What was fetched is thrown away: INC L did not count, and PUSH BC did not push."""
    load = [(F, 0x21), (R, 0x00), (R, 0x80)]  # LD HL,8000h
    back = [(F, 0xED), (F, 0x45), (R, 0x03), (R, 0x20), (F, 0x2C), (F, 0x7E), (R, 0x01)]
    for opcode, flags in ((0x2C, {}), (0x2C, {8: NMI}), (0xC5, {})):
        told, _ = tell(*CALL, *load, (F, opcode), (W, 0x20), (W, 0x03), *back, flags=flags)
        assert told[11:15] == [0x66, 0x67, -1, -1] and told[-1] == 0x8001, (opcode, flags)


def test_where_something_is_missing_nothing_is_told_until_a_place_is_named():
    told, _ = tell(*CALL, (F, 0x00), (F, 0x00), (F, 0x00), (F, 0x3A), (R, 0x01), (R, 0x02), (R, 0x03), (F, 0x00), flags={6: BROKEN})
    assert told[5:9] == [0x2000, -1, -1, -1] and told[12] == -1
    told, _ = tell(*CALL, (F, 0x00), (F, 0x31), (R, 0x00), (R, 0x80), (F, 0xC5), (W, 1), (W, 2), flags={5: RESET})
    assert told[5:] == [0, 1, 2, 3, 4, 0x7FFF, 0x7FFE]


@pytest.mark.parametrize("seed", range(12))
def test_what_is_told_is_what_the_machine_used(seed):
    """On simulated machines whose addresses are known, with interrupts, /NMI, a bus master, an expansion device."""
    rng = random.Random(seed)
    settings = {"machine": replace(GENERIC, paging=(GENERIC_PAGING,) if seed % 3 == 0 else (),
                                   interrupt_period_t_states=rng.choice((None, 3_000, 9_000)))}  # fmt: skip
    if seed % 2:
        settings["presses"] = [Press("NMI", rng.uniform(0.0005, 0.0015))]
        settings["bus_requests"] = [BusRequest(1_000, 2_500, 60)]
    rows = [row for row in simulate(seed=seed, **settings).truth["cycles"] if row["kind"] != "bus_granted"]
    flags = [RESET if row["note"] == "after_reset" else NMI if row["note"] == "nmi_response" and seed % 4 == 1 else 0 for row in rows]
    kind = [KIND_INDEX[row["kind"]] for row in rows]
    teller = Teller(TellingRows(kind, [row["data"] for row in rows], [0] * (len(rows) + 1), [True] * len(rows), flags))
    teller.run()
    told = [(k, teller.told[k], row["address"]) for k, row in enumerate(rows) if teller.told[k] >= 0]
    assert len(told) >= 0.3 * len(rows)
    assert [each for each in told if each[1] != each[2]] == []
    assert teller.written.wrong == 0


#: Instructions that count: a round of each, the row that takes longer by itself and by how many T-states, whether C counts, too (UM0080).
LOOPS = {
    "DJNZ": ([(F, 0x10), (R, 0x20)], 0, 1, False),
    "LDIR": ([(F, 0xED), (F, 0xB0), (R, 1), (W, 1)], 3, 2, True), "LDDR": ([(F, 0xED), (F, 0xB8), (R, 1), (W, 1)], 3, 2, True),
    "INIR": ([(F, 0xED), (F, 0xB2), (IO, 1), (W, 1)], 1, 1, False), "INDR": ([(F, 0xED), (F, 0xBA), (IO, 1), (W, 1)], 1, 1, False),
    "OTIR": ([(F, 0xED), (F, 0xB3), (R, 1), (IO_W, 1)], 1, 1, False), "OTDR": ([(F, 0xED), (F, 0xBB), (R, 1), (IO_W, 1)], 1, 1, False),
}  # fmt: skip


@pytest.mark.parametrize("name", LOOPS)
def test_a_counter_that_nobody_knew_is_zero_behind_its_loop(name):
    """What PUSH BC writes behind it is held against that; where it goes round once more nobody knows it still."""
    loop, slow, slow_t, c_counts = LOOPS[name]
    for b, again, wrong in ((0x12, False, 1), (0x00, False, int(c_counts)), (0x12, True, 0), (0x00, True, 0)):
        longer = {len(CALL) + len(loop) - 1} if again else ()
        _, teller = tell(*CALL, *loop, (F, 0xC5), (W, b), (W, 0x34), internal_t={len(CALL) + slow: slow_t}, longer=longer)
        assert teller.written.wrong == wrong, (b, again)


@pytest.mark.parametrize(("push", "number"), [(0xC5, 2), (0xD5, 2), (0xF5, 0)])
def test_what_a_push_writes_is_held_against_the_registers_but_for_the_flags(push, number):
    """Makes of the CPU differ in flags that no program asks for, so that PUSH AF says nothing."""
    loads = [(F, 0x01), (R, 0x34), (R, 0x12), (F, 0x11), (R, 0x34), (R, 0x12), (F, 0xAF)]  # LD BC,1234h / LD DE,1234h / XOR A
    for low, wrong in ((0x34, 0), (0x35, 1)):
        _, teller = tell(*CALL, *loads, (F, push), (W, 0x12), (W, low))
        assert (teller.written.number, teller.written.wrong) == (number, wrong if number else 0)
