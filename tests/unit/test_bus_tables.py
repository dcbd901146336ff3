"""The tables of lines and cycles against the CPU manual's figures, written here a second time. Source: Zilog UM0080."""

from __future__ import annotations

import pytest

from strobewise.bus.lines import ADDRESS, BIT, DATA, LINE, LINES, bar, in_ranges, neighbours, pin_text
from strobewise.bus.semantics import (
    CYCLES,
    KEY_BARE,
    KEY_IORQ,
    KEY_M1,
    KEY_M1_LATE,
    KEY_RD,
    KEY_REFRESHED,
    KEY_WR,
    KEYS,
    LONGEST_CYCLE_T,
    SPEC,
    TRUST_M1,
    TRUST_MREQ,
    TRUST_RD,
    TRUST_RFSH,
    TRUST_WR,
    TRUSTS,
    TrustCounts,
    compile_decisions,
    decide,
    trust_word,
)

#: UM0080, pin figure of the 40-pin DIP: pin -> line, supply pins left out.
PINS = {
    1: "A11", 2: "A12", 3: "A13", 4: "A14", 5: "A15", 6: "CLK", 7: "D4", 8: "D3", 9: "D5", 10: "D6", 12: "D2", 13: "D7", 14: "D0", 15: "D1",
    16: "INT", 17: "NMI", 18: "HALT", 19: "MREQ", 20: "IORQ", 21: "RD", 22: "WR", 23: "BUSACK", 24: "WAIT", 25: "BUSREQ", 26: "RESET",
    27: "M1", 28: "RFSH", 30: "A0", 31: "A1", 32: "A2", 33: "A3", 34: "A4", 35: "A5", 36: "A6", 37: "A7", 38: "A8", 39: "A9", 40: "A10",
}  # fmt: skip
ALL = TRUST_M1 | TRUST_RD | TRUST_WR | TRUST_MREQ


def test_pins_are_the_manuals():
    assert {line.pin: line.name for line in LINES if line.pin is not None} == PINS


def test_every_line_has_a_bit_of_its_own():
    assert len({line.bit for line in LINES}) == len(LINES)
    assert [BIT[f"A{k}"] for k in range(16)] == list(range(16, 32))
    assert [BIT[f"D{k}"] for k in range(8)] == list(range(32, 40))


def test_outputs_and_levels():
    outputs = {line.name for line in LINES if line.direction == "output" and line.bit < 16}
    assert outputs == {"M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "BUSACK"}
    assert {line.name for line in LINES if line.active_level == 0} == outputs | {"INT", "NMI", "WAIT", "BUSREQ", "RESET"}


@pytest.mark.parametrize(
    "line, beside", [("M1", {"RESET", "RFSH"}), ("IORQ", {"MREQ"}), ("RD", {"WR"}), ("A0", {"A1"}), ("A10", {"A9"}), ("D2", {"D7"})]
)
def test_neighbours_stay_on_their_side_of_the_package(line, beside):
    assert set(neighbours(line)) == beside


def test_names_as_people_write_them():
    assert (bar("M1"), bar("A0"), bar("CLK"), bar("ROMDIS")) == ("/M1", "A0", "CLK", "ROMDIS")
    assert pin_text("M1") == "/M1 (pin 27)"
    assert LINE["D0"].pin == 14


def test_cycles_are_the_manuals():
    figures = {  # kind: strobes while data are transferred, shortest length
        "opcode_fetch": ({"M1", "MREQ", "RD"}, 4),
        "memory_read": ({"MREQ", "RD"}, 3),
        "memory_write": ({"MREQ", "WR"}, 3),
        "io_read": ({"IORQ", "RD"}, 4),
        "io_write": ({"IORQ", "WR"}, 4),
        "interrupt_acknowledge": ({"M1", "IORQ"}, 6),
    }
    assert {spec.kind: (set(spec.strobes), spec.t_min) for spec in CYCLES} == figures
    # Half a T-state after T1's rising edge for /MREQ, T2's for /IORQ in I/O, the first wait state's middle in an acknowledge.
    assert [SPEC[kind].asserts_at for kind in figures] == [0.5, 0.5, 0.5, 1.0, 1.0, 2.5]
    assert [SPEC[kind].width for kind in figures] == [1.5, 2.0, 2.0, 2.5, 2.5, 1.5]


@pytest.mark.parametrize(
    "key, trust, kind, inferred",
    [
        (KEY_REFRESHED | KEY_M1 | KEY_RD, ALL, "opcode_fetch", False),
        (KEY_REFRESHED | KEY_RD, ALL, "opcode_fetch", True),  # /M1 high
        (KEY_REFRESHED | KEY_M1 | KEY_M1_LATE | KEY_RD, ALL, "opcode_fetch", True),  # /M1 low all the time
        (KEY_REFRESHED | KEY_M1 | KEY_RD, ALL & ~TRUST_M1, "opcode_fetch", True),
        (KEY_M1 | KEY_RD, ALL, "opcode_fetch", False),  # its refresh was lost
        (KEY_RD, ALL, "memory_read", False),
        (KEY_WR, ALL, "memory_write", False),
        (0, ALL, "memory_write", True),  # /WR dead
        (0, TRUST_M1 | TRUST_WR | TRUST_MREQ, "memory_read", True),  # /RD dead
        (0, TRUST_M1 | TRUST_MREQ, "memory_access", False),  # neither captured
        (KEY_IORQ | KEY_RD, ALL, "io_read", False),
        (KEY_IORQ | KEY_WR, ALL, "io_write", False),
        (KEY_IORQ | KEY_M1, ALL, "interrupt_acknowledge", False),
        (KEY_IORQ | KEY_REFRESHED, ALL & ~TRUST_M1, "interrupt_acknowledge", True),
        (KEY_IORQ, ALL & ~TRUST_M1, "interrupt_acknowledge", True),
        (KEY_IORQ, ALL, "io_write", True),  # /WR dead: a read would show /RD, an acknowledge /M1
        (KEY_IORQ, 0, "unknown", False),
        (KEY_BARE | KEY_RD, ALL, "io_read", True),  # /IORQ dead
        (KEY_BARE | KEY_WR, ALL, "io_write", True),
        (KEY_BARE | KEY_RD, ALL & ~TRUST_MREQ, "memory_read", True),  # /MREQ dead
        (KEY_BARE | KEY_RD | KEY_M1, ALL & ~TRUST_MREQ, "opcode_fetch", False),
    ],
)
def test_decisions(key, trust, kind, inferred):
    assert decide(key, trust) == (kind, inferred)


def test_the_compiled_table_is_the_function():
    kinds, inferred = compile_decisions()
    assert len(kinds) == len(inferred) == KEYS * TRUSTS
    from strobewise.bus.model import KINDS

    assert all((KINDS[kinds[t * KEYS + k]], inferred[t * KEYS + k]) == decide(k, t) for t in range(TRUSTS) for k in range(KEYS))


#: Of 80 fetches: strobe -> its flag, what it did where it may, and where it may not; how much of the first is asked for.
STROBES = {
    "M1": (TRUST_M1, "m1_right", "m1_wrong", 10),
    "RD": (TRUST_RD, "rd_right", "rd_wrong", 40),
    "WR": (TRUST_WR, None, "wr_wrong", 0),
    "RFSH": (TRUST_RFSH, "rfsh_right", "rfsh_wrong", 70),
}
CAPTURED = frozenset(("MREQ", *STROBES))
WELL = TrustCounts(160, 80, 80, 0, 80, 0, 0, 80, 80, 0)


def test_strobes_that_behave_are_trusted():
    assert trust_word(WELL, CAPTURED) == TRUST_MREQ | TRUST_M1 | TRUST_RD | TRUST_WR | TRUST_RFSH
    assert trust_word(WELL, frozenset()) == trust_word(WELL._replace(memory_requests=0), frozenset(("MREQ",))) == 0
    assert not trust_word(WELL._replace(refreshes=0, rfsh_right=0), CAPTURED) & TRUST_RFSH  # nothing was seen of it


@pytest.mark.parametrize("strobe", STROBES)
def test_one_wrong_in_eight_is_forgiven(strobe):
    flag, right, wrong, least = STROBES[strobe]
    assert trust_word(WELL._replace(**{wrong: 10}), CAPTURED) & flag
    assert not trust_word(WELL._replace(**{wrong: 11}), CAPTURED) & flag
    assert not trust_word(WELL, CAPTURED - {strobe}) & flag
    if right is not None:
        assert trust_word(WELL._replace(**{right: least}), CAPTURED) & flag
        assert not trust_word(WELL._replace(**{right: least - 1}), CAPTURED) & flag


def test_the_longest_cycle_leaves_a_margin_but_no_second_cycle():
    """UM0080: CPIR and its like add 5 T-states to a read of 3 and its repetition 5 more; the shortest cycle takes 3."""
    assert 13 < LONGEST_CYCLE_T <= 13 + 3


def test_neighbours_of_a_bus_are_written_as_a_range():
    names = ["CLK", "A0", "A1", "A8", "A9", "A10", "A11", "D0", "D1", "D2", "D7", "ROMDIS"]
    assert in_ranges(names) == ["CLK", "A0", "A1", "A8-A11", "D0-D2", "D7", "ROMDIS"]
    assert in_ranges([*ADDRESS, *DATA]) == ["A0-A15", "D0-D7"] and in_ranges([]) == [] and in_ranges(["M1"]) == ["/M1"]


ALONE = TrustCounts(*[0] * 10, alone=100, reads_alone=80, m1_alone=40)._replace(m1_wrong=40)


@pytest.mark.parametrize(("change", "trusted"), [
    ({}, True), ({"m1_odd": 5}, True), ({"m1_odd": 6}, False), ({"m1_alone": 13}, True), ({"m1_alone": 12}, False),
    ({"m1_alone": 79}, True), ({"m1_alone": 80}, False), ({"memory_requests": 1}, False), ({"fetches": 1}, False),
])  # fmt: skip
def test_m1_where_no_refresh_shows(change, trusted):
    assert bool(trust_word(ALONE._replace(**change), CAPTURED) & TRUST_M1) is trusted
    assert not trust_word(ALONE, CAPTURED - {"M1"}) & TRUST_M1


@pytest.mark.parametrize(("alone", "trusted"), [(20, True), (0, False)])
def test_reads_alone_with_m1_take_no_trust_from_it_among_fetches(alone, trusted):
    """They are fetches whose /MREQ is missing, where /IORQ was not captured; /M1 in as many other requests is out of place."""
    counts = TrustCounts(*[0] * 10, alone=60, reads_alone=60, m1_alone=alone)
    counts = counts._replace(memory_requests=100, fetches=40, m1_right=40, m1_wrong=20)
    assert bool(trust_word(counts, CAPTURED) & TRUST_M1) is trusted
