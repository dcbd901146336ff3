"""The ways of a replayed program: where nobody knows how it goes on each is tried, and unseen NMIs are not taken without end."""

from __future__ import annotations

import pytest

from strobewise.records.replay import COMPLETE, GAVE_UP, LOST, PARTED
from strobewise.replay import healthy
from strobewise.replay.board import Region, ReplayBoard
from strobewise.replay.compared import Predicted
from strobewise.replay.course import _NMIS_FREE, Course, Outcome
from strobewise.replay.healthy import met_on_its_way
from strobewise.replay.judging import OWN_PLACES, goes_its_own_way
from strobewise.replay.known import Program
from strobewise.replay.observed import ACCESS, FETCH, Observed
from strobewise.replay.search import CHANCE_CYCLES, _further
from strobewise.replay.unknown import Unknown
from strobewise.replay.weighing import LEAST_GAIN

F, ACC = FETCH, ACCESS


def course_of(program, cycles, nmi_idle):
    """Return the course of a program at 0000h beside cycles (kind, T-states) that /MREQ and /M1 show."""
    return Course(observed(cycles, "NMI" if nmi_idle else "INT"), ReplayBoard(regions_of(program)), 0, 10_000)


def regions_of(program):
    return (Region("rom", 0, 0x0FFF, bytes(program).ljust(0x1000, b"\0")), Region("ram", 0x8000, 0xFFFF, None))


def observed(cycles, *more):
    """Return cycles (kind, T-states) as /MREQ and /M1 show them; /INT is at rest, and so are more inputs."""
    kinds, t_states = [kind for kind, _ in cycles], [t for _, t in cycles]
    nothing = [0] * len(cycles)
    captured = frozenset(("MREQ", "M1", "INT", *more))
    quiet = {"INT": False, "NMI": False}
    return Observed(captured, kinds, t_states, nothing, nothing, nothing, nothing, nothing, nothing, nothing, asserted=quiet)


# LD A,(8000h); OR A; JR Z,+1; NOP; JR $: what lies at 8000h nobody knows (lengths: UM0080)
ON_RAM = (0x3A, 0x00, 0x80, 0xB7, 0x28, 0x01, 0x00, 0x18, 0xFE)
LOAD_AND_TEST = [(F, 4), (ACC, 3), (ACC, 3), (ACC, 3), (F, 4), (F, 4)]
ROUND = [(F, 4), (ACC, 8)] * 30


@pytest.mark.parametrize("after", [[(ACC, 8)], [(ACC, 3), (F, 4)]], ids=["taken", "not taken"])
def test_either_way_of_a_branch_on_what_nobody_knows_is_found(after):
    cycles = [*LOAD_AND_TEST, *after, *ROUND]
    outcome = course_of(ON_RAM, cycles, nmi_idle=True).run()
    assert (outcome.ended, outcome.matched) == (COMPLETE, len(cycles))


def test_a_program_that_goes_neither_way_parts():
    outcome = course_of(ON_RAM, [*LOAD_AND_TEST, (ACC, 5), *ROUND], nmi_idle=True).run()
    assert outcome.ended == PARTED


# JR $ at 0000h, RETN at 0066h
WAITING = bytes((0x18, 0xFE)).ljust(0x66, b"\0") + bytes((0xED, 0x45))
NMI = [(F, 5), (ACC, 3), (ACC, 3), (F, 4), (F, 4), (ACC, 3), (ACC, 3)]


@pytest.mark.parametrize("nmis", [0, 1, _NMIS_FREE])
def test_a_few_nmis_that_no_lead_shows_are_taken_for_granted(nmis):
    cycles = ROUND[:6] + (NMI + ROUND[:6]) * nmis
    outcome = course_of(WAITING, cycles, nmi_idle=False).run()
    assert (outcome.ended, outcome.matched) == (COMPLETE, len(cycles))


def test_a_storm_of_nmis_is_not():
    before = ROUND[:6] + (NMI + ROUND[:6]) * _NMIS_FREE
    outcome = course_of(WAITING, before + NMI + ROUND[:6], nmi_idle=False).run()
    assert outcome.ended == PARTED
    assert outcome.matched < len(before) + len(NMI)


@pytest.mark.parametrize(("matched", "ended", "further"), [
    (100 + LEAST_GAIN, PARTED, True), (99 + LEAST_GAIN, PARTED, False),
    (101, COMPLETE, True), (100, COMPLETE, False),
    (100, LOST, True), (100, GAVE_UP, True),  # never contradicted
    (100 - CHANCE_CYCLES, LOST, True), (99 - CHANCE_CYCLES, LOST, False),  # so far a healthy machine may agree by chance
])  # fmt: skip
def test_how_much_further_a_fault_must_lead(matched, ended, further):
    assert _further(Outcome(matched, ended, 1, [], 0, []), 100) is further


@pytest.mark.parametrize(("places", "its_own"), [(OWN_PLACES, True), (OWN_PLACES - 1, False)])
def test_how_many_places_of_a_course_make_it_the_programs_own(places, its_own):
    """However often it goes round: other programs may be in a short loop as well. What it reads is no place."""
    rounds = [Predicted(row, FETCH, row % places, 0) for row in range(100)] + [Predicted(row, ACCESS, row, 0) for row in range(100, 200)]
    assert goes_its_own_way(Outcome(200, COMPLETE, 1, rounds, 0, [])) is its_own


def test_a_fault_that_leads_into_the_programs_own_loop_is_told_from_one_that_leads_elsewhere():
    """JP 0020h is read as JP 0030h where D4 is high: a healthy machine met in the loop at 0030h does just that, and in none elsewhere."""
    loop = [0x3C, 0x3D, 0x04, 0x05, 0x18, 0xFA]  # INC A, DEC A, INC B, DEC B, JR to the first
    rom = bytearray(b"\x76" * 0x1000)
    rom[0:3], rom[0x30:0x36] = bytes((0xC3, 0x20, 0x00)), bytes(loop)
    regions = (Region("rom", 0, 0x0FFF, bytes(rom)),)
    cycles = [(F, 4), (ACC, 3), (ACC, 3), *[(F, 4), (F, 4), (F, 4), (F, 4), (F, 4), (ACC, 8)] * 8]
    seen = course_of(rom, cycles, nmi_idle=True).seen
    log = [Predicted(3 + k, FETCH if k % 6 < 5 else ACCESS, 0x30 + k % 6, loop[k % 6]) for k in range(48)]
    spoilt = Outcome(len(cycles), COMPLETE, 1, log, 0, [])
    assert met_on_its_way(seen, Program("x", regions, (), None, False), spoilt)
    elsewhere = (Region("rom", 0, 0x0FFF, bytes(rom[:0x30]) + b"\x3c" * 0xFD0),)  # a row of INC A: no JR ends it
    assert not met_on_its_way(seen, Program("x", elsewhere, (), None, False), spoilt)


def test_of_memory_filled_with_one_byte_not_every_place_is_tried():
    regions = (Region("rom", 0, 0x3FFF, b"\x00" * 0x4000),)
    walk = Outcome(60, COMPLETE, 1, [Predicted(row, FETCH, 0x100 + row, 0x00) for row in range(60)], 0, [])
    seen, tries = course_of(b"", [(F, 4)] * 60, nmi_idle=True).seen, []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(healthy, "_met", lambda *where: tries.append(where) or False)
        assert not met_on_its_way(seen, Program("x", regions, (), None, False), walk)
    assert len(tries) == healthy.MET_AT * healthy.MET_PLACES


def test_where_a_course_reads_what_nobody_knows_its_place_is_told_by_what_came_before():
    """POP and LDI read where unknown registers point."""
    log = [Predicted(0, FETCH, 0x20, 0xED), Predicted(1, FETCH, 0x21, 0xA0), Predicted(2, ACCESS, Unknown(0, 0xFFFF), Unknown(0, 0xFF))]
    assert healthy._read_in_a_row(Outcome(3, COMPLETE, 1, log, 0, []), 0) == [0xED, 0xA0]
    assert healthy._read_in_a_row(Outcome(3, COMPLETE, 1, [log[0], Predicted(1, FETCH, 0x40, 0xA0)], 0, []), 0) == [0xED]
