"""What a run comes to: reads and cycles at the end that are all alike, starts out of nowhere, and what the rules make of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX, NOTE_INDEX
from strobewise.cycles.engine import Batch
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import CycleTable
from strobewise.evidence.course import CoursePart, led_to_start, returned_to_start
from strobewise.records.course import AlikeReads, CourseRecord, LastRead, Tail, Walk
from strobewise.records.evidence import BusEvidence
from strobewise.rules import run

F, R, W, A = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "interrupt_acknowledge"))
HALT = NOTE_INDEX["halt"]
ALL = frozenset(("MREQ", "RD", "WR", "M1", *ADDRESS, *DATA))


def course_of(rows, captured=ALL, sizes=(1000,)):
    """Return the record of rows (kind, address, data[, note]), a microsecond each, fed in pieces of these sizes."""
    full = [(*row, 0)[:4] for row in rows]
    part, at = CoursePart(captured, 1e-6), 0
    while at < len(full):
        for size in sizes:
            piece = full[at : at + size]
            kind, address, data, note = (np.array(column) for column in zip(*piece, strict=True)) if piece else (np.array([]),) * 4
            start = np.arange(at, at + len(piece))
            table = CycleTable.build(start, start + 1, kind.astype(np.uint8), address=address, data=data, note=note)
            part.feed(Batch(Requests.empty(), np.empty(0, np.uint8), table, np.full(len(piece), -1)))
            at += size
    evidence = BusEvidence()
    part.fill(evidence)
    return evidence.course


WORK = [(F, k, 0x20 + k) for k in range(40)]
LOST = WORK + [row for _ in range(30) for row in ((F, 0x38, 0xFF), (W, 0x7FFF, 0), (W, 0x7FFE, 0x39))]


@pytest.mark.parametrize("sizes", [(1000,), (1,), (7, 2), (40, 3), (41,)])
def test_the_reads_at_the_end_that_give_one_byte_are_told_from_what_came_before(sizes):
    course = course_of(LOST, sizes=sizes)
    same = course.same
    assert (same.count, same.value, same.addresses, same.fetches_at_38) == (30, 0xFF, 1, 30)
    assert same.start_s == pytest.approx(40e-6)
    assert same.before == LastRead(39, 0x47, 39, 0x47)
    assert (course.only_pushes.count, course.pushes_restart, course.fetches) == (29, 29, 70)
    assert (course.reads, course.values) == (70, 41)


@pytest.mark.parametrize("sizes", [(1000,), (1,), (5, 3)])
def test_reads_that_repeat_what_the_bus_carried_are_an_echo(sizes):
    rows = WORK + [row for k in range(20) for row in ((F, 0x3000 + 2 * k, 0x47 if not k else k - 1), (W, 0x5000, k))]
    course = course_of(rows, sizes=sizes)
    assert (course.echo.count, course.echo.addresses) == (20, 20)
    assert course.echo.before == LastRead(39, 0x47, 39, 0x47)
    assert course.same.count < 3


@pytest.mark.parametrize("sizes", [(1000,), (1,), (5, 3)])
def test_a_halted_cpu_is_no_walk(sizes):
    course = course_of([*WORK, *[(F, 0x28, 0x00, HALT)] * 50], sizes=sizes)
    assert course.only_fetches.count == 0
    assert course.same.count == 1
    assert course_of([(R, 0, 0), *WORK], sizes=sizes).only_fetches.count == 40


BEFORE = [(F, 0x200 + k, 0x3C) for k in range(8)]


@pytest.mark.parametrize(
    ("last", "led"),
    [
        ([], False),
        ([(F, 0x300, 0xC3), (R, 0x301, 0), (R, 0x302, 0)], True),  # JP 0000h
        ([(F, 0x300, 0xC3), (R, 0x301, 0), (R, 0x302, 1)], False),
        ([(F, 0x300, 0xC9), (R, 0x7000, 0), (R, 0x7001, 0)], True),  # RET
        ([(F, 0x300, 0xC7), (W, 0x7001, 3), (W, 0x7000, 1)], True),  # RST 0
        ([(F, 0x300, 0xCF), (W, 0x7001, 3), (W, 0x7000, 1)], False),  # RST 8
        ([(F, 0x300, 0xCD), (R, 0x301, 0), (R, 0x302, 0), (W, 0x7001, 3), (W, 0x7000, 3)], True),  # CALL 0000h
        ([(F, 0x300, 0xE9)], True),  # JP (HL)
        ([(F, 0x20, 0x18), (R, 0x21, 0xDE)], True),  # JR 0000h
        ([(F, 0x20, 0x18), (R, 0x21, 0xDD)], False),
        ([(F, 0xFFF0, 0x18), (R, 0xFFF1, 0x0E)], True),  # JR over the top
        ([(F, 0x7FF0, 0x18), (R, 0x7FF1, 0x0E)], False),  # to 8000h
        ([(F, 0xFFFF, 0x00)], True),
        ([(F, 0xFFFE, 0x3E), (R, 0xFFFF, 0x00)], True),
        ([(A, 0x300, 0xC7), (W, 0x7001, 3), (W, 0x7000, 1)], True),  # a device may have given anything
        ([(F, 0x0000, 0xED), (F, 0x0001, 0xB0), (R, 0x300, 1), (W, 0x7000, 1)], True),  # LDIR at 0000h
        ([(F, 0x300, 0x7E), (R, -1, 5)], True),  # not known
    ],
)
def test_what_may_lead_to_the_start(last, led):
    assert led_to_start([(*row, 0) for row in (BEFORE + last)[-8:]]) is led


@pytest.mark.parametrize("sizes", [(1000,), (1,), (3, 6)])
def test_starts_out_of_nowhere_are_found(sizes):
    start = [(F, k, 0x3C) for k in range(10)]
    course = course_of([*start, *BEFORE, *start, *BEFORE, (F, 0x208, 0xC3), (R, 0x209, 0), (R, 0x20A, 0), *start], sizes=sizes)
    assert course.starts_s == pytest.approx([18e-6])


BUS = evidence_of().captured | {*ADDRESS, *DATA}
LEADS = frozenset(("CLK", "M1", "MREQ", "RD", "WR", "RFSH", "HALT"))
LAST = LastRead(0x123, 0x3E, 0x122, 0x3A)


def found(course, captured=BUS):
    return {finding.rule: finding for finding in run(evidence_of(course=course, captured=captured))}


def ending(value, count=400, addresses=1, at_38=0, reads=1000, values=60, before=LAST):
    return CourseRecord(reads, values, same=AlikeReads(count, 1e-3, value, addresses, count, at_38, before))


@pytest.mark.parametrize(
    ("course", "severity"),
    [
        (ending(0xFF, at_38=400), "fault"),
        (ending(0xFF, count=15, at_38=15), None),
        (ending(0xFF, at_38=400, reads=423), None),  # no start that went well
        (ending(0xFF, at_38=400, values=7), None),
        (ending(0xFF, at_38=400, before=None), None),
        (ending(0x30, count=900, addresses=0x200), "fault"),
        (ending(0x30, count=900, addresses=0x1FF), None),
        (ending(0x00, count=5000, addresses=1023, reads=6000), None),
        (ending(0x00, count=5000, addresses=1024, reads=6000), "warning"),
        (ending(0x00, count=9000, addresses=0x2000, reads=10_000), "fault"),
        (CourseRecord(1000, 60, echo=AlikeReads(400, 1e-3, 5, 64, 400, 0, LAST)), "fault"),
        (CourseRecord(1000, 60, echo=AlikeReads(400, 1e-3, 5, 63, 400, 0, LAST)), None),
    ],
)
def test_a_cpu_that_lost_its_way(course, severity):
    finding = found(course).get("lost-its-way")
    assert (finding.severity if finding else None) == severity
    if finding:
        assert "3Eh at 0x0123" in finding.evidence and "0x0122 (3Ah)" in finding.evidence and "1 ms" in finding.evidence


@pytest.mark.parametrize(("count", "restarts", "captured", "confidence"), [
    (200, 0, LEADS, 0.8), (199, 0, LEADS, None), (200, 200, LEADS | {*DATA}, 0.85), (200, 199, LEADS | {*DATA}, None),
    (200, 200, BUS, None),
])  # fmt: skip
def test_restarts_without_end(count, restarts, captured, confidence):
    course = CourseRecord(fetches=count, only_pushes=Tail(count, 0.0), pushes_restart=restarts)
    finding = found(course, captured).get("restarts-without-end")
    assert (finding.confidence if finding else None) == confidence
    assert finding is None or finding.suspect == "rom"


def test_restarts_behind_a_program_that_ran_do_not_blame_the_rom_alone():
    finding = found(CourseRecord(fetches=300, only_pushes=Tail(250, 1e-3)), LEADS)["restarts-without-end"]
    assert finding.suspect == "ram" and "after 50 other fetches" in finding.evidence


@pytest.mark.parametrize(("count", "captured", "value", "severity"), [
    (1000, LEADS, -1, "warning"), (999, LEADS, -1, None), (1000, LEADS - {"HALT"}, -1, None), (1000, LEADS | {*DATA}, 0, "warning"),
    (0x2000, LEADS | {*DATA}, 0, "fault"), (1000, LEADS | {*DATA}, 0x3C, None),
])  # fmt: skip
def test_fetches_only(count, captured, value, severity):
    course = CourseRecord(fetches=count, only_fetches=Tail(count, 0.0), same=AlikeReads(count, 0.0, value))
    finding = found(course, captured).get("fetches-only")
    assert (finding.severity if finding else None) == severity


@pytest.mark.parametrize(("starts", "captured", "count"), [(4, BUS - {"RESET"}, 4), (3, BUS - {"RESET"}, None), (4, BUS, None)])
def test_starts_again(starts, captured, count):
    finding = found(CourseRecord(starts_s=[k * 4e-4 for k in range(starts)]), captured).get("starts-again")
    assert (finding.count if finding else None) == count
    assert finding is None or ("400 µs" in finding.evidence and finding.lines == ("RESET",))


# --- walks and returns ---


@pytest.mark.parametrize("sizes", [(1000,), (1,), (3, 6), (25,), (50, 49)])
def test_the_longest_walks_are_kept(sizes):
    walk = [(F, 0x3000 + k, 0x53) for k in range(20)]
    zeros = [(F, 0xFFF0 + k & 0xFFFF, 0) for k in range(30)]
    rows = [*WORK, *walk[:7], *WORK, *walk, (W, 0x8000, 1), *walk[:3], *zeros, *WORK[1:]]
    course = course_of(rows, sizes=sizes)
    assert course.walk == Walk(20, pytest.approx(87e-6), 0x53, 0x3000)
    assert course.walk_00 == Walk(30, pytest.approx(111e-6), 0, 0xFFF0)


@pytest.mark.parametrize(
    ("rows", "count"),
    [
        ([(F, 0x3000, 0x53)] * 9, 1),  # one address
        ([(F, 0x3000 + k, 0x53 + k) for k in range(9)], 1),
        ([(F, 0x3000 + 2 * k, 0x53) for k in range(9)], 1),
        ([(F, 0x3000 + k, 0x53, HALT) for k in range(9)], 0),
        ([(R, 0x3000 + k, 0x53) for k in range(9)], 0),
    ],
)
def test_what_is_no_walk(rows, count):
    assert course_of(rows).walk.fetches == count


@pytest.mark.parametrize(
    ("last", "returned"),
    [
        ([(F, 0x300, 0xC9), (R, 0x7000, 0), (R, 0x7001, 0)], True),
        ([(F, 0x300, 0xC8), (R, 0x7000, 0), (R, 0x7001, 0)], True),  # RET Z
        ([(F, 0x300, 0xED), (F, 0x301, 0x4D), (R, 0x7000, 0), (R, 0x7001, 0)], True),  # RETI
        ([(F, 0x300, 0x4D), (R, 0x7000, 0), (R, 0x7001, 0)], False),
        ([(F, 0x300, 0xC9), (R, 0x7000, 0), (R, 0x7001, 1)], False),
        ([(F, 0x300, 0xC3), (R, 0x301, 0), (R, 0x302, 0)], False),  # JP 0000h
    ],
)
def test_what_returns_to_the_start(last, returned):
    assert returned_to_start([(*row, 0) for row in (BEFORE + last)[-8:]]) is returned


def test_returns_to_the_start_are_counted():
    again = [*BEFORE, (F, 0x300, 0xC9), (R, 0x7000, 0), (R, 0x7001, 0), (F, 0, 0xF3)]
    assert course_of(again * 3, sizes=(5,)).returns_s == pytest.approx([11e-6, 23e-6, 35e-6])


def walked(count, value, tail=0):
    walk = Walk(count, 1e-3, value, 0x3000)
    same = AlikeReads(tail, 1e-3, value, tail, tail, 0, LAST)
    return CourseRecord(9000, 60, same=same, **{"walk" if value else "walk_00": walk})


@pytest.mark.parametrize(
    ("course", "severity"),
    [
        (walked(0x200, 0x53), "fault"), (walked(0x1FF, 0x53), None), (walked(0x3FF, 0), None), (walked(0x400, 0), "warning"),
        (walked(0x1FFF, 0), "warning"), (walked(0x2000, 0), "fault"),
    ],
)  # fmt: skip
def test_a_walk_through_nothing(course, severity):
    finding = found(course).get("walks-nowhere")
    assert (finding.severity if finding else None) == severity


def test_the_first_walk_is_where_it_was_lost():
    course = walked(0x200, 0x53, tail=0x200)
    course.same = replace(course.same, start_s=0.002)
    assert {"walks-nowhere"} == {"lost-its-way", "walks-nowhere"} & set(found(course))


def test_a_walk_to_the_end_is_told_as_such():
    assert {"lost-its-way"} == {"lost-its-way", "walks-nowhere"} & set(found(walked(0x200, 0x53, tail=0x200)))


@pytest.mark.parametrize(("times", "tells"), [(4, True), (3, False)])
def test_returns_to_the_start_are_no_accident(times, tells):
    course = CourseRecord(900, 60, returns_s=[0.001 * k for k in range(times)])
    assert ("returns-to-start" in found(course)) == tells


@pytest.mark.parametrize("sizes", [(1000,), (1,), (5, 3)])
def test_returns_to_the_start_are_told_without_addresses(sizes):
    rows = [(kind, -1, data) for kind, _, data in [*BEFORE, (F, 0, 0xC9), (R, 0, 0), (R, 0, 0), (F, 0, 0xF3)] * 3]
    assert course_of(rows, captured=ALL - {*ADDRESS}, sizes=sizes).returns_s == pytest.approx([11e-6, 23e-6, 35e-6])


NO_ADDRESSES = BUS - {*ADDRESS}


@pytest.mark.parametrize(
    ("value", "count", "captured", "tells"),
    [
        (0x69, 0x200, NO_ADDRESSES, True), (0x69, 0x1FF, NO_ADDRESSES, False), (0xFF, 0x200, NO_ADDRESSES, False),
        (0x00, 0x200, NO_ADDRESSES, False), (0x69, 0x200, BUS, False),
    ],
)  # fmt: skip
def test_one_byte_to_the_end_without_addresses(value, count, captured, tells):
    course = ending(value, count=count, reads=2000)
    assert ("reads-one-byte" in found(course, captured=captured)) == tells
    assert "reads-one-byte" not in found(course, captured=captured - {"HALT"}), "a halted CPU fetches one byte for ever"
    among = replace(course, same=replace(course.same, count=2 * count))
    assert ("reads-one-byte" in found(among, captured=captured - {"HALT"})) == tells, "and reads nothing else"
    evidence = evidence_of(course=course, captured=captured)
    evidence.lines["HALT"].asserted_last = True
    assert "reads-one-byte" not in {finding.rule for finding in run(evidence)}
