"""Rules just on a limit and just off it, on hand-made evidence; what a limit changes besides whether a rule speaks."""

from __future__ import annotations

import pytest
from bitarray import bitarray
from hand_made import evidence_of

from strobewise.bus.lines import ADDRESS, DATA
from strobewise.records.evidence import LineEvidence
from strobewise.records.memory import Levels, MemoryRecord, ReadBack
from strobewise.records.volts import AnalogLevels
from strobewise.rules import Found, find_rule, run
from strobewise.rules.base import Rule, _findings
from strobewise.rules.volts import DEAD, GROUNDED, UNDRIVEN, weigh_still_line


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


@pytest.mark.parametrize(("wrong", "certainty"), [(4, 0.8), (7, 0.8), (8, 0.92), (9, 0.92)])
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


def volts(low, high, between=0.0, above=0.0):
    return AnalogLevels(1000, low, high, low, (low + high) / 2, high, between, above, None, None, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("levels", "suspects"),
    [
        (volts(0.05, 0.09), GROUNDED),
        (volts(0.05, 0.101), DEAD),  # not at ground
        (volts(0.03, 0.095), DEAD),  # not flat
        (volts(0.3, 0.99), DEAD),
        (volts(0.3, 0.99, above=0.01), None),
        (volts(0.9, 1.01, between=0.51), UNDRIVEN),
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
