"""Rules just on a limit and just off it, on hand-made evidence; what a limit changes besides whether a rule speaks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bitarray import bitarray
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.records.buses import BusesRecord, Operands, Pair, Pushes
from strobewise.records.evidence import Burst, LineEvidence, Span, StrobeCount
from strobewise.records.expansion import PagingRecord, Trigger
from strobewise.records.leads import LeadsRecord, Relabelling
from strobewise.records.memory import Levels, MemoryRecord, ReadBack
from strobewise.records.profile import MemoryRegion, Profile
from strobewise.records.volts import AnalogLevels
from strobewise.rules import Found, find_rule, run
from strobewise.rules.base import Rule, _findings
from strobewise.rules.blame import VOLTS_DEAD, VOLTS_GROUND, VOLTS_UNDRIVEN
from strobewise.rules.buses import _data_explains, _input_dead, _moves_in_reads, _must_differ
from strobewise.rules.grades import LIKELY
from strobewise.rules.held import _given_for_good
from strobewise.rules.misled import as_often
from strobewise.rules.picture import Picture, done
from strobewise.rules.strobes import _bursts
from strobewise.rules.volts import weigh_still_line


def of_memory(addresses=64, **changes):
    """Return the evidence of a full bus whose memory answers as it should, with changes to the record of it."""
    maps = [bitarray(65536) for _ in range(4)]
    for each in maps:
        each.setall(False)
    maps[0][:addresses] = True
    memory = MemoryRecord(
        *maps, Levels(200, 0xFF, 0x00), Levels(), Levels(), Levels(), [], 200, 0, 0, 0, 200, {}, {}, [], 60, (0x21, 20), 5, 0, 0, [0] * 8
    )
    for name, value in changes.items():
        setattr(memory, name, value)
    return evidence_of(memory=memory, captured=evidence_of().captured | {*ADDRESS, *DATA})


def found(evidence, rule):
    return [finding for finding in run(evidence) if finding.rule == rule]


def test_the_hand_made_memory_is_healthy():
    assert run(of_memory()) == []


@pytest.mark.parametrize(("wrong", "certainty"), [(4, 0.8), (7, 0.8), (8, 0.9), (9, 0.9)])
def test_a_dead_bit_of_ram_is_surer_from_eight_comparisons_on(wrong, certainty):
    page = ReadBack(0x8000, 0x83FF, 40, wrong, [(20, 0, wrong, wrong), *[(20, 0, 20, 0)] * 7])
    (finding,) = found(of_memory(pages=[page]), "ram-bit-dead")
    assert (finding.confidence, finding.count, finding.lines) == (certainty, wrong, ("D0",))


def test_three_comparisons_condemn_no_bit():
    page = ReadBack(0x8000, 0x83FF, 40, 3, [(20, 0, 3, 3), *[(20, 0, 20, 0)] * 7])
    assert not found(of_memory(pages=[page]), "ram-bit-dead")


@pytest.mark.parametrize("addresses", [47, 48])
def test_a_stuck_data_line_needs_no_word_of_the_operands(addresses):
    """Nothing contradicts the captured level where operands say nothing; and 48 addresses are needed."""
    evidence = of_memory(addresses, reads_rom=Levels(200, 0xFF, 0x08))
    assert evidence.buses is None
    assert [finding.lines for finding in found(evidence, "data-line-stuck")] == [("D3",)] * (addresses >= 48)


@pytest.mark.parametrize("values", [11, 12])
def test_few_bytes_may_share_a_level_by_chance(values):
    evidence = of_memory(reads_rom=Levels(200, 0xFF, 0x08), values_read=values)
    assert [finding.lines for finding in found(evidence, "data-line-stuck")] == [("D3",)] * (values >= 12)


WALKS = [(0, 99, "fault"), (1, 99, "note"), (0x8000, 0x1FFF, "note"), (0x8000, 0x2000, "fault")]


@pytest.mark.parametrize(("start", "length", "severity"), WALKS)
def test_a_walk_on_zeros_is_a_fault_from_address_0_or_when_it_is_long(start, length, severity):
    """RAM that was never written may hold zeros, and a program that strays into it finds its way out."""
    evidence = of_memory(0, reads=length, reads_00=length, fetches=length, commonest=(0, length), alike=length, values_read=1)
    evidence.memory.fetched[start : start + length] = True
    (finding,) = found(evidence, "reads-all-00")
    assert finding.severity == severity


@pytest.mark.parametrize(("driven", "values", "fires"), [(24, 16, True), (23, 16, False), (24, 15, False), (0, 200, False)])
def test_a_data_line_is_an_address_line_s_twin_only_where_data_is_driven(driven, values, fires):
    evidence = evidence_of(captured=evidence_of().captured | {*ADDRESS[8:], *DATA})
    pair = Pair("A9", "D1", 2500, 900, driven)
    evidence.buses = BusesRecord([pair], 0, [0] * 7, [0] * 7, Operands(), Pushes(), [0] * 16, values)
    assert [finding.lines for finding in found(evidence, "lines-shorted")] == [("A9", "D1")] * fires


def volts(low, high, between=0.0, above=0.0):
    return AnalogLevels(low, high, low, (low + high) / 2, high, between, above, None, None, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("levels", "suspects"),
    [
        (volts(0.05, 0.09), VOLTS_GROUND),
        (volts(0.05, 0.101), VOLTS_DEAD),  # not at ground
        (volts(0.03, 0.095), VOLTS_DEAD),  # not flat
        (volts(0.3, 0.99), VOLTS_DEAD),
        (volts(0.3, 0.99, above=0.01), None),
        (volts(0.9, 1.01, between=0.51), VOLTS_UNDRIVEN),
        (volts(0.9, 1.01, between=0.5), None),
        (volts(3.9, 4.1, above=1.0), None),
    ],
)
def test_what_the_volts_of_a_still_line_mean(levels, suspects):
    weighed = weigh_still_line(LineEvidence("M1", edges=0, high_fraction=0.0, volts=levels))
    assert weighed.suspects == suspects
    assert bool(weighed.verdict) == (suspects is not None)


def test_volts_of_a_line_that_moves_are_not_weighed():
    assert weigh_still_line(LineEvidence("M1", edges=2, high_fraction=0.0, volts=volts(0.05, 0.09))) is None


def test_what_a_rule_does_not_say_comes_from_its_record():
    record = find_rule("reset-loop")
    silent = Rule(*[getattr(record, name) for name in Rule.__dataclass_fields__][:-1], decide=lambda evidence: [Found("x", ())])
    (finding,) = _findings(silent, evidence_of())
    assert (finding.severity, finding.confidence, finding.suspect) == ("fault", 0.9, "reset")
    assert [(share.suspect, share.confidence) for share in finding.suspects] == list(record.suspects)
    assert finding.next_step == record.next_step and finding.caution == record.caution


def one(evidence, rule):
    (finding,) = found(evidence, rule)
    return finding


# --- the CPU falls silent ---


@pytest.mark.parametrize(
    ("last", "end", "fires"),
    [
        (0.01, 0.01 + 4999 / 3.5e6, False), (0.01, 0.01 + 5001 / 3.5e6, True),  # 5000 T-states, whatever the capture's length
        (0.0001, 0.0001 + 299 / 3.5e6, False), (0.0001, 0.0001 + 301 / 3.5e6, True),  # 300, where they are three tenths of it
        (0.0002, 0.0002 + 299 / 3.5e6, False), (0.0003, 0.0003 + 400 / 3.5e6, False), (0.00025, 0.00025 + 400 / 3.5e6, True),
    ],
)  # fmt: skip
def test_how_long_a_silence_is_told(last, end, fires):
    evidence = evidence_of(last_request_s=last, end_s=end)
    evidence.clock.last_edge_s = end
    assert bool(found(evidence, "went-silent")) == fires


def test_a_silence_blames_the_cpu_where_all_that_could_hold_it_was_seen():
    evidence = evidence_of(last_request_s=0.004)
    assert (one(evidence, "went-silent").severity, one(evidence, "went-silent").suspect) == ("fault", "cpu")
    evidence.captured -= {"WAIT"}
    assert (one(evidence, "went-silent").severity, one(evidence, "went-silent").suspect) == ("warning", "glue")
    evidence.captured -= {"RESET"}
    assert (one(evidence, "went-silent").severity, one(evidence, "went-silent").suspect) == ("warning", "clock")


@pytest.mark.parametrize("line", ["RESET", "BUSREQ", "BUSACK", "WAIT"])
def test_a_silence_that_a_line_explains_is_not_told(line):
    evidence = evidence_of(last_request_s=0.004)
    evidence.lines[line] = LineEvidence(line, edges=1, high_fraction=0.4, asserted_last=True)
    assert not found(evidence, "went-silent")


@pytest.mark.parametrize(
    ("run", "samples", "fires"), [(10, 7.0, False), (11, 7.0, True), (11, 2.9, False), (11, 3.0, True), (11, None, False)]
)
def test_requests_in_a_row_without_a_fetch(run, samples, fires):
    evidence = evidence_of(longest_run_without_fetch=run, run_without_fetch_s=0.001, samples_per_t=samples)
    assert bool(found(evidence, "requests-without-fetch")) == fires


# --- /IORQ with /MREQ ---


def conflict(expected=0, seen=0, others=100, wrong=100, edges=6000):
    evidence = evidence_of()
    evidence.lines["IORQ"] = LineEvidence("IORQ", edges=edges, high_fraction=0.5)
    evidence.strobes["IORQ"] = StrobeCount(expected, seen, others, wrong)
    return [(f.severity, f.suspect, f.lines) for f in found(evidence, "io-request-conflict")]


def test_a_bridge_between_the_two_requests_shows_as_many_edges():
    bridge = [("fault", "connection", ("MREQ", "IORQ"))]
    assert conflict() == bridge and conflict(others=50, wrong=50) == bridge and not conflict(others=49, wrong=49)
    assert conflict(wrong=95) == bridge and conflict(edges=5400) == bridge and conflict(edges=6600) == bridge
    assert conflict(wrong=94) == conflict(edges=5399) == conflict(edges=6601) == [("fault", "connection", ("IORQ",))]


def test_an_inverted_or_a_low_line_is_no_bridge():
    assert conflict(expected=2, seen=1, edges=100) == [("fault", "probe_or_capture", ("IORQ",))]
    assert conflict(expected=20, seen=11, edges=100) == [("fault", "connection", ("IORQ",))]  # high in too few of its own
    assert conflict(expected=1, seen=0, edges=100) == [("fault", "connection", ("IORQ",))]
    assert conflict(expected=9, seen=9, edges=0) == [("fault", "cpu", ("IORQ",))]
    assert conflict(edges=0) == [("fault", "cpu", ("IORQ",))]


def test_now_and_then_is_a_warning_up_to_a_fifth():
    assert conflict(wrong=5, edges=100) == [] and conflict(wrong=6, edges=100) == [("warning", "connection", ("IORQ",))]
    assert conflict(wrong=20, edges=100)[0][0] == "warning" and conflict(wrong=21, edges=100)[0][0] == "fault"


# --- a device that pages ---


def paging(triggers=(True,) * 5, strobed=True, **changes):
    """Return evidence of a device that answered each trigger (True) or not; changes: to its record."""
    evidence = evidence_of(captured=evidence_of().captured | {*ADDRESS, *DATA, "ROMDIS"})
    asked = [Trigger(0.001 * k, 0x0058, strobed, 2e-7 if answered else None, False) for k, answered in enumerate(triggers)]
    evidence.pagings = [replace(PagingRecord("lodger", "ROMDIS", 4, asked, released=2), **changes)]
    return evidence


def test_a_device_that_never_answers_is_surer_from_two_triggers_on():
    assert one(paging([False]), "paging-device-silent").confidence == 0.8
    assert one(paging([False] * 2), "paging-device-silent").confidence == 0.9
    assert not found(paging([True]), "paging-device-silent")
    assert not found(paging([False] * 3, strobed=False), "paging-device-silent")


def test_a_device_that_sometimes_answers():
    assert not found(paging([False, True]), "paging-device-silent")  # one of few may be anything
    assert one(paging([False] * 2 + [True] * 18), "paging-device-silent").count == 2  # a tenth
    assert not found(paging([False] * 2 + [True] * 19), "paging-device-silent")


@pytest.mark.parametrize(("seen", "wrong", "fires"), [(50, 0, True), (51, 0, False), (51, 30, True), (51, 29, False)])
def test_a_device_that_never_saw_a_fetch(seen, wrong, fires):
    evidence = paging([False] * 3, strobed=False)
    evidence.strobes["M1"] = StrobeCount(100, seen, 100, wrong)
    assert bool(found(evidence, "paging-not-triggered")) == fires
    evidence.pagings[0].triggers = evidence.pagings[0].triggers[:0]
    assert not found(evidence, "paging-not-triggered")


def test_a_device_that_does_not_let_go():
    for counted in ("not_released", "let_go_alone"):
        assert not found(paging(**{counted: 2}), "paging-not-released")  # as often as it did
        assert one(paging(**{counted: 3, "let_go_alone_s": 0.002}), "paging-not-released").severity in ("fault", "warning")
        assert not found(paging(**{counted: 1}), "paging-not-released")  # released as well, at other times
        assert one(paging(**{counted: 1, "let_go_alone_s": 0.002}, released=0), "paging-not-released").confidence == 0.65
        assert found(paging(**{counted: 2}, released=0, let_go_alone_s=0.001), "paging-not-released")


@pytest.mark.parametrize(
    ("compared", "same", "mixed", "fires"),
    [
        (16, 16, 0, True), (15, 15, 0, False), (100, 95, 0, True), (100, 94, 0, False), (100, 68, 30, True), (100, 69, 29, False),
        (100, 67, 30, False),
    ],
)  # fmt: skip
def test_a_rom_that_does_not_switch_off(compared, same, mixed, fires):
    record = {"compared_content": compared, "same_content": same, "mixed_content": mixed}
    assert bool(found(paging(**record), "rom-disable-not-obeyed")) == fires
    assert not found(paging([False], **record), "rom-disable-not-obeyed")  # it never asked for it


# --- lines that hold ---


def held(line, start, end, edges=1, **changes):
    evidence = evidence_of(**changes)
    evidence.lines[line] = LineEvidence(
        line, edges=edges, high_fraction=0.5, asserted_last=end >= evidence.end_s, asserted_s=end - start, longest=Span(start, end),
        assertions=1,
    )  # fmt: skip
    return evidence


@pytest.mark.parametrize(
    ("start", "end", "fires"),
    [(0.0079, 0.01, True), (0.0081, 0.01, False), (4.0, 4.51, True), (4.01, 4.5, False),  # a fifth of it, or half a second
     (0.0, 27e-6, False), (0.0, 30e-6, True)],  # and long enough that no reset circuit lets go so late, 100 T-states
)
def test_how_long_a_reset_is_held(start, end, fires):
    evidence = held("RESET", start, end, end_s=end, last_request_s=start)
    assert bool(found(evidence, "reset-held")) == fires
    evidence.lines["RESET"].asserted_last = False
    assert not found(evidence, "reset-held")


@pytest.mark.parametrize(("requests", "leads"), [(3, False), (4, True)])
def test_one_cycle_on_its_way_shows_no_cpu_that_runs_under_reset(requests, leads):
    evidence = held("RESET", 0.0, 0.01, edges=0, requests=requests)
    (finding,) = found(evidence, "reset-held")
    assert ("although the CPU runs" in finding.evidence, finding.suspects[0].suspect == "probe_or_capture") == (leads, leads)


@pytest.mark.parametrize(("start", "fires"), [(0.001, False), (0.00099, True)])
def test_a_bus_request_that_is_low_for_most_of_a_capture_while_the_cpu_runs(start, fires):
    evidence = held("BUSREQ", start, 0.01)
    evidence.captured -= {"BUSACK"}  # which tells a hold that the CPU does not heed sooner
    assert bool(found(evidence, "bus-request-held")) == fires


# --- refresh ---


@pytest.mark.parametrize(
    ("length", "samples", "fires"), [(0.0021, 7.0, True), (0.002, 7.0, False), (0.0021, 2.9, False), (0.0021, None, False)]
)
def test_how_long_memory_does_without_refresh(length, samples, fires):
    evidence = evidence_of(longest_without_refresh=Span(0.001, 0.001 + length), samples_per_t=samples)
    assert bool(found(evidence, "refresh-starved")) == fires


# --- few samples soften, a doubtful label too ---


@pytest.mark.parametrize(
    ("samples", "fetches", "severity"),
    [
        (2.9, StrobeCount(19, 19, 500, 0), "warning"), (2.9, StrobeCount(20, 20, 500, 0), "note"), (3.0, StrobeCount(19, 19, 500, 0), None),
        (2.9, StrobeCount(100, 97, 100, 3), "note"), (2.9, StrobeCount(100, 96, 100, 3), "warning"),
        (2.9, StrobeCount(100, 97, 100, 4), "warning"),
    ],
)  # fmt: skip
def test_few_samples_are_a_note_where_every_fetch_was_seen_whole(samples, fetches, severity):
    evidence = evidence_of(samples_per_t=samples)
    evidence.strobes["M1"] = fetches
    assert [finding.severity for finding in found(evidence, "capture-too-coarse")] == [severity] * (severity is not None)


def test_too_few_samples_soften_what_does_not_last():
    evidence = held("RESET", 0.001, 0.01, last_request_s=0.001, samples_per_t=2.0)
    evidence.strobes["M1"], evidence.strobes["IORQ"] = StrobeCount(19, 19, 500, 0), StrobeCount(0, 0, 100, 100)
    assert one(evidence, "reset-held").severity == "fault" and one(evidence, "io-request-conflict").severity == "warning"
    evidence.strobes["M1"] = StrobeCount(20, 20, 500, 0)
    assert one(evidence, "capture-too-coarse").severity == "note" and one(evidence, "io-request-conflict").severity == "fault"


@pytest.mark.parametrize(("reads", "moves"), [(Levels(16, 0xFF, 0), True), (Levels(15, 0xFF, 0), False), (Levels(16, 0xFF, 0x08), False)])
def test_a_data_line_moves_where_enough_reads_show_it(reads, moves):
    assert _moves_in_reads(of_memory(reads_rom=reads), 3) == _moves_in_reads(of_memory(reads_rom=Levels(), reads_ram=reads), 3) == moves
    assert not _moves_in_reads(evidence_of(), 3)  # no read was seen


def test_a_picture_has_a_second_run_where_anything_is_done_to_the_machine():
    assert not Picture(("A",), machine="paged", by_time=True).has_faulty_run
    one_fault = {"faults": (done("clock-dead"),)}
    for what in (one_fault, {"after": "clock-dead"}, {"other_program": "halts"}, {"sample_hz": 1_000_000}, {"pull_ups": False}):
        assert Picture(("A",), **what).has_faulty_run, what


# --- a line that holds the CPU late in a capture ---


@pytest.mark.parametrize(
    ("line", "rule", "start", "fires"),
    [("WAIT", "wait-held", 0.00079, True), ("WAIT", "wait-held", 0.00081, False), ("BUSREQ", "bus-request-held", 0.00069, True),
     ("BUSREQ", "bus-request-held", 0.00071, False)],
)  # fmt: skip
def test_what_holds_the_cpu_to_the_end_of_a_short_capture(line, rule, start, fires):
    evidence = held(line, start, 0.001, end_s=0.001, last_request_s=start)
    evidence.clock.hz = 1e6  # so that it is no wait of 500 T-states
    assert bool(found(evidence, rule)) == fires


@pytest.mark.parametrize(("rest_t", "pause_t", "fires"), [(151, 1, True), (149, 1, False), (400, 99, True), (400, 101, False)])
def test_how_long_a_clock_rests_before_it_has_stopped(rest_t, pause_t, fires):
    evidence = evidence_of(last_request_s=0.004, end_s=0.004 + rest_t / 3.5e6)
    evidence.clock.last_edge_s, evidence.clock.longest = 0.004, Span(0.001, 0.001 + pause_t / 3.5e6)
    assert bool(found(evidence, "clock-stopped")) == fires


@pytest.mark.parametrize(("others", "wrong", "fires"), [(50, 50, True), (49, 49, False), (400, 380, False)])
@pytest.mark.parametrize("expected", [0, 1, 6])
def test_a_strobe_that_is_low_throughout_needs_no_request_that_calls_for_it(expected, others, wrong, fires):
    evidence = evidence_of()
    evidence.lines["WR"] = LineEvidence("WR", edges=0, high_fraction=0.0)
    evidence.strobes["WR"] = StrobeCount(expected, expected, others, wrong)
    assert bool(found(evidence, "write-strobe-missing")) == fires


@pytest.mark.parametrize(("acknowledged", "severity"), [(0, "warning"), (1, "note")])
def test_a_halt_that_has_only_begun_is_told_apart_from_one_that_nothing_ended_before(acknowledged, severity):
    evidence = held("HALT", 0.0002, 0.002, end_s=0.002)
    evidence.notes["halt"], evidence.enables = 400, 0
    evidence.cycles["interrupt_acknowledge"] = acknowledged
    assert one(evidence, "halted-for-good").severity == severity


def buses(pushes=None, **operands):
    """Return a record of the buses with operands given by address bit: {"ones_lost": {3: 5}}."""
    record = Operands(compared=operands.pop("compared", 100))
    for name, values in operands.items():
        for bit, value in values.items():
            getattr(record, name)[bit] = value
    return BusesRecord([], 0, [0] * 7, [0] * 7, record, pushes or Pushes(), [0] * 16)


@pytest.mark.parametrize(
    ("own", "other", "explains"), [(0, 0, False), (0, 10, False), (10, 0, False), (10, 2, False), (10, 3, True), (10, 10, True)]
)
@pytest.mark.parametrize("bit", [3, 11])
def test_an_address_bit_is_excused_where_the_data_line_under_it_is_odd(bit, own, other, explains):
    """Both bytes of an operand come over the same data lines: where one is odd, the twin of the address bit is lost as well."""
    record = buses(ones_lost={bit: own - own // 2, bit ^ 8: other}, zeros_lost={bit: own // 2})
    assert _data_explains(record, bit) is explains


@pytest.mark.parametrize(
    ("pushes", "ones", "dead"),
    [
        (None, 0, True), (None, 100, True), (None, 1, False), (None, 99, False),  # nothing pushed: what it understood counts
        ((2, 2, 0, 0), 50, True), ((1, 2, 0, 0), 50, False), ((2, 1, 0, 0), 50, False),
        ((2, 2, 1, 0), 50, False), ((2, 2, 0, 1), 50, False),
    ],
)  # fmt: skip
def test_an_input_is_dead_where_pushes_are_right_or_it_understands_one_level(pushes, ones, dead):
    record = Pushes()
    if pushes is not None:
        record.compared = 10
        record.ones[3], record.zeros[3], record.ones_lost[3], record.zeros_lost[3] = pushes
    moves = of_memory(reads_rom=Levels(16, 0xFF, 0))
    assert _input_dead(moves, buses(record, ones={3: ones, 11: ones}), 3) is dead
    assert not _input_dead(evidence_of(), buses(record, ones={3: ones, 11: ones}), 3)  # it does not move


@pytest.mark.parametrize(("bits", "said"), [((3,), 1), ((3, 4), 2), ((3, 4, 5), 0)])
def test_many_outputs_that_are_wrong_at_once_are_no_dead_outputs(bits, said):
    """Where an address was shown wrong the return address is another one."""
    record = Pushes(compared=20)
    for bit in bits:
        record.ones[bit], record.ones_lost[bit] = 18, 18
    evidence = of_memory(reads_rom=Levels(16, 0xFF, 0))
    evidence.captured |= {*ADDRESS, *DATA}
    evidence.buses = buses(record)
    assert len(found(evidence, "data-output-contradicted")) == said


@pytest.mark.parametrize(("enables", "severity"), [(None, "note"), (0, "warning"), (1, "note")])
def test_a_short_halt_is_told_where_the_program_was_seen_to_switch_interrupts_off(enables, severity):
    evidence = held("HALT", 0.0002, 0.002, end_s=0.002)
    evidence.notes["halt"], evidence.enables = 400, enables
    assert one(evidence, "halted-for-good").severity == severity


@pytest.mark.parametrize(("strobes_hz", "fires"), [(4.1e6, False), (4.3e6, True), (2.6e6, True), (None, False)])
def test_a_given_clock_is_believed_and_contradicted(strobes_hz, fires):
    evidence = evidence_of()
    evidence.captured -= {"CLK"}
    evidence.clock = replace(evidence.clock, source="given", strobes_hz=strobes_hz)
    assert bool(found(evidence, "clock-off-frequency")) == fires
    if fires:
        finding = one(evidence, "clock-off-frequency")
        assert finding.severity == "warning" and "believed all the same" in finding.evidence


@pytest.mark.parametrize(
    ("early", "late", "worse"), [([4], [4, 4, 4], True), ([5], [4, 4, 6], False), ([4], [4, 8], False), ([], [9, 9, 9, 9], True)]
)
def test_a_strobe_grows_worse_from_four_bursts_on_with_three_misses_for_each_before(early, late, worse):
    bursts = [Burst(number, 0.001, 0.0011) for number in early] + [Burst(number, 0.009, 0.0091) for number in late]
    text = _bursts(StrobeCount(1000, 900, 0, 0, bursts=bursts), evidence_of())
    assert ("it grows worse" in text) == worse


@pytest.mark.parametrize(
    ("longest", "asserted", "assertions", "gone"), [(0.004, 0.00499, 2, True), (0.004, 0.00501, 2, False), (0.004, 0.0069, 4, True)]
)
def test_a_grant_at_the_end_is_for_good_where_it_is_much_longer_than_those_before(longest, asserted, assertions, gone):
    """Four times as long as the mean of the others, which took a millisecond each or a little more or less."""
    span = Span(0.006, 0.006 + longest)
    line = LineEvidence("BUSACK", edges=1, assertions=assertions, asserted_s=asserted, longest=span, asserted_last=True)
    assert _given_for_good(evidence_of(), line) == gone


@pytest.mark.parametrize(
    ("lines", "unlike", "refreshes", "differ"),
    [
        (("A9", "A12"), 4, 0, True), (("A9", "A12"), 3, 0, False),  # by operands that ask for them to differ
        (("A2", "A5"), 0, 128, True), (("A2", "A5"), 9, 127, False),  # by the refresh counter
        (("A2", "A12"), 0, 128, True), (("A2", "A12"), 0, 127, False),  # it moves one of them alone
    ],
)  # fmt: skip
def test_address_lines_that_the_machine_makes_differ(lines, unlike, refreshes, differ):
    record = BusesRecord([], refreshes, [0] * 7, [0] * 7, Operands(wired_and={(9, 12): (unlike, 0)}), Pushes(), [0] * 16)
    assert _must_differ(evidence_of(), record, *lines) == differ


@pytest.mark.parametrize(("high_fraction", "level"), [(1.0, "high"), (0.0, "low")])
def test_a_dead_memory_request_says_at_which_level_it_stays(high_fraction, level):
    evidence = evidence_of(captured=frozenset(("MREQ", "M1")), requests=0)
    evidence.lines["MREQ"] = LineEvidence("MREQ", edges=0, high_fraction=high_fraction)
    evidence.strobes = {}
    assert f"/MREQ {level} throughout" in one(evidence, "memory-request-missing").evidence


@pytest.mark.parametrize(
    ("line", "framed_by", "missing", "pulses", "often"),
    [
        ("RD", "MREQ", 90, 1000, True), ("WR", "MREQ", 90, 1000, True), ("M1", "MREQ", 90, 1000, False), ("RD", "IORQ", 90, 1000, False),
        ("RD", "MREQ", 80, 1000, False), ("RD", "MREQ", 90, 900, False),
    ],
)  # fmt: skip
def test_a_read_or_write_strobe_that_pulses_as_often_as_it_is_called_for_misses_nothing(line, framed_by, missing, pulses, often):
    count = StrobeCount(1000, 1000 - missing, 1000, 0)
    assert as_often(LineEvidence(line, edges=2 * pulses, high_fraction=0.7), count, evidence_of(framed_by=framed_by)) == often


@pytest.mark.parametrize(
    ("right", "mapped", "proven"), [(0, False, False), (1, False, True), (0, True, True), (1, True, True)]
)
def test_a_bank_without_ram_is_proven_by_ram_elsewhere_or_by_the_map(right, mapped, proven):
    """Where nothing that was written came back, and nobody says that RAM is there, the program may be astray."""
    clean = [(500, 0, 500, 0)] * 8
    pages = [ReadBack(0x8000 + 0x400 * k, 0x83FF + 0x400 * k, 40, 40, clean, 40, 0.001, 0.002) for k in range(2)]
    pages += [ReadBack(0xC000, 0xC3FF, 40, 40 - right, clean, 0, 0.001, 0.002)]
    evidence = of_memory(pages=pages)
    evidence.profile = Profile("box", memory=(MemoryRegion("ram", 0x8000, 0xFFFF),)) if mapped else None
    (finding,) = found(evidence, "ram-bank-missing")
    assert ("the program may be astray" not in finding.evidence) == proven == (finding.confidence == LIKELY)


@pytest.mark.parametrize(
    ("lines", "inverted", "words", "step"),
    [
        (("M1",), True, "with /M1 inverted", "channel at /M1 (pin 27);"),
        (("M1", "RD"), True, "with /M1 and /RD inverted", "channel before these leads;"),
        (("M1", "RD", "WR"), True, "with /M1, /RD and /WR inverted", "channel before these leads;"),
        (("M1", "RD"), False, "with /M1 and /RD exchanged", "labelled /M1 on /M1 (pin 27) and the one labelled /RD on /RD (pin 21);"),
    ],
)
def test_which_leads_are_wrong_is_said_in_words(lines, inverted, words, step):
    change = Relabelling(lines, inverted, 0.1, 0.99, 100, "instructions")
    finding = one(evidence_of(leads=LeadsRecord(change, ("M1=x",))), "leads-swapped")
    assert words in finding.evidence and step in finding.next_step


@pytest.mark.parametrize(("requests", "last", "fires"), [(3, 0.002, True), (2, 0.002, False), (3, None, False), (0, None, False)])
def test_only_a_cpu_that_made_requests_falls_silent(requests, last, fires):
    assert bool(found(evidence_of(requests=requests, last_request_s=last), "went-silent")) == fires
