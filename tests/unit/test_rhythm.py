"""The rhythm of instructions: what is repeated to the end, told by the cycles alone, and what the rules make of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_made import evidence_of, rules_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX, NOTE_INDEX
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import CycleTable
from strobewise.evidence import rhythm
from strobewise.evidence.rhythm import RhythmPart
from strobewise.records.evidence import BusEvidence
from strobewise.records.rhythm import Growing, Pushing, Repeated, RhythmRecord
from strobewise.rules import find_rule

KINDS = {
    "F": "opcode_fetch", "A": "interrupt_acknowledge", "r": "memory_read", "w": "memory_write", "i": "io_read", "o": "io_write",
    "g": "bus_granted", "?": "unknown",
}  # fmt: skip


def rhythm_of(text, sizes=(1000,), data=None, reset=None):
    """Return the record of instructions such as "F4 r3 w3", a letter and the T-states of a cycle, fed in pieces of these sizes.

    data: the byte of each fetch; reset: the number of the cycle behind a reset. A cycle takes a microsecond.
    """
    words = text.split()
    kind = np.array([KIND_INDEX[KINDS[word[0]]] for word in words], np.uint8)
    t_states = np.array([int(word[1:] or -1) for word in words])
    note = np.array([NOTE_INDEX["after_reset"] if k == reset else 0 for k in range(len(words))])
    byte = np.where(kind == KIND_INDEX["opcode_fetch"], -1 if data is None else data, -1)
    start = np.arange(len(words))
    table = CycleTable.build(start, start + 1, kind, t_states=t_states, data=byte, note=note)
    part, at, turn = RhythmPart(1e-6), 0, 0
    while at < len(words):
        piece = table[at : at + sizes[turn % len(sizes)]]
        part.feed(Batch(Requests.empty(), np.empty(0, np.uint8), piece, np.full(len(piece), -1)))
        at, turn = at + len(piece), turn + 1
    evidence = BusEvidence()
    part.fill(evidence)
    return evidence.rhythm


HANDLER = "F5 w3 w3 F5 w3 w3 F4 r3 r3 r3 F4 F4 r3 r3 F4 r3 r3 "


@pytest.mark.parametrize("sizes", [(1000,), (1,), (7, 3)])
def test_what_is_repeated_to_the_end(sizes):
    seen = rhythm_of("F4 F4 r3 " + HANDLER * 40 + "F5", sizes).repeated
    assert seen.cycles == ("Fww", "Fww", "Frrr", "F", "Frr", "Frr")
    assert (seen.times, seen.before, seen.start_s, seen.instructions) == (40, 2, pytest.approx(3e-6), 240)
    assert (seen.pushes, seen.returns, seen.jumps, seen.calls, seen.acknowledges) == (2, 2, 0, 0, 0)


def test_only_the_end_is_kept(monkeypatch):
    monkeypatch.setattr(rhythm, "KEPT", 200)
    seen = rhythm_of(HANDLER * 40 + "F5", (7, 3)).repeated
    assert (seen.times, seen.start_s) == (11, pytest.approx((40 - 11) * 17e-6))


def test_too_few_turns_are_no_repetition():
    assert rhythm_of(HANDLER * 7 + "F5").repeated == Repeated()
    assert rhythm_of(HANDLER * 8 + "F5").repeated.times == 8


@pytest.mark.parametrize(
    ("turn", "jumps", "calls"),
    [
        ("F4 r8 F4", 1, 0),  # JR, taken
        ("F4 r3 F4", 0, 0),  # LD A,n, or JR that is not taken
        ("F5 r8 F4", 1, 0),  # DJNZ
        ("F4 r F4", 1, 0),  # how long it is nobody knows
        ("F4 r3 r4 w3 w3 F4", 0, 1),  # CALL
        ("F4 r3 r3 w3 w3 F4", 0, 0),  # LD (nn),HL
        ("F4 r3 r4 w3 w5 F4", 0, 0),  # EX (SP),HL
        ("F6 r5 F6", 0, 0), ("F6 r10 F6", 1, 0),  # with two wait states in each cycle
    ],
)  # fmt: skip
def test_which_instruction_may_jump_or_call(turn, jumps, calls):
    seen = rhythm_of(f"{turn} " * 20 + "F4").repeated
    assert (seen.jumps, seen.calls) == (jumps, calls)


def test_waits_now_and_then_make_no_jump_and_grants_no_other_instruction():
    waits = rhythm_of(("F4 r3 F4 " + "F5 r8 F4 ") * 20 + "F4").repeated
    assert waits.cycles == ("Fr", "F") and waits.jumps == 0, "the shortest of each counts"
    assert rhythm_of("F4 g90 r3 r3 F4 " + "F4 r3 r3 F4 " * 20).repeated.times == 20


def test_a_reset_and_the_bytes_of_restarts():
    seen = rhythm_of("F4 F4 F4 " + "F5 w3 w3 F4 r3 r3 " * 20 + "F4", data=0xFF, reset=1).repeated
    assert (seen.behind_reset, seen.restarts) == (2, 1)
    assert rhythm_of("F5 w3 w3 F4 r3 r3 " * 20 + "F4", data=0xF5).repeated.restarts == 0
    assert rhythm_of("F4 r3 r3 " * 20 + "F4", reset=0).repeated.behind_reset == 0


def test_acknowledges_behind_the_return_from_the_one_before():
    assert rhythm_of("A7 w3 w3 F4 F4 r3 r3 " * 20 + "F4").repeated.answered_behind_returns
    assert not rhythm_of("A7 w3 w3 F4 F4 r3 r3 F4 " * 20 + "F4").repeated.answered_behind_returns


def test_pushes_that_nothing_takes_back():
    run = rhythm_of("F4 r3 r3 " + "F5 w3 w3 " * 30 + "F4 r3 r3 r3 r3 " + "F5 w3 w3 " * 20 + "F4 r8 F5 w3 w3 F4").pushing
    assert (run.pushes, run.instructions, run.start_s) == (50, 52, pytest.approx(3e-6))
    assert rhythm_of("F4").pushing == Pushing()


def test_the_stretch_over_which_the_stack_grows():
    storm = "F5 w3 w3 F4 F4 F5 w3 w3 F4 F4 F4 F4 F4 r3 r3 F4 r8 "
    grown = rhythm_of("F4 F4 r3 r3 " + storm * 80 + "F4 r3 r3 F4 r3 r3 F4").growing
    assert (grown.net, grown.pushes, grown.restarts) == (81, 160, 0), "two for each turn, one of which may be taken back"
    assert (grown.instructions, grown.start_s) == (10 * 79 + 4, pytest.approx(4e-6))
    assert rhythm_of("F5 w3 w3 " * 70 + "F4", data=0xFF).growing.restarts == 70
    assert rhythm_of("A7 w3 w3 " * 9 + "F4").growing == Growing(9, 9, 0, 9, 0.0)
    called = rhythm_of("F4 r3 r4 w3 w3 F4 r3 r3 " * 70 + "F4").growing
    assert called.net == 0, "a call and its return"


@pytest.mark.parametrize(
    ("turn", "data", "net"),
    [
        ("F5 w3 w3 F5 w3 w3 F5 r8 ", None, 0),  # PUSH, PUSH, DJNZ
        ("F5 w3 w3 F6 F5 r8 ", None, 0),  # PUSH, DEC HL, DJNZ
        ("F5 w3 w3 F6 F4 F5 r8 ", None, 70),  # too little of it pushes
        ("F5 w3 w3 F5 w3 w3 F4 r3 ", None, 140),  # nothing jumps
        ("F5 w3 w3 F5 w3 w3 F5 r8 ", 0xFF, 140),  # and these are restarts
        ("F5 w3 w3 F5 w3 w3 F4 r3 r3 ", None, 0),  # PUSH, PUSH, JP
    ],
)
def test_loops_that_may_fill_memory_by_pushing(turn, data, net):
    tail = "F5 w3 w3 F5 w3 w3 "
    grown = rhythm_of("F4 F4 r3 r3 " + turn * 70 + tail + "F4", data=data).growing
    assert grown.net in (net, net + 1, net + 2), "the tail may go on with the loop"


def test_a_capture_within_a_loop_knows_its_jumps_by_the_writes():
    assert rhythm_of("F5 w3 w3 F5 r8 " * 20 + "F5").repeated.jumps == 1, "no fetch of four T-states was seen"
    assert rhythm_of("F5 w3 w3 F4 r3 F5 r8 " * 20 + "F5").repeated.jumps == 1


def test_no_cycles_at_all():
    assert rhythm_of("r3 r3") == RhythmRecord()


def rules(repeated=None, pushing=None, without="HALT", also=frozenset(), **changes):
    evidence = evidence_of(rhythm=RhythmRecord(repeated or Repeated(), pushing or Pushing()), **changes)
    evidence.captured = evidence.captured - {without} | also
    return rules_of(evidence)


LOOP = Repeated(("Fww", "F", "Frr"), 100, 0.001, 40)
OWN = {"one-instruction", "goes-on-without-jump", "interrupts-without-pause"}


@pytest.mark.parametrize(
    ("repeated", "found"),
    [
        (LOOP, {"goes-on-without-jump"}),
        (replace(LOOP, jumps=1), set()),
        (replace(LOOP, cycles=("Fww", "F", "Frr", "Frr")), set()),  # one may be JP
        (replace(LOOP, cycles=("F", "F", "Frrr")), set()),  # nothing pushed: a loop that ends in JP (HL)
        (replace(LOOP, cycles=("Fww", "F?", "Frr")), set()),
        (replace(LOOP, cycles=("Aww", "F", "Frr"), answered_behind_returns=True), set()),  # /INT shows what it does
        (Repeated(("Frr",), 400, 0.001, 40), {"one-instruction"}),
        (Repeated(("F",), 1000, 0.001, 40), {"one-instruction"}),
        (Repeated(("F",), 999, 0.001, 40), set()),
        (Repeated(("Frrr",), 400, 0.001, 40), {"one-instruction"}),
        (Repeated(("Fww",), 400, 0.001, 40), set()),  # restarts-without-end's
        (Repeated(("F", "Frw"), 400, 0.001, 40), set()),  # LDIR
    ],
)
def test_what_is_no_programs_way(repeated, found):
    assert rules(repeated) & OWN == found
    assert not rules(repeated, samples_per_t=2.0) & OWN, "too coarse to tell"


def test_bytes_and_lines_that_were_captured_tell_more():
    known = rules(LOOP, also={*DATA})
    assert "goes-on-without-jump" not in known, "the byte that pushes is no restart"
    assert "goes-on-without-jump" in rules(replace(LOOP, restarts=1), also={*DATA})
    assert "one-instruction" not in rules(Repeated(("Frr",), 400, 0.001, 40), also={*DATA})
    assert "one-instruction" not in rules(Repeated(("F",), 1000, 0.001, 40), without="NMI"), "/HALT tells"
    storm = replace(LOOP, cycles=("Aww", "F", "Frr"), answered_behind_returns=True)
    assert "interrupts-without-pause" in rules(storm, without="INT")
    assert "interrupts-without-pause" not in rules(replace(storm, answered_behind_returns=False), without="INT")


def test_restarts_broken_by_a_byte_now_and_then():
    from strobewise.records.course import CourseRecord

    run = Pushing(900, 0, 950, 0.001)
    assert "restarts-without-end" in rules(pushing=run, course=CourseRecord())
    assert "restarts-without-end" not in rules(pushing=replace(run, pushes=800), course=CourseRecord())
    assert "restarts-without-end" not in rules(pushing=run, course=CourseRecord(), also={*DATA}), "no byte of them is RST"
    assert "restarts-without-end" in rules(pushing=replace(run, restarts=900), course=CourseRecord(), also={*DATA})
    assert "restarts-without-end" not in rules(pushing=replace(run, restarts=900), course=CourseRecord(), also={*DATA, *ADDRESS})


GROWN = Growing(400, 500, 0, 2000, 0.001)


@pytest.mark.parametrize(
    ("grown", "also", "found"), [(GROWN, (), "warning"), (GROWN, DATA, None), (replace(GROWN, restarts=300), DATA, "fault")]
)
def test_a_stack_that_grows(grown, also, found):
    evidence = evidence_of(rhythm=RhythmRecord(growing=grown))
    evidence.captured = evidence.captured | {*also}
    rule = find_rule("stack-grows")
    assert rule is not None
    assert [each.severity or rule.severity for each in rule.decide(evidence)] == ([found] if found else [])
    evidence.samples_per_t = 2.0
    assert not list(rule.decide(evidence)), "too coarse to tell"


def test_a_short_loop_may_be_of_one_kind_of_instruction():
    """LD A,n and JR make the same cycles as LD A,n alone: only what cannot hold a jump is no program's."""
    def severity(cycles):
        evidence = evidence_of(rhythm=RhythmRecord(Repeated((cycles,), 400, 0.001, 40)))
        rule = find_rule("one-instruction")
        assert rule is not None
        return [found.severity for found in rule.decide(evidence)]

    assert severity("Fr") == severity("Frr") == ["note"] and severity("Frrr") == ["fault"]
