"""Every rule of the catalogue: a capture that trips it, near misses that do not, and healthy machines on which nothing fires."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bitarray import bitarray
from hand_made import evidence_of, rules_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.diagnosis.facade import diagnose
from strobewise.machine.faults import fault
from strobewise.machine.scenario import GENERIC, GENERIC_PAGING
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.evidence import (
    CLASSES,
    PATTERN_LINES,
    PATTERNS,
    LineEvidence,
    Span,
    StrobeCount,
    Through,
    count_strobes,
)
from strobewise.records.expansion import PagingRecord, Trigger
from strobewise.records.memory import Levels, MemoryRecord, ReadBack
from strobewise.records.profile import MemoryRegion, Profile
from strobewise.rules import CATALOGUE, find_rule, run

PAGED = replace(GENERIC, paging=(GENERIC_PAGING,))


def examined(tmp_path, options=None, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**settings).write_vcd(file)
    return diagnose([path], options or Options())


#: rule -> (what to simulate, lines that the finding must name)
SIMULATED = {
    "fetch-strobe-missing": ({"faults": [fault("dead-high", line="M1")], "lines": "eight"}, {"M1"}),
    "refresh-strobe-missing": ({"faults": [fault("dead-low", line="RFSH")], "lines": "eight"}, {"RFSH"}),
    "memory-request-missing": ({"faults": [fault("lead-off", line="MREQ")], "lines": "eight"}, {"MREQ"}),
    "io-request-missing": ({"faults": [fault("dead-high", line="IORQ")], "lines": "eight"}, {"IORQ"}),
    "read-strobe-missing": ({"faults": [fault("dead-high", line="RD", at="probe")], "lines": "eight"}, {"RD"}),
    "write-strobe-missing": ({"faults": [fault("floating", line="WR")], "lines": "eight"}, {"WR"}),
    "io-request-conflict": ({"faults": [fault("shorted", lines=["MREQ", "IORQ"])], "lines": "eight"}, {"MREQ", "IORQ"}),
    "clock-stopped": ({"faults": [fault("clock-dead", after_s=0.001)], "lines": "eight"}, {"CLK"}),
    "clock-jitter": ({"faults": [fault("clock-jitter", ns=80)], "lines": "eight", "sample_hz": 100_000_000}, {"CLK"}),
    "reset-held": ({"faults": [fault("reset-held", after_s=0.001)], "lines": "full"}, {"RESET"}),
    "reset-loop": ({"faults": [fault("reset-loop", period_s=0.0003)], "lines": "eight"}, {"RESET"}),
    "wait-held": ({"faults": [fault("wait-held", after_s=0.001)], "lines": "full"}, {"WAIT"}),
    "bus-request-held": ({"faults": [fault("busreq-held", after_s=0.001)], "lines": "full"}, {"BUSREQ", "BUSACK"}),
    "interrupt-held": ({"faults": [fault("int-held")], "lines": "full"}, {"INT"}),
    "nmi-held": ({"faults": [fault("dead-low", line="NMI")], "lines": "full", "start_s": 0.0005}, {"NMI"}),
    "halt-line-contradicted": ({"faults": [fault("dead-low", line="HALT")], "lines": "full"}, {"HALT"}),
    "reads-all-ff": ({"faults": [fault("rom-absent")], "lines": "full"}, set()),
    "data-line-stuck": ({"faults": [fault("dead-high", line="D3")], "lines": "full"}, {"D3"}),
    "reads-all-alike": ({"faults": [fault("dead-low", line="D2")], "lines": "full"}, {"D2"}),
    "data-line-unsteady": ({"faults": [fault("floating", line="D3")], "lines": "full"}, {"D3"}),
    "ram-bit-dead": ({"faults": [fault("ram-bit-dead", bit=3)], "lines": "full"}, {"D3"}),
    "ram-bank-missing": ({"faults": [fault("ram-missing")], "lines": "full"}, set()),
    "lines-shorted": ({"faults": [fault("shorted", lines=["D3", "D4"])], "lines": "full"}, {"D3", "D4"}),
    "address-line-stuck": ({"faults": [fault("dead-high", line="A3")], "lines": "full"}, {"A3"}),
    "address-line-unsteady": ({"faults": [fault("floating", line="A0")], "lines": "full"}, {"A0"}),
    "capture-too-coarse": ({"sample_hz": 4_000_000, "lines": "two"}, set()),
    "spikes": ({"faults": [fault("glitches", per_ms=60)], "lines": "two"}, set()),
    "unlabelled-channels": ({"names": "channels", "lines": "two"}, set()),
}


@pytest.mark.parametrize("rule", SIMULATED)
def test_a_simulated_fault_trips_its_rule(tmp_path, rule):
    settings, lines = SIMULATED[rule]
    clock = None if settings["lines"] == "full" or settings["lines"] == "eight" else GENERIC.clock_hz
    said = examined(tmp_path, Options(clock_hz=None if "coarse" in rule else clock), **settings)
    found = [finding for finding in said.findings if finding.rule == rule]
    assert found, [finding.rule for finding in said.findings]
    assert lines <= set(found[0].lines)
    assert found[0].evidence and found[0].next_step


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("lines", ["two", "eight", "sixteen", "full"])
def test_nothing_fires_on_a_healthy_machine(tmp_path, lines, seed):
    said = examined(tmp_path, lines=lines, seed=seed, sample_hz=(12_000_000, 24_000_000, 50_000_000, 16_000_000)[seed])
    assert [f for f in said.findings if f.severity != "note"] == []
    assert said.verdict.state == "no_fault_found"


def test_a_silent_device_and_a_machine_without_fetch_strobe_are_told_apart(tmp_path):
    options = Options(profile=PAGED)
    silent = examined(tmp_path, options, machine=PAGED, lines="full_port", faults=[fault("device-silent")])
    assert {f.rule for f in silent.findings if f.severity == "fault"} == {"paging-device-silent"}
    assert silent.verdict.suspects[0].suspect == "expansion_device"
    blind = examined(tmp_path, options, machine=PAGED, lines="full_port", faults=[fault("dead-high", line="M1")])
    assert {"fetch-strobe-missing", "paging-not-triggered"} <= {f.rule for f in blind.findings}
    assert "paging-device-silent" not in {f.rule for f in blind.findings}
    assert blind.verdict.suspects[0].suspect == "cpu"
    well = examined(tmp_path, options, machine=PAGED, lines="full_port")
    assert well.verdict.state == "no_fault_found"


# --- rules judged on hand-made evidence -----------------------------------------------------------------------------


def test_hand_made_healthy_evidence_trips_nothing():
    assert rules_of(evidence_of()) == set()
    assert len(evidence_of().histogram[0]) == PATTERNS


def test_a_pause_of_the_clock():
    clock = replace(evidence_of().clock, longest=Span(0.004, 0.004 + 70 / 3.5e6))
    assert rules_of(evidence_of(clock=clock)) == {"clock-pauses"}
    near = replace(clock, longest=Span(0.004, 0.004 + 50 / 3.5e6))
    assert rules_of(evidence_of(clock=near)) == set()


@pytest.mark.parametrize(
    "nominal, fires", [(3_500_000, False), (3_550_000, False), (3_600_000, True), (7_000_000, True)]
)
def test_a_clock_off_its_frequency(nominal, fires):
    clock = replace(evidence_of().clock, nominal_hz=float(nominal))
    assert ("clock-off-frequency" in rules_of(evidence_of(clock=clock))) == fires


def test_a_run_of_requests_without_a_fetch():
    assert rules_of(evidence_of(longest_run_without_fetch=11)) == {"requests-without-fetch"}
    assert rules_of(evidence_of(longest_run_without_fetch=10)) == set()


@pytest.mark.parametrize(("fetches", "busack", "severity"), [(8, False, "note"), (7, False, "warning"), (1000, True, "warning")])
def test_another_master_may_have_the_bus_while_busack_is_not_captured(fetches, busack, severity):
    evidence = evidence_of(longest_run_without_fetch=51)
    evidence.captured -= frozenset() if busack else {"BUSACK"}
    evidence.cycles["opcode_fetch"] = fetches
    (finding,) = (each for each in run(evidence) if each.rule == "requests-without-fetch")
    assert (finding.severity, "/BUSACK" in finding.evidence) == (severity, severity == "note")
    assert "/BUSACK" in finding.next_step


@pytest.mark.parametrize(("pulses", "under_way", "fires"), [(4, False, False), (5, False, True), (5, True, False), (6, True, True)])
def test_a_few_pushes_of_the_reset_button_are_no_loop(pulses, under_way, fires):
    evidence = evidence_of()
    evidence.lines["RESET"] = LineEvidence(
        "RESET", 2 * pulses, 0.9, assertions=pulses, longest=Span(0.001, 0.0011), asserted_first=under_way
    )
    found = {finding.rule: finding.severity for finding in run(evidence)}
    assert found == {"reset-loop": "fault" if fires else "warning"}  # within 10 ms: quicker than a finger, which is no loop yet


def test_a_machine_that_goes_silent():
    silent = evidence_of(last_request_s=0.004)
    silent.clock = replace(silent.clock, last_edge_s=0.01)
    assert rules_of(silent) == {"went-silent"}
    assert rules_of(evidence_of(last_request_s=0.0095)) == set()


@pytest.mark.parametrize(("last_edge", "told"), [(0.375, True), (0.37, False)])
def test_a_clock_that_stops_early_in_a_silence_is_the_cause_of_it(last_edge, told):
    """Silent for 0.25 s of 0.5: up to half of that the clock may have stopped because of it."""
    evidence = evidence_of(end_s=0.5, last_request_s=0.25)
    evidence.clock = replace(evidence.clock, last_edge_s=last_edge)
    assert ("went-silent" in rules_of(evidence)) == told


def test_a_cpu_that_does_nothing():
    nothing = evidence_of(requests=0, first_request_s=None, last_request_s=None)
    nothing.histogram = [[0] * PATTERNS for _ in range(CLASSES)]
    nothing.strobes = count_strobes(nothing.histogram, nothing.captured)
    for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH"):
        nothing.lines[name] = LineEvidence(name, edges=0, high_fraction=1.0)
    found = run(nothing)
    assert [f.rule for f in found] == ["no-requests"] and found[0].severity == "fault"
    nothing.captured = frozenset(("CLK", "MREQ", "RD", "WR", "M1"))
    assert [f.severity for f in run(nothing)] == ["warning"]  # what may hold it was not captured: no blame


def test_a_halt_without_end_depends_on_how_long_it_was_watched():
    def halted(seconds, assertions=1, acknowledges=0, requests=0):
        evidence = evidence_of(end_s=seconds, last_request_s=seconds)
        evidence.notes, evidence.enables = {"halt": 500}, 0  # DI was seen, and no EI
        evidence.lines["HALT"] = LineEvidence(
            "HALT", 1, 0.1, assertions=assertions, longest=Span(seconds * 0.1, seconds), asserted_last=True
        )
        evidence.lines["INT"] = LineEvidence("INT", 2 * requests + 2, 1.0, assertions=requests + 1)  # one of them before the halt
        evidence.asked_in_halt = requests
        evidence.cycles["interrupt_acknowledge"] = acknowledges
        evidence.clock = replace(evidence.clock, last_edge_s=seconds)
        return [(f.rule, f.severity) for f in run(evidence)]

    assert halted(0.1) == [("halted-for-good", "fault")]
    assert halted(0.045) == [("halted-for-good", "warning")]  # the next interrupt may only be due
    assert halted(0.01, requests=3) == [("halted-for-good", "fault")]  # asked to wake and did not: interrupts are off
    assert halted(0.1, assertions=5, acknowledges=4) == []  # it wakes up now and then


def test_an_unanswered_nmi():
    evidence = evidence_of(captured=evidence_of().captured | {f"A{k}" for k in range(16)})
    evidence.lines["NMI"] = LineEvidence("NMI", 4, 0.9, assertions=2, longest=Span(0.003, 0.0031))
    assert rules_of(evidence) == {"nmi-not-answered"}
    evidence.notes = {"nmi_response": 2}
    assert rules_of(evidence) == set()


def test_what_the_reader_passed_over_is_a_note():
    found = run(evidence_of(warnings=("line 7 is cut off",)))
    assert [(f.rule, f.severity, f.caution) for f in found] == [("capture-damaged", "note", "")]


def test_a_strobe_seen_now_and_then_needs_enough_misses():
    evidence = evidence_of()
    evidence.strobes["RFSH"] = replace(evidence.strobes["RFSH"], seen=993)
    assert rules_of(evidence) == set()
    evidence.strobes["RFSH"] = replace(evidence.strobes["RFSH"], seen=900, first_missing_s=0.001, last_missing_s=0.002)
    assert rules_of(evidence) == {"refresh-strobe-missing"}


def test_a_clock_line_says_how_coarse_a_capture_is(tmp_path):
    """At 2.3 samples a period the strobes alone seem to give three; CLK knows better."""
    machine = replace(GENERIC, clock_hz=2_187_197)
    for seed in range(3):
        said = examined(
            tmp_path, machine=machine, lines="full", sample_hz=5_000_000, duration_s=0.003, delay_fraction=0.9, skew_ns=8.0, seed=seed
        )  # fmt: skip
        assert said.evidence.samples_per_t < 2.5
        assert not [f for f in said.findings if f.severity == "fault"]


def test_a_floating_clock_says_nothing_of_it(tmp_path):
    said = examined(tmp_path, lines="eight", faults=[fault("floating", line="CLK")], duration_s=0.003)
    assert (said.evidence.samples_per_t or 9) > 4


def test_a_lead_that_lags_is_no_dead_cpu_and_no_inverted_clock(tmp_path):
    for late_ns in (100, 150):
        skewed = [fault("lead-skewed", line="MREQ", ns=late_ns)]
        said = examined(tmp_path, lines="full", faults=skewed, duration_s=0.004)
        assert said.verdict.suspects[0].suspect == "probe_or_capture", late_ns
        assert "clock-inverted" not in {f.rule for f in said.findings}
    upside_down = examined(tmp_path, lines="full", faults=[fault("lead-inverted", line="CLK")], duration_s=0.004)
    assert "clock-inverted" in {f.rule for f in upside_down.findings}


@pytest.mark.parametrize(("delay_fraction", "skew_ns"), [(0.3, 8.0), (0.9, 0.0), (0.9, 8.0), (1.0, 8.0)])
def test_a_lead_that_lags_makes_no_strobe_come_and_go(tmp_path, delay_fraction, skew_ns):
    said = examined(
        tmp_path, machine=replace(GENERIC, clock_hz=3_912_000), lines="sixteen", sample_hz=24_000_000, duration_s=0.004,
        faults=[fault("lead-skewed", line="MREQ", ns=100)], delay_fraction=delay_fraction, skew_ns=skew_ns,
    )  # fmt: skip
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert "cpu" not in [f.suspect for f in said.findings if f.severity == "fault"]


@pytest.mark.parametrize(("without", "severity"), [(500, "warning"), (400, "fault")])
def test_a_capture_by_the_clock_that_shows_no_request_in_one_kind_of_cycle_blames_no_cpu(without, severity):
    evidence = evidence_of(clocked="falling")
    row, mreq = evidence.histogram[KIND_INDEX["memory_read"]], 1 << PATTERN_LINES.index("MREQ")
    pattern = next(k for k, number in enumerate(row) if number)
    row[pattern], row[pattern & ~mreq] = 500 - without, without
    evidence.strobes["MREQ"] = replace(evidence.strobes["MREQ"], seen=evidence.strobes["MREQ"].expected - without)
    assert {f.rule: f.severity for f in run(evidence)}["memory-request-missing"] == severity


def test_one_lead_explains_two_strobes_that_seem_to_miss_at_once():
    evidence = evidence_of()
    for line, count in (("M1", 850), ("RD", 1275)):
        evidence.strobes[line] = replace(evidence.strobes[line], seen=count, first_missing_s=0.001, last_missing_s=0.002)
    found = {f.rule: f for f in run(evidence)}
    assert found["fetch-strobe-missing"].suspect == found["read-strobe-missing"].suspect == "probe_or_capture"
    evidence.strobes["RD"] = replace(evidence.strobes["RD"], seen=evidence.strobes["RD"].expected)
    assert {f.rule: f for f in run(evidence)}["fetch-strobe-missing"].suspect == "cpu", "one alone is its own"


@pytest.mark.parametrize(
    ("line", "pulses", "severity"), [("RD", 1000, "warning"), ("RD", 930, "fault"), ("RD", 1070, "fault"), ("M1", 1000, "fault")]
)
def test_pulses_beside_their_requests_are_not_missing(line, pulses, severity):
    evidence = evidence_of()
    evidence.lines[line] = LineEvidence(line, edges=2 * pulses, high_fraction=0.7)
    evidence.strobes[line] = replace(evidence.strobes[line], expected=1000, seen=850, first_missing_s=0.001, last_missing_s=0.002)
    rule = {"RD": "read-strobe-missing", "M1": "fetch-strobe-missing"}[line]
    assert {f.rule: f.severity for f in run(evidence)}[rule] == severity


def test_spikes_that_explain_the_misses_leave_it_open():
    evidence = evidence_of(glitches=60)
    evidence.strobes["RFSH"] = replace(evidence.strobes["RFSH"], seen=950, first_missing_s=0.001, last_missing_s=0.002)
    found = {finding.rule: finding for finding in run(evidence)}["refresh-strobe-missing"]
    assert found.severity == "warning" and found.suspect == "probe_or_capture" and "60 spikes" in found.evidence
    evidence.glitches = 40  # more is missing than they explain
    assert {finding.rule: finding.severity for finding in run(evidence)}["refresh-strobe-missing"] == "fault"


def test_the_place_of_the_lead_shifts_the_blame():
    evidence = evidence_of(probe_at={"M1": "connector"})
    evidence.lines["M1"] = LineEvidence("M1", edges=0, high_fraction=1.0)
    evidence.strobes["M1"] = replace(evidence.strobes["M1"], seen=0)
    (found,) = run(evidence)
    assert found.suspect == "connection" and "cpu" in [share.suspect for share in found.suspects]


@pytest.mark.parametrize("pair", [("M1", "RFSH"), ("RD", "WR"), ("MREQ", "RD"), ("A0", "A1"), ("A8", "A9"), ("D0", "D7"), ("D3", "D4")])
def test_swapped_leads_are_named_and_nobody_else_is_blamed(tmp_path, pair):
    said = examined(tmp_path, lines="full", faults=[fault("leads-swapped", lines=list(pair))])
    faults = [f for f in said.findings if f.severity == "fault"]
    assert [(f.rule, set(f.lines)) for f in faults] == [("leads-swapped", set(pair))]
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert "--map" in faults[0].next_step or "rename" in faults[0].next_step


@pytest.mark.parametrize("line", ["A2", "A9", "D5", "CLK", "MREQ"])
def test_other_inverted_leads(tmp_path, line):
    said = examined(tmp_path, lines="full", faults=[fault("lead-inverted", line=line)])
    assert {name for f in said.findings if f.severity == "fault" for name in f.lines} == {line}
    assert said.verdict.suspects[0].suspect == "probe_or_capture"


@pytest.mark.parametrize("bit", [0, 6])
def test_a_cpu_that_misreads_a_bit_is_not_laid_on_the_leads(tmp_path, bit):
    said = examined(tmp_path, lines="full", faults=[fault("cpu-data-in-stuck", bit=bit, level="low")], duration_s=0.004)
    assert "leads-swapped" not in {f.rule for f in said.findings}
    assert said.verdict.suspects[0].suspect == "cpu"


@pytest.mark.parametrize("line", ["M1", "RD", "WR", "RFSH", "IORQ"])
def test_an_inverted_strobe_is_the_leads_doing(tmp_path, line):
    said = examined(tmp_path, lines="eight", faults=[fault("lead-inverted", line=line)])
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert line in {name for f in said.findings if f.severity == "fault" for name in f.lines}


def paging(**changes):
    """Return the evidence of a healthy machine whose device answered five triggers, with changes to the paging record."""
    evidence = evidence_of(captured=evidence_of().captured | {*ADDRESS, *DATA, "ROMDIS"})
    triggers = [Trigger(0.001 * k, 0x0008, True, 2e-7, False) for k in range(1, 6)]
    record = PagingRecord("overlay", "ROMDIS", 4, triggers, released=5, compared_content=64, same_content=2)
    evidence.pagings = [replace(record, **changes)]
    return evidence


def test_paging_rules_on_hand_made_records():
    assert rules_of(paging()) == set()
    assert rules_of(paging(not_released=6)) == {"paging-not-released"}
    assert rules_of(paging(let_go_alone=6, let_go_alone_s=0.002)) == {"paging-not-released"}
    assert rules_of(paging(not_released=1)) == set()  # five others were obeyed
    (once,) = run(paging(not_released=1, released=0))
    assert (once.rule, once.severity, once.confidence) == ("paging-not-released", "fault", 0.65) and "the one fetch" in once.evidence
    (alone,) = run(paging(let_go_alone=1, let_go_alone_s=0.002, released=0))
    assert (alone.rule, alone.severity) == ("paging-not-released", "warning") and "inactive once" in alone.evidence
    pressed = paging(let_go_alone=1, let_go_alone_s=0.002, released=0)
    pressed.lines["RESET"].assertions = 1
    assert run(pressed) == []
    assert rules_of(paging(same_content=63)) == {"rom-disable-not-obeyed"}
    assert rules_of(paging(same_content=10, mixed_content=54)) == {"rom-disable-not-obeyed"}
    assert rules_of(paging(same_content=40)) == set()
    some_silent = [Trigger(0.001 * k, 0x0008, True, None if k % 2 else 2e-7, False) for k in range(1, 9)]
    assert rules_of(paging(triggers=some_silent)) == {"paging-device-silent"}


def test_every_rule_is_complete():
    for rule in CATALOGUE:
        assert rule.looks_for and rule.causes and rule.next_step and rule.needs and rule.suspects, rule.id
        assert sum(share for _, share in rule.suspects) <= 1.0001, rule.id
        assert find_rule(rule.id) is rule


def memory_evidence(fetched, value=0x4D):
    """Return evidence of a CPU that walks through memory where every read gives the same byte."""
    maps = [bitarray(65536) for _ in range(4)]
    for each in maps:
        each.setall(False)
    for address in fetched:
        maps[0][address] = True
    count = len(fetched)
    memory = MemoryRecord(
        *maps, Levels(count, value, value), Levels(), Levels(), Levels(), [], count, 0, 0, 0, count, {}, {}, [], 1, (value, count),
        count, 0, 0, [0] * 8,
    )  # fmt: skip
    return evidence_of(memory=memory, captured=evidence_of().captured | {*ADDRESS, *DATA})


def test_who_is_blamed_for_silence_depends_on_whether_the_start_was_seen():
    (found,) = (f for f in run(memory_evidence(range(2000))) if f.rule == "reads-all-alike")
    assert found.suspect == "rom"
    for astray in (range(0x4C00, 0x5400), [0x38, *range(0x4C00, 0x5400)]):
        (found,) = (f for f in run(memory_evidence(astray)) if f.rule == "reads-all-alike")
        assert found.suspect == "ram" and found.confidence <= 0.7 and "/RESET" in found.next_step


def test_writes_to_a_rom_of_the_profile_need_not_read_back():
    bad = ReadBack(0x0000, 0x03FF, 40, 20, [(20, 0, 20, 20), *[(20, 0, 20, 0)] * 7])
    evidence = memory_evidence(range(0x4000, 0x4020), 0x3E)
    record = evidence.memory
    record.pages, record.commonest, record.alike = [bad], (0x3E, 1), 1
    assert "ram-bit-dead" in rules_of(evidence)
    evidence.profile = Profile("bench", memory=(MemoryRegion("rom", 0x0000, 0x3FFF),))
    assert "ram-bit-dead" not in rules_of(evidence)


@pytest.mark.parametrize(
    ("falls", "pulse_s", "changes", "told"),
    [
        (6, 6e-7, {}, True),
        (5, 6e-7, {}, False),
        (6, 2e-7, {}, False),  # /M1 floats, or picks up spikes
        (6, None, {}, False),
        (6, 6e-7, {"glitches": 1}, False),
        (6, 6e-7, {"samples_per_t": 2.9}, False),
    ],
)
def test_mreq_pulled_low_for_stretches_blames_no_other_strobe(falls, pulse_s, changes, told):
    evidence = evidence_of(**changes)
    evidence.lines["MREQ"].held_through, evidence.lines["M1"].shortest_pulse_s = Through(falls, 2, 0.001, 0.005), pulse_s
    evidence.lines["WR"].edges, evidence.strobes["WR"] = 180, StrobeCount(100, 90, 1000, 0, 0.001, 0.005)
    found = {finding.rule: finding for finding in run(evidence)}
    assert ("memory-request-missing" in found) == told
    if told:
        assert "write-strobe-missing" not in found
        assert found["memory-request-missing"].evidence.startswith("/MREQ stayed low 2 times, the first at 1 ms")
