"""A program followed by its bytes alone: cycles that fit, a stack that gives back, bytes written as they were read."""

from __future__ import annotations

import pytest
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.cpu.disassembly import find_operation
from strobewise.diagnosis.facade import diagnose
from strobewise.evidence.bytes_alone import _Follower, fits
from strobewise.machine import fault
from strobewise.machine.simulate import simulate
from strobewise.records.bytes_alone import BytesRecord, Compared
from strobewise.records.course import CourseRecord
from strobewise.records.evidence import LineEvidence
from strobewise.rules import run

F, R, W, A = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "interrupt_acknowledge"))
START = [(F, 0x3E), (R, 0x00)]  # LD A,0: behind its operand begins an instruction for sure
END = [(F, 0x00)] * 10
CALL = [(F, 0xCD), (R, 0x00), (R, 0x20), (W, 0x12), (W, 0x34)]
RET = [(F, 0xC9), (R, 0x34), (R, 0x12)]


def follow(*rows, bad=()):
    rows = [*START, *rows, *END]
    kind, data = (list(column) for column in zip(*rows, strict=True))
    follower = _Follower(kind, data, [int(k in bad) for k in range(len(rows))], list(range(len(rows))), 1e-6)
    follower.run()
    return follower.record


@pytest.mark.parametrize(
    ("data", "kinds", "length"),
    [
        ("00", [F], 1),
        ("CD0020", [F, R, R, W, W], 5),
        ("C0", [F, R, R], 3),
        ("C0", [F], 1),  # the condition was not met
        ("C40020", [F, R, R], 3),
        ("C40020", [F, R, R, W, W], 5),
        ("DDCB05C6", [F, F, R, R, R, W], 6),
        ("C9", [F, R], 0),
        ("00", [F, R], 0),
        ("DDDD", [F], 1),
    ],
)
def test_how_many_cycles_an_instruction_took(data, kinds, length):
    assert fits(find_operation(bytes.fromhex(data) + b"\0\0\0\0"), (*kinds, F, F, F, F, F, F, F)[:8]) == length


def test_the_stack_gives_back_the_last_first():
    good = follow(*CALL, *CALL[:3], (W, 0x20), (W, 0x03), (F, 0xC9), (R, 0x03), (R, 0x20), *RET)
    assert (good.popped.number, good.popped.wrong, good.unlike) == (4, 0, 0)
    wrong = follow(*CALL, (F, 0xC9), (R, 0x34), (R, 0xFF))
    assert (wrong.popped.number, wrong.popped.wrong, wrong.popped.silent) == (2, 1, 1)
    assert wrong.popped.bits[0] == [2, 1, 0, 0] and wrong.popped.bits[4] == [0, 0, 2, 0] and wrong.popped.first_s == 9e-6


@pytest.mark.parametrize(
    "between",
    [
        [(F, 0x31), (R, 0x00), (R, 0x80)],  # LD SP
        [(F, 0x33)],  # INC SP
        [(F, 0xED), (F, 0x7B), (R, 0x00), (R, 0x40), (R, 0x00), (R, 0x80)],  # LD SP,(nn)
        [(F, 0x77), (F, 0x00), (R, 0x00)],  # cycles that fit no instruction
    ],
)
def test_another_stack_is_not_compared(between):
    assert follow(*CALL, *between, *RET).popped.number == 0


def test_interrupts_push_too():
    ack = [(A, 0xFF), (W, 0x00), (W, 0x44)]
    nmi = [(F, 0xC5), (W, 0x00), (W, 0x44)]  # what was fetched is thrown away
    back = [(F, 0xED), (F, 0x4D), (R, 0x44), (R, 0x00)]
    for entry in (ack, [*ack, (R, 0x00), (R, 0x70)], nmi, [(F, 0x76), (F, 0x00), (F, 0x00), *ack]):
        record = follow((F, 0x00), *entry, *back)
        assert (record.popped.number, record.popped.wrong, record.unlike) == (2, 0, 0), entry


def test_what_is_written_as_it_was_read():
    good = follow((F, 0x36), (R, 0x5A), (W, 0x5A), (F, 0x34), (R, 0xFF), (W, 0x00), (F, 0xCB), (F, 0xC6), (R, 0x02), (W, 0x03),
                  (F, 0xED), (F, 0xB0), (R, 0x77), (W, 0x77))  # fmt: skip
    assert (good.stored.number, good.stored.wrong) == (4, 0)
    assert follow((F, 0x36), (R, 0x5A), (W, 0x5B)).stored.wrong == 1
    assert follow((F, 0x77), (W, 0x5B)).stored.number == 0  # what A holds nobody knows


def test_a_bit_that_the_cpu_reads_otherwise_explains_what_it_does():
    """CALL is CDh, and with D3 read as 0 C5h: PUSH BC. RET is C9h, with D3 read as 0 C1h: POP BC, which does the same."""
    push = [(F, 0xCD), (W, 0x12), (W, 0x34)]
    odd = follow((F, 0xCB), (R, 0x11), (R, 0x12), *START)  # a prefix, read as C3h: JP
    assert odd.unlike == 1 and odd.explained[3] == (1, 0)
    assert follow(*push).unlike == 0  # it may be the response to /NMI
    assert follow((F, 0xCB), (R, 0x11), (R, 0x12), *START, bad=(3,)).unlike == 0  # what was cut short proves nothing


def test_what_was_written_and_what_moved_in_reads_are_counted_apart(tmp_path):
    """A machine whose CPU cannot drive D4 high: what it writes has one level there, what it reads has both."""
    stuck = fault("cpu-data-out-stuck", bit=4, level="low")
    capture = simulate(lines=("CLK", "M1", "MREQ", "IORQ", "RD", "WR", *DATA), duration_s=0.003, faults=[stuck])
    with open(tmp_path / "capture.vcd", "w", encoding="ascii") as file:
        capture.write_vcd(file)
    record = diagnose([tmp_path / "capture.vcd"]).evidence.bytes_alone
    written = {one["data"] for one in capture.truth["cycles"] if one["kind"] == "memory_write"}
    assert record.written == len(written) > 10
    assert record.constant[4] == 0 and record.moving == 0xFF


def test_a_capture_of_nothing_but_fetches_is_not_followed():
    rows = [(F, 0x00)] * 40
    kind, data = (list(column) for column in zip(*rows, strict=True))
    follower = _Follower(kind, data, [0] * 40, list(range(40)), 1e-6)
    follower.run()
    assert follower.record.instructions == 0


# --- the rules on their limits ---


def found(record, **changes):
    evidence = evidence_of(bytes_alone=record, **changes)
    evidence.captured |= set(DATA)
    return {finding.rule: finding for finding in run(evidence)}


@pytest.mark.parametrize(
    ("unlike", "explained", "lines"),
    [
        (40, {2: (40, 0)}, ("D2",)),
        (39, {2: (39, 0)}, None),  # too few of a thousand
        (40, {2: (31, 0)}, ()),
        (40, {2: (36, 0), 5: (0, 25)}, ()),  # another explains nearly as many
        (40, {2: (36, 0), 5: (0, 24)}, ("D2",)),
    ],
)
def test_bytes_that_are_not_obeyed(unlike, explained, lines):
    record = BytesRecord(1000, unlike, 0.001, 0.002, [explained.get(bit, (0, 0)) for bit in range(8)])
    finding = found(record).get("bytes-not-obeyed")
    assert (finding.lines if finding else None) == lines
    assert finding is None or finding.severity == ("fault" if lines else "warning")
    assert "bytes-not-obeyed" not in found(record, samples_per_t=2.5)


def compared(wrong, number=100, bit=2, up=0, down=0, silent=0, other=0):
    bits = [[50, 0, 50, 0] for _ in range(8)]
    bits[bit] = [50, up, 50, down]
    bits[7][3] = other
    return Compared(number, wrong, silent, bits, 0.001, 0.002)


@pytest.mark.parametrize(
    ("popped", "lines"),
    [
        (compared(45, down=45), ("D2",)),
        (compared(44, down=44), ("D2",)),  # not all that should be high, but one bit alone
        (compared(45, down=45, other=6), ()),
        (compared(8, down=4, up=4), ("D2",)),
        (compared(7, down=4, up=3), ()),
        (compared(8, silent=8), ()),
        (compared(2, silent=2), ()),
        (compared(1, silent=1), None),
        (compared(0), None),
    ],
)
def test_a_stack_that_differs(popped, lines):
    finding = found(BytesRecord(1000, 0, popped=popped)).get("stack-differs")
    assert (finding.lines if finding else None) == lines
    few = popped.wrong < 8 or popped.bits[7][3]
    assert finding is None or finding.severity == ("warning" if few else "fault")
    assert ("stack-differs" in found(BytesRecord(1000, 1, popped=popped))) == bool(lines or (finding and not few)), "a few: not one doubt"
    assert "stack-differs" not in found(BytesRecord(1000, 21, popped=popped)), "a program that is not followed is not believed"
    assert "stack-differs" not in found(BytesRecord(49, 0, popped=popped))


@pytest.mark.parametrize(
    ("record", "lines"),
    [
        (BytesRecord(1000, 0, stored=compared(45, down=45)), ("D2",)),
        (BytesRecord(1000, 0, stored=compared(44, down=44)), None),
        (BytesRecord(1000, 0, written=40, constant=[None] * 4 + [0] + [None] * 3, moving=0xFF), ("D4",)),
        (BytesRecord(1000, 0, written=39, constant=[None] * 4 + [0] + [None] * 3, moving=0xFF), None),
        (BytesRecord(1000, 0, written=40, constant=[None] * 4 + [0] + [None] * 3, moving=0xEF), None),  # it moves nowhere
        (BytesRecord(1000, 0, written=40, constant=[None] * 7 + [0], moving=0xFF), None),  # a text
        (BytesRecord(1000, 0, written=40, constant=[None, 1, None, 0] + [None] * 4, moving=0xFF), None),
    ],
)
def test_bytes_that_are_stored_otherwise(record, lines):
    finding = found(record).get("stored-otherwise")
    assert (finding.lines if finding else None) == lines


@pytest.mark.parametrize(
    ("values", "reads", "still", "others", "severity"),
    [
        (24, 200, ("D4",), 50, "fault"), (23, 200, ("D4",), 50, "warning"), (10, 200, ("D4",), 50, "warning"), (9, 200, ("D4",), 50, None),
        (24, 199, ("D4",), 50, None), (24, 200, ("D4",), 49, None), (24, 200, ("D4", "D5"), 50, None), (24, 200, (), 50, None),
    ],
)  # fmt: skip
def test_a_data_line_without_an_edge(values, reads, still, others, severity):
    evidence = evidence_of(course=CourseRecord(reads, values))
    evidence.captured |= {*DATA}
    evidence.lines |= {name: LineEvidence(name, edges=0 if name in still else others, high_fraction=1.0) for name in DATA}
    finding = next((each for each in run(evidence) if each.rule == "data-line-still"), None)
    assert (finding.severity if finding else None) == severity
    assert not finding or finding.lines == still
    evidence.captured |= {*ADDRESS}
    assert "data-line-still" not in [each.rule for each in run(evidence)], "with addresses other rules tell more"
