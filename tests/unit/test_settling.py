"""Data that move after the CPU has taken them, and other things that come late or too fast."""

from __future__ import annotations

import numpy as np
import pytest
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, BIT, DATA, FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from strobewise.capture.records import Block
from strobewise.evidence import stretches
from strobewise.evidence.settling import SettlingPart
from strobewise.records.buses import BusesRecord, Operands, Pushes
from strobewise.records.evidence import BusEvidence, ClockEvidence, LineEvidence, Span
from strobewise.records.profile import MemoryRegion, Profile
from strobewise.records.timing import Interrupts, Settling, TimingRecord
from strobewise.rules import run

BUS = evidence_of().captured | {*ADDRESS, *DATA}
REST = MASK["MREQ"] | MASK["RD"] | MASK["M1"]


def read(data_at, address=0x1234, mreq=True, start=0):
    """Return (time, word) of one read: CLK falls at 60 and takes the data, /RD goes up at 90. data_at: when 55h comes."""
    low = REST & ~MASK["RD"] & ~(MASK["MREQ"] if mreq else 0)
    moments = {0: MASK["CLK"] | low, 60: low, 90: REST, 120: REST | MASK["CLK"]}
    for time in sorted({*moments, data_at}):
        at = max(moment for moment in moments if moment <= time)
        data = 0x55 if data_at <= time < 120 else 0xAA
        yield start + time, moments[at] | address << FIRST_ADDRESS_BIT | data << FIRST_DATA_BIT


def settled(*reads, blocks=1):
    part = SettlingPart(1e-9)
    rows = [(time + 1000 * k, word) for k, each in enumerate(reads) for time, word in each]
    times, words = np.array([time for time, _ in rows]), np.array([word for _, word in rows], np.uint64)
    for _ in range(blocks):
        part.block(Block(times, words, None))
    evidence = BusEvidence()
    part.fill(evidence)
    return evidence.settling


@pytest.mark.parametrize(("data_at", "late"), [(20, 0), (59, 0), (60, 0), (61, 1), (89, 1), (90, 0), (100, 0)])
def test_data_are_late_between_the_sampling_edge_and_the_release(data_at, late):
    record = settled(read(20), read(data_at))
    assert (record.reads, record.late) == (2, late)
    assert record.pages == ((0x1000,) if late else ())
    assert record.first_s == record.last_s == (pytest.approx(1.09e-6) if late else None)


def test_what_is_no_read_of_memory_and_what_nobody_saw_does_not_count(monkeypatch):
    assert settled(read(70, mreq=False)).reads == 0
    part = SettlingPart(1e-9)
    times, words = (np.array(column) for column in zip(*read(70), strict=True))
    part.block(Block(times, words.astype(np.uint64), np.full(len(times), 1 << BIT["D0"], np.uint64)))
    evidence = BusEvidence()
    part.fill(evidence)
    assert evidence.settling.reads == 0
    assert settled(read(70), blocks=40).late == 40
    monkeypatch.setattr(stretches, "STRETCH_EVENTS", len([*read(70)]))
    assert settled(read(70), blocks=40).late == 18  # the first sixteen stretches, and of the others each sixteenth


def found(rule, captured=BUS, **changes):
    return [finding for finding in run(evidence_of(captured=captured, **changes)) if finding.rule == rule]


@pytest.mark.parametrize(("late", "confidence"), [(2, None), (3, 0.8), (7, 0.8), (8, 0.85)])
def test_a_few_late_reads_are_a_fault_and_more_a_surer_one(late, confidence):
    findings = found("data-late", settling=Settling(900, late, 0.001, 0.002, (0x1000,)))
    assert [finding.confidence for finding in findings] == ([] if confidence is None else [confidence])


def test_late_data_are_not_told_where_the_clock_cannot_tell():
    late = Settling(900, 50, 0.001, 0.002, (0x1000,))
    assert not found("data-late", settling=late, clock=ClockEvidence(3e6, "MREQ"))
    assert not found("data-late", settling=late, samples_per_t=2.9)


@pytest.mark.parametrize(("kind", "suspect"), [("rom", "rom"), ("ram", "ram"), ("nothing", "rom")])
def test_whose_data_are_late_the_profile_tells(kind, suspect):
    profile = Profile("x", memory=(MemoryRegion(kind, 0x1000, 0x1FFF),))
    (finding,) = found("data-late", settling=Settling(900, 50, 0.001, 0.002, (0x1000,)), profile=profile)
    assert finding.suspect == suspect
    assert (finding.suspects[0].confidence > 0.5) == (kind != "nothing")
    assert "0x1000-0x13ff" in finding.evidence


def asked(held_s, acknowledged, last=True):
    line = LineEvidence("INT", 100, 0.7, asserted_last=last, longest=Span(0.001, 0.01))
    timing = TimingRecord(1e-8, [], Interrupts(20, 40, None, None, 0, {}, held_s, acknowledged))
    return found("interrupt-held", lines={**evidence_of().lines, "INT": line}, timing=timing)


def test_an_interrupt_that_is_acknowledged_again_and_again_is_never_cleared():
    assert not asked(0.001, 7) and not asked(None, 0) and not asked(0.001, 8, last=False)
    (finding,) = asked(0.001, 8)
    assert (finding.severity, finding.count) == ("fault", 8) and "from 1 ms to the end" in finding.evidence


@pytest.mark.parametrize(("length_s", "severity"), [(0.0019, None), (0.0021, "warning"), (0.021, "fault")])
def test_nmi_that_stays_low_behind_its_last_edge(length_s, severity):
    end = 0.01 if length_s < 0.02 else 0.05
    line = LineEvidence("NMI", 3, 0.7, assertions=2, asserted_last=True, longest=Span(end - length_s, end))
    answered = {"nmi_response": 2}
    findings = found("nmi-held", lines={**evidence_of().lines, "NMI": line}, end_s=end, notes=answered)
    assert [finding.severity for finding in findings] == ([] if severity is None else [severity])


@pytest.mark.parametrize(("edges", "answered", "speaks"), [(16, 10, True), (15, 5, False), (16, 11, False), (40, 0, False)])
def test_nmi_faster_than_the_cpu_answers(edges, answered, speaks):
    line = LineEvidence("NMI", 2 * edges, 0.7, assertions=edges, longest=Span(0.001, 0.0011))
    assert bool(found("nmi-storm", lines={**evidence_of().lines, "NMI": line}, notes={"nmi_response": answered})) is speaks


@pytest.mark.parametrize(("hz", "nominal", "edges", "speaks"), [
    (99e3, None, 500, True), (101e3, None, 500, False), (99e3, 100e3, 500, False), (99e3, 4e6, 500, True), (99e3, None, 15, False),
])  # fmt: skip
def test_a_clock_slower_than_the_cpu_can_bear(hz, nominal, edges, speaks):
    clock = ClockEvidence(hz, "CLK", edges, nominal_hz=nominal)
    assert bool(found("clock-too-slow", clock=clock)) is speaks


@pytest.mark.parametrize(("jump", "suspect"), [((0.0039, 0.0045), "probe_or_capture"), ((0.001, 0.002), "clock")])
def test_a_pause_in_which_the_refresh_ran_on_is_a_gap_in_the_capture(jump, suspect):
    clock = ClockEvidence(3.5e6, "CLK", 500, Span(0.004, 0.0044), 2e-8, 0.01)
    buses = BusesRecord([], 900, [9] * 7, [0] * 7, Operands(), Pushes(), [9] * 16, 60, [jump])
    (finding,) = found("clock-pauses", clock=clock, buses=buses)
    assert finding.suspect == suspect and ("gap" in finding.evidence) == (suspect == "probe_or_capture")


@pytest.mark.parametrize(
    ("fetches", "late_fetches", "suspect", "share"),
    [(100, 0, "ram", 0.5), (99, 0, "rom", 0.3), (100, 20, "rom", 0.5), (100, 19, "rom", 0.3), (100, 1, "rom", 0.3)],
)
def test_without_addresses_the_fetches_tell_whose_data_are_late(fetches, late_fetches, suspect, share):
    captured = frozenset(BUS) - set(ADDRESS)
    (finding,) = found("data-late", captured, settling=Settling(900, 50, 0.001, 0.002, (), fetches, late_fetches))
    assert finding.suspect == suspect and (finding.suspects[0].confidence > 0.4) == (share > 0.4)
    few = found("data-late", captured, settling=Settling(900, 7, 0.001, 0.002, (), 100, 0))
    assert few[0].suspect == "rom"


def test_spikes_look_like_late_data():
    assert found("data-late", settling=Settling(900, 5, 0.001, 0.002), glitches=4)
    assert not found("data-late", settling=Settling(900, 5, 0.001, 0.002), glitches=5)
