"""The model beside the capture: nothing is said of what nobody can know, everything else is checked, and what differs is explained."""

from __future__ import annotations

import ast
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded_program import KINDS, Recorder, as_prediction_rows, random_run, run

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.cpu.dependences import ALL, MASK, REGISTERS, dependences_of, find_dependences, shows_on_the_bus
from strobewise.cpu.generator import MAIN, source
from strobewise.cpu.model import Z80
from strobewise.cpu.opcodes import PREFIXES, operations
from strobewise.cycles.requests import Requests
from strobewise.cycles.table import DTYPES, CycleTable
from strobewise.diagnosis.facade import diagnose
from strobewise.evidence import prediction
from strobewise.machine import fault, simulate
from strobewise.program.prediction import Predictor
from strobewise.program.words import explain
from strobewise.records.evidence import BusEvidence
from strobewise.rules.prediction import coverage, followed


def follow(cycles, predictor=None, **settings):
    predictor = predictor or Predictor(**settings)
    predictor.feed(as_prediction_rows(cycles))
    return predictor


def padded(code, at=0x100):
    """Run code after a jump, so that the predictor has found its feet, and before enough NOPs that all of it is looked at."""
    head = bytes.fromhex("00 c3") + at.to_bytes(2, "little")
    memory = head + b"\0" * (at - len(head)) + bytes.fromhex(code) + b"\0" * 16
    return memory


def recorded(code, steps, **settings):
    bus, _ = run(padded(code), steps + 2 + 12, **settings)
    return bus.cycles


def changed(cycles, number, kind="memory_write", **fields):
    """Return cycles with fields of the number-th cycle of a kind changed."""
    rows = [k for k, cycle in enumerate(cycles) if cycle.kind == kind]
    k = rows[number]
    return [*cycles[:k], cycles[k]._replace(**fields), *cycles[k + 1 :]]


# --- no false alarm ---


@given(st.integers(0, 10**9))
@settings(max_examples=60, deadline=None)
def test_nothing_differs_whatever_the_program(seed):
    bus, ran = random_run(seed, 150)
    predictor = follow(bus.cycles)
    assert (predictor.counts, predictor.kept, predictor.other_lengths) == ({}, [], 0)
    assert predictor.instructions <= len(ran)


@given(st.integers(0, 10**9), st.lists(st.integers(1, 90), min_size=1, max_size=8))
@settings(max_examples=20, deadline=None)
def test_stretches_make_no_difference(seed, cuts):
    bus, _ = random_run(seed, 100)
    whole, parts, at = follow(bus.cycles), Predictor(), 0
    for cut in [*cuts, len(bus.cycles)]:
        if bus.cycles[at : at + cut]:
            follow(bus.cycles[at : at + cut], parts)
        at += cut
    assert parts.counts == {} and parts.other_lengths == 0
    assert parts.instructions >= whole.instructions - 12 * len(cuts)


def test_every_step_of_a_long_run_is_followed():
    bus, ran = run(bytes.fromhex("31 00 80 06 03 c5 cd 10 00 c1 10 f9 18 f2 00 00 21 00 40 34 7e d3 fe c9"), 500)
    predictor = follow(bus.cycles)
    assert len(ran) - 6 <= predictor.instructions <= len(ran) and predictor.total == 0


# --- unknown registers ---


def test_what_stems_from_an_unknown_register_is_not_compared():
    for a, h in ((0, 0x40), (0x77, 0xC3)):
        cpu = Z80()
        cpu.a, cpu.h, cpu.l = a, h, 0x10
        assert follow(recorded("77 23 77", 3, cpu=cpu)).total == 0  # LD (HL),A / INC HL / LD (HL),A


def test_what_the_bus_has_shown_is_compared():
    cpu = Z80()
    cpu.a, cpu.h = 0x3C, 0x40
    cycles = recorded("77 23 77", 3, cpu=cpu)
    wrong = follow(changed(cycles, 1, data=0x3D))
    assert wrong.counts == {"data": 1} and wrong.kept[0].what == "data"
    assert follow(changed(cycles, 0, data=0x12)).counts == {"data": 1}  # the first shows A, the second contradicts it
    shifted = follow(changed(cycles, 1, address=0x1234))
    assert shifted.counts == {"address": 1}


def test_a_guess_that_came_true_is_known_from_then_on():
    cpu = Z80()  # as the model beside the capture happens to begin
    cycles = recorded("77 77", 2, cpu=cpu)
    assert follow(changed(cycles, 1, data=0xFE)).counts == {"data": 1}
    assert follow(changed(cycles, 1, address=0x1234)).counts == {"address": 1}


def test_the_flag_that_an_interrupt_may_take_away_is_not_compared():
    code = bytearray(0x60)
    code[:8] = bytes.fromhex("ed 56 fb 00 c3 40 00 00")  # IM 1 / EI / NOP / JP 0040h
    code[0x38:0x3A] = bytes.fromhex("f5 00")  # PUSH AF
    code[0x40:0x48] = bytes.fromhex("31 00 80 af ed 47 ed 57")  # LD SP,8000h / XOR A / LD I,A / LD A,I
    bus, _ = run(bytes(code), 22, interrupts={8})
    flags = [k for k, cycle in enumerate(bus.cycles) if cycle.kind == "memory_write"][3]
    assert bus.cycles[flags].data & 4 == 0  # the NMOS part lost it
    kept = [*bus.cycles[:flags], bus.cycles[flags]._replace(data=bus.cycles[flags].data | 4), *bus.cycles[flags + 1 :]]
    assert follow(bus.cycles).total == follow(kept).total == 0


def test_a_pushed_register_is_known_from_then_on():
    cpu = Z80()
    cpu.d, cpu.e = 0x12, 0x34
    code = "d5 ed 53 00 40"  # PUSH DE / LD (4000h),DE
    cycles = recorded(code, 2, cpu=cpu)
    assert follow(cycles).total == 0
    assert follow(changed(cycles, 2, data=0x35)).counts == {"data": 1}
    assert follow(changed(cycles, 3, data=0x13)).counts == {"data": 1}
    assert follow(changed(cycles, 1, address=0x1111)).counts == {"address": 1}  # the second byte goes below the first


@pytest.mark.parametrize("flags", [0x00, 0xFF])
@pytest.mark.parametrize("code", ["28 04 00 00 00 00", "c4 10 01 00", "c8 00", "ca 10 01 00", "ed b0 00"])
def test_branches_on_unknown_flags_and_counters_follow_the_bus(code, flags):
    cpu = Z80()
    cpu.f, cpu.b, cpu.c, cpu.sp, cpu.d, cpu.h = flags, 0, 3, 0x9000, 0x50, 0x40
    predictor = follow(recorded(code, 5, cpu=cpu))
    assert predictor.total == 0 and predictor.instructions > 8


def test_a_loop_counter_is_known_when_the_loop_has_ended():
    cpu = Z80()
    cpu.b = 3
    cycles = recorded("10 fe 78 32 00 40", 5, cpu=cpu)  # DJNZ itself / LD A,B / LD (4000h),A
    assert follow(cycles).total == 0
    assert follow(changed(cycles, 0, data=1)).counts == {"data": 1}


def test_bits_3_and_5_of_the_flags_are_not_compared():
    cycles = recorded("31 00 80 af f5", 3)  # LD SP,8000h / XOR A / PUSH AF
    assert follow(changed(cycles, 1, data=cycles[-1].data ^ 0x28 if cycles[-1].kind == "memory_write" else 0x44 ^ 0x28)).total == 0
    assert follow(changed(cycles, 1, data=0x45)).counts == {"data": 1}


def test_registers_behind_an_indirect_jump_become_known():
    cpu = Z80()
    cpu.h, cpu.l = 0x01, 0x10
    code = "e9" + "00" * 15 + "22 00 40"  # JP (HL) / at 0110h: LD (4000h),HL
    cycles = recorded(code, 2, cpu=cpu)
    assert follow(cycles).total == 0
    assert follow(changed(cycles, 0, data=0x11)).counts == {"data": 1}


# --- what differs ---


def test_a_wrong_written_byte_is_explained_as_a_sentence():
    cycles = recorded("21 10 40 3e 5a 77", 3)  # LD HL,4010h / LD A,5Ah / LD (HL),A
    difference = follow(changed(cycles, 0, data=0x52)).kept[0]
    assert explain(difference) == "after `LD (HL),A` at 0x0105 the CPU should write 0x5a to 0x4010; it wrote 0x52: D3 low"


def test_a_jump_to_another_place_is_explained():
    cycles = recorded("c3 20 01" + "00" * 40, 2)
    at = next(k for k, cycle in enumerate(cycles) if cycle.address == 0x120)
    moved = [*cycles[:at], *(c._replace(address=c.address + 0x1000) for c in cycles[at:])]
    predictor = follow(moved)
    assert predictor.counts == {"next": 1} and predictor.address_wrong[0][12] == 1
    assert explain(predictor.kept[0]) == "after `JP 0x0120` at 0x0100 the CPU should go on at 0x0120; it fetched 0x1120: A12 high"


def test_an_opcode_read_otherwise_is_found_by_what_follows():
    cycles = recorded("21 10 40" + "34 00" * 6, 13)  # LD HL,4010h / INC (HL) / NOP ...
    misread = [c._replace(data=c.data ^ 0x10) if c.kind == "opcode_fetch" and c.data == 0x34 else c for c in cycles]
    predictor = follow(misread)  # the capture shows INC H where the CPU ran INC (HL)
    assert predictor.counts["kind"] == predictor.sought == 6
    assert predictor.explained["D4"][0] == 6 and all(counts[0] + counts[1] <= 6 for counts in predictor.explained.values())
    assert explain(predictor.kept[0]).startswith("`INC H` at 0x0103 calls for an opcode fetch; a memory read came")


def test_one_address_line_alone_is_the_lines_fault_and_the_model_is_believed():
    cycles = recorded("21 10 40 3e 5a 77" + "00" * 20 + "77", 24)
    stuck = [cycle._replace(address=cycle.address & ~4) if cycle.kind == "opcode_fetch" else cycle for cycle in cycles]
    predictor = follow(stuck)
    assert predictor.address_wrong[1][2] >= 8 and sum(predictor.address_wrong[0]) == 0
    assert set(predictor.counts) == {"code"} and predictor.instructions >= 24


def test_another_length_is_counted():
    cycles = recorded("00 00 23 00", 4)
    k = next(k for k, cycle in enumerate(cycles) if cycle.data == 0x23)
    assert follow([*cycles[:k], cycles[k]._replace(t_states=8), *cycles[k + 1 :]]).other_lengths == 1
    assert follow([*cycles[:k], cycles[k]._replace(t_states=8), *cycles[k + 1 :]], timed=False).other_lengths == 0


def test_cycles_that_are_not_known_or_missing_are_no_difference():
    cycles = recorded("21 10 40 3e 5a 77 77 77 77", 8)
    rows = as_prediction_rows(cycles)
    rows.key[12] = -1
    predictor = Predictor()
    predictor.feed(rows)
    assert predictor.total == 0 and 0 < predictor.instructions < 16


def test_a_restart_at_zero_is_no_difference():
    once = recorded("21 10 40 3e 5a", 2)
    assert follow(once[:-2] + once).total == 0  # a reset whose line was not captured


def test_an_interrupt_without_its_acknowledge_is_not_the_cpus_fault():
    bus, _ = run(bytes.fromhex("31 00 80 ed 56 fb") + b"\0" * 30, 30, interrupts={9})
    predictor = follow([cycle for cycle in bus.cycles if cycle.kind != "interrupt_acknowledge"])
    assert predictor.total == 0 and predictor.unseen_acknowledges == 1


def test_a_halt_without_its_line():
    bus, _ = run(bytes.fromhex("ed 56 fb 76 3a 00 40 00 00 00 00 00"), 30, interrupts={20})
    plain = [cycle._replace(note="") for cycle in bus.cycles]
    assert follow(plain, has_halt=False).total == 0
    for start in range(5, 24):
        assert follow(plain[start:], has_halt=False).total == 0  # from the middle of the halt


# --- what depends on what ---


@pytest.mark.parametrize(
    "code, results",
    [
        ("7e", {"a": ""}), ("78", {"a": "b"}), ("af", {"a": "", "f": ""}), ("80", {"a": "a b", "f": "a b"}), ("9f", {"a": "f", "f": "f"}),
        ("23", {"h": "h l", "l": "h l"}), ("c1", {"b": "", "c": "", "sp": "sp"}), ("08", {"a": "a_", "a_": "a"}), ("ed57", {"a": "i"}),
        ("dd7e", {"a": "", "wz": "ixh ixl"}), ("edb0", {"d": "d e", "b": "b c"}), ("3f", {"f": "a f q"}),
    ],
)  # fmt: skip
def test_sources_of_results(code, results):
    known = dependences_of(bytes.fromhex(code))
    sources = {name: mask for written, mask in known.results for name in REGISTERS if written & MASK[name]}
    sources |= {name: MASK[name] for name in REGISTERS if name not in sources}  # unchanged, or of itself alone
    for name, expected in results.items():
        assert sources[name] == sum(MASK[each] for each in expected.split()), (code, name)


def _set_randomly(cpu, name, rng):
    if name == "cmos":
        cpu.cmos = rng.random() < 0.5
    elif name in ("iff1", "iff2"):
        setattr(cpu, name, rng.random() < 0.5)
    elif name != "im":
        setattr(cpu, name, rng.randrange(0x10000 if name in ("sp", "wz") else 0x100))


@pytest.mark.parametrize("prefix", [b"", b"\xcb", b"\xed", b"\xdd", b"\xfd", b"\xdd\xcb"])
def test_a_result_does_not_change_with_registers_that_it_does_not_stem_from(prefix):
    rng = random.Random(prefix)
    for operation in operations(prefix):
        if operation.opcode in PREFIXES and len(prefix) < 2 and prefix not in (b"\xcb", b"\xed"):
            continue
        known = find_dependences(operation)
        code = prefix + bytes((operation.opcode,)) if len(prefix) < 2 else bytes((*prefix, 5, operation.opcode))
        for _ in range(2):
            _compare_two_runs(known, code, rng)


def _compare_two_runs(known, code, rng):
    seed = rng.randrange(1 << 30)
    first, second = Z80(), Z80()
    for name in REGISTERS:
        _set_randomly(first, name, rng)
    first.pc = second.pc = 0x100
    for part in REGISTERS:
        sources = next((mask for written, mask in known.results if written & MASK[part]), MASK[part])
        for name in REGISTERS:
            setattr(second, name, getattr(first, name))
            if not (sources | known.condition) & MASK[name]:
                _set_randomly(second, name, rng)
        wanted, got = (_after(cpu, code, seed, part) for cpu in (first, second))
        assert wanted == got, (known.operation.text, part)


class _Same(Recorder):
    """A bus that gives the same bytes in the same order, whatever the address."""

    def __init__(self, code, seed):
        super().__init__(bytearray(0x10000))
        self._bytes = iter([*code[1:], *random.Random(seed).randbytes(16)])

    def fetch(self, address, refresh):
        return next(self._bytes)

    def read(self, address):
        return next(self._bytes)

    def io_read(self, port):
        return next(self._bytes)

    def internal(self, t_states):
        pass


def _after(cpu, code, seed, part):
    copy = Z80(cpu.cmos)
    copy.restore(cpu.save())
    copy.pc += 1
    MAIN[code[0]](copy, _Same(code, seed))
    return getattr(copy, part)


# --- over a capture ---


def captured(tmp_path, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    return diagnose([path])


def test_a_healthy_capture_is_followed_to_its_end(tmp_path):
    said = captured(tmp_path, lines="full", duration_s=0.003)
    record = said.evidence.prediction
    assert record.total == 0 and record.windows == 1 and record.instructions > 800 and record.cycles >= record.cycles_in_all - 16
    assert coverage(record) == f"{record.instructions} instructions"


def test_it_needs_both_buses_and_the_strobes(tmp_path):
    assert captured(tmp_path, lines="eight", duration_s=0.001).evidence.prediction is None


@pytest.mark.parametrize(
    "settings, rule, lines, suspect",
    [
        ({"faults": [fault("cpu-data-out-stuck", bit=4, level="low")], "seed": 7}, "written-byte-contradicted", {"D4"}, "cpu"),
        ({"faults": [fault("shorted", lines=["A12", "A13"])]}, "address-contradicted", {"A12", "A13"}, "connection"),
        ({"faults": [fault("dead-low", line="A12")]}, "address-contradicted", {"A12"}, "address_bus"),
    ],
)  # fmt: skip
def test_faults_that_only_the_program_gives_away(tmp_path, settings, rule, lines, suspect):
    said = captured(tmp_path, lines="full", duration_s=0.004, **settings)
    found = [finding for finding in said.findings if finding.rule == rule]
    assert found and found[0].severity == "fault" and set(found[0].lines) == lines, [f.rule for f in said.findings]
    assert said.verdict.suspects[0].suspect == suspect
    assert "`" in found[0].evidence  # the first contradiction, as a sentence


@pytest.mark.parametrize("lines", [("D5", "D6"), ("A11", "A12")])
def test_crossed_leads_are_counted(tmp_path, lines):
    said = captured(tmp_path, lines="full", duration_s=0.004, faults=[fault("leads-swapped", lines=list(lines))])
    record = said.evidence.prediction
    assert "<>".join(lines) == most_likely_pair(record)
    found = [f for f in said.findings if f.rule in ("leads-crossed", "leads-swapped")]
    assert found and set(found[0].lines) == set(lines) and said.verdict.suspects[0].suspect == "probe_or_capture"


def most_likely_pair(record):
    pairs = {f"A{low}<>A{high}": count for (low, high), count in record.exchanged.items()}
    pairs |= {lines: counts[0] for lines, counts in record.explained.items() if "<" in lines}
    return max(pairs, key=lambda pair: pairs[pair])


@pytest.mark.parametrize("bit, level", [(5, "low"), (3, "high")])
def test_a_dead_input_is_not_the_leads_fault(tmp_path, bit, level):
    said = captured(tmp_path, lines="full", duration_s=0.004, faults=[fault("cpu-data-in-stuck", bit=bit, level=level)])
    assert [f for f in said.findings if f.severity == "fault" and f"D{bit}" in f.lines], [f.rule for f in said.findings]
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "cpu"


@pytest.mark.parametrize(
    "kind, values", [("glitches", {"per_ms": 20}), ("samples-lost", {"every_ms": 0.7, "lost_us": 20.0, "close": True})]
)  # fmt: skip
def test_spikes_and_lost_samples_blame_nobody(tmp_path, kind, values):
    said = captured(tmp_path, lines="full", duration_s=0.005, faults=[fault(kind, **values)])
    assert said.verdict.state == "no_fault_found"
    assert all(f.severity == "note" for f in said.findings if f.rule == "program-contradicted")


def test_a_board_fault_shows_a_cpu_that_does_what_it_reads(tmp_path):
    said = captured(tmp_path, lines="full", duration_s=0.003, faults=[fault("rom-data-stuck", bit=4, level="high")])
    assert said.evidence.prediction.total == 0


# --- windows over a long capture ---


def table_of(cycles, start=0):
    """Return recorded cycles as a table, 10 ticks to a T-state."""
    lengths = np.array([cycle.t_states * 10 for cycle in cycles])
    begins = start + np.r_[0, np.cumsum(lengths)[:-1]]
    return CycleTable.build(
        begins, begins + lengths, np.array([KINDS[c.kind] for c in cycles], np.uint8), t_states=lengths // 10,
        wait_states=np.zeros(len(cycles), np.int64), address=np.array([c.address for c in cycles]), data=np.array([c.data for c in cycles]),
    )  # fmt: skip


class Batch:
    def __init__(self, cycles):
        self.cycles = cycles
        self.requests = Requests.empty()


def filled(part):
    """Return the record that a part leaves in the evidence."""
    evidence = BusEvidence(captured=frozenset())
    part.fill(evidence)
    return evidence.prediction


def windows(count, cycles):
    part = prediction.PredictionPart(True, True, 1e-9)
    at = 0
    for _ in range(count):
        table = table_of(cycles, at)
        part.feed(Batch(table))
        at = int(table.end[-1])
    return filled(part)


LOOP = bytes.fromhex("31 00 80 06 03 c5 cd 10 00 c1 10 f9 18 f2 00 00 21 00 40 34 7e d3 fe c9")


def test_a_long_capture_is_followed_in_windows_spread_evenly():
    bus, ran = run(LOOP, 3 * 14 * 20 + 20)
    whole = bus.cycles[: ran[3 * 14 * 20].first]
    count = 2 * prediction.BUDGET_CYCLES // len(whole) + 1
    record = windows(count, whole)
    assert record.total == 0 and record.cycles_in_all == count * len(whole)
    assert 0.3 * prediction.BUDGET_CYCLES < record.cycles <= prediction.BUDGET_CYCLES
    assert 24 <= record.windows <= prediction.CHUNKS_KEPT
    assert f"in {record.windows} windows" in coverage(record)


def test_a_contradiction_late_in_a_long_capture_is_found():
    bus, ran = run(LOOP, 3 * 14 * 20 + 20)
    whole = bus.cycles[: ran[3 * 14 * 20].first]
    bad = [c._replace(data=c.data ^ 8) if c.kind == "memory_write" and c.address >= 0x7F00 and k > 40 else c for k, c in enumerate(whole)]
    part = prediction.PredictionPart(True, True, 1e-9)
    at, count = 0, prediction.BUDGET_CYCLES // len(whole) * 3
    for number in range(count):
        table = table_of(bad if number > count * 0.8 else whole, at)
        part.feed(Batch(table))
        at = int(table.end[-1])
    record = filled(part)
    assert record.differences["data"] > 0
    assert min(d.start for d in record.kept) > 0.7 * at


def long_run(change, at=0.83):
    """Return the record of a long capture in which `change` was done to one batch, far from the windows that are spread evenly."""
    bus, ran = run(LOOP, 3 * 14 * 20 + 20)
    whole = bus.cycles[: ran[3 * 14 * 20].first]
    part, start = prediction.PredictionPart(True, True, 1e-9), 0
    count = prediction.BUDGET_CYCLES // len(whole) * 12
    assert int(count * at) % 16, "else an even window lies there"
    for number in range(count):
        table = table_of(whole, start)
        part.feed(Batch(change(table) if number == int(count * at) else table))
        start = int(table.end[-1])
    return filled(part)


def spoiled(table, first=None, **odd):
    """Return a table in which one written byte in the middle is wrong, and some cycles before it are odd."""
    columns = {name: getattr(table, name).copy() for name in DTYPES}
    wrong = int(np.flatnonzero((table.kind == KIND_INDEX["memory_write"]) & (table.address >= 0x7F00))[-3])
    columns["data"][wrong] ^= 8
    for name, value in odd.items():
        columns[name][wrong - 60 if first is None else first] = value
    return CycleTable(**columns)


@pytest.mark.parametrize("odd", [{"inferred": True}, {"note": 3}, {"kind": KIND_INDEX["unknown"]}])
def test_a_window_lies_where_something_is_odd(odd):
    assert long_run(spoiled).differences.get("data", 0) == 0  # as the even windows pass it over
    record = long_run(lambda table: spoiled(table, **odd))
    assert record.differences["data"] == 1 and record.odd_windows == 1
    evidence = BusEvidence(captured=frozenset())
    evidence.prediction = record
    assert f"in {record.windows - 1} windows spread evenly and 1 where something is odd, " in followed(evidence)
    assert followed(evidence).endswith("1 contradiction; the rest was not followed")


def test_a_fetch_from_where_nothing_was_fetched_is_odd():
    oddities = prediction.Oddities()
    bus, _ = run(LOOP, 200)
    table = table_of(bus.cycles)
    assert oddities.first(table) == 0 and oddities.first(table) is None
    fetch = int(np.flatnonzero(table.kind == KIND_INDEX["opcode_fetch"])[40])
    address = table.address.copy()
    address[fetch] = 0x1234
    assert oddities.first(replace(table, address=address)) == fetch and oddities.first(replace(table, address=address)) is None


def test_where_most_is_odd_nothing_is():
    bus, _ = run(LOOP, 200)
    table = table_of(bus.cycles)
    oddities, tenth = prediction.Oddities(), int(0.1 * len(table))
    oddities.first(table)
    for count, found in ((1, 7), (tenth, 7), (tenth + 1, None)):
        inferred = np.zeros(len(table), np.bool_)
        inferred[7 : 7 + count] = True
        assert oddities.first(replace(table, inferred=inferred)) == found


def test_odd_windows_are_few_and_nothing_is_followed_twice():
    bus, ran = run(LOOP, 3 * 14 * 20 + 20)
    whole = bus.cycles[: ran[3 * 14 * 20].first]
    part, start, count = prediction.PredictionPart(True, True, 1e-9), 0, prediction.BUDGET_CYCLES // len(whole) * 3
    for _ in range(count):
        table = table_of(whole, start)
        part.feed(Batch(spoiled(table, first=20, inferred=True)))
        start = int(table.end[-1])
    record = filled(part)
    assert record.odd_windows <= prediction.ODD_KEPT and record.cycles <= record.cycles_in_all
    assert len({each.start for each in record.kept}) == len(record.kept)


def test_columns_leave_bus_grants_out_and_mark_what_is_missing_before_a_row():
    bus, _ = run(LOOP, 10)
    table = table_of(bus.cycles)
    kind = table.kind.copy()
    kind[4] = 7  # bus granted
    t_states = table.t_states.copy()
    t_states[8] = -1  # a reset, say
    columns = prediction.columns_of(CycleTable.build(table.start, table.end, kind, t_states=t_states, wait_states=table.wait_states,
                                                     address=table.address, data=table.data), True)  # fmt: skip
    assert len(columns.key) == len(table) - 1
    assert [k for k, key in enumerate(columns.key) if key >> 24 & 1] == [8]  # the row behind, the grant taken away
    assert columns.untimed[7] and not columns.untimed[6]


def test_all_registers_are_unknown_at_first():
    assert Predictor()._unknown == ALL


def test_which_branches_the_bus_shows():
    """UM0080: a jump, a call or a return that is taken goes on elsewhere; the correction of DAA changes registers alone."""
    shown: dict[bool, set[str]] = {True: set(), False: set()}
    for operation in operations(b""):
        if operation.template:
            for node in ast.walk(ast.parse(source(operation))):
                if isinstance(node, ast.If):
                    shown[shows_on_the_bus(node)].add(operation.text.partition(" ")[0])
    assert shown == {True: {"DJNZ", "JR", "JP", "CALL", "RET"}, False: {"DAA"}}


BOTH_BUSES = frozenset((*ADDRESS, *DATA))


@pytest.mark.parametrize(
    ("strobes", "follows"),
    [("MREQ IORQ RD WR", True), ("MREQ IORQ RD", True), ("MREQ IORQ WR", True), ("MREQ IORQ M1", False), ("MREQ RD WR", False),
     ("IORQ RD WR", False)],
)  # fmt: skip
def test_what_the_model_needs_to_follow(strobes, follows):
    captured = BOTH_BUSES | set(strobes.split())
    assert prediction.can_follow(captured) is follows
    assert not any(prediction.can_follow(captured - {line}) for line in ("A0", "A15", "D0", "D7"))
