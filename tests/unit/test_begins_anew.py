"""A program that begins anew behind pauses, told by its bytes alone: resets that were not captured; the pauses of a bus master are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_made import evidence_of

from strobewise import Options, diagnose
from strobewise.bus.model import KIND_INDEX
from strobewise.cycles.table import CycleTable
from strobewise.evidence.begins_anew import begins_anew
from strobewise.machine import GENERIC, BusRequest, Press, fault, simulate
from strobewise.records.told import Anew
from strobewise.rules import find_rule

QUIET = replace(GENERIC, interrupt_period_t_states=None)
START = "f3 31. f0. ff. c3. 10. 00. " + "00 " * 20  #: DI / LD SP,nn / JP, then NOPs: a dot behind a byte that is read and not fetched
BODY = "21. 3e 2c 0d 05 3c 2c 0d 05 3c 23 04 "


def anew_of(text: str, pause: int = 40) -> Anew:
    """Return what is made of bytes, each a cycle of four ticks; "|" is a pause of so many ticks, "g" a bus grant of as many."""
    at, rows = 0, []
    for word in text.split():
        if word == "|":
            at += pause
        elif word == "g":
            rows.append((at, at + pause, "bus_granted", -1))
            at += pause
        else:
            rows.append((at, at + 4, "memory_read" if word.endswith(".") else "opcode_fetch", int(word.rstrip("."), 16)))
            at += 4
    start, end, kinds, data = (np.array(column) for column in zip(*rows, strict=True))
    kind = np.array([KIND_INDEX[kind] for kind in kinds], np.uint8)
    table = CycleTable.build(start, end, kind, data=data, t_states=np.full(len(rows), 4))
    return begins_anew(table, 1.0, 1e-6)


def test_the_same_start_behind_each_pause_where_the_program_goes_on_elsewhere():
    turn = START + BODY * 3 + "21. 3e 2c 0d 05 3c 2c 0d | "
    found = anew_of(turn * 3 + START)
    assert len(found.times_s) == 3 and found.cycles == (0xF3, 0x31, 0xF0, 0xFF, 0xC3, 0x10)
    assert found.pause_s == pytest.approx(40e-6)
    assert found.times_s[0] == pytest.approx((27 + 36 + 8) * 4e-6 + 40e-6)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ((START + BODY * 3 + "21. 3e 2c 0d 05 3c 2c 0d | ") * 2 + START, "two may be a person's"),
        ((START + BODY * 3 + "a0 a1 a2 a3 a4 a5 | ") * 3 + START, "nowhere else is it seen what follows: a loop, perhaps"),
        ((START + BODY + "| " + BODY * 3 + "21. 3e 2c 0d 05 3c 2c 0d | ") * 3 + BODY * 3, "it goes on where it stood"),
        ((START + BODY * 3 + "21. 3e 2c 0d 05 3c 2c 0d g ") * 3 + START, "the bus was given away"),
        ((START + "3e 2c 0d 05 3c 18 2c. " * 4 + "| ") * 3 + START, "a jump may lead to two places"),
    ],
)  # fmt: skip
def test_what_begins_nothing_anew(text, why):
    assert anew_of(text) == Anew(), why


def test_a_pause_is_longer_than_any_instruction():
    turn = START + BODY * 3 + "21. 3e 2c 0d 05 3c 2c 0d | "
    assert anew_of(turn * 3 + START, pause=13).times_s and not anew_of(turn * 3 + START, pause=12).times_s


def test_an_instruction_that_is_cut_off_leads_elsewhere():
    turn = START + "3c 2c 0d 05 06 18 2c. " * 4 + "3c 2c 0d 05 06 18 | "
    assert len(anew_of(turn * 3 + START).times_s) == 3


def found_in(tmp_path, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(lines="sixteen", duration_s=0.004, **settings).write_vcd(file)
    return [finding.rule for finding in diagnose([path], Options()).findings if finding.severity == "fault"]


def test_resets_that_were_not_captured_are_told_from_grants_and_buttons(tmp_path):
    assert found_in(tmp_path, machine=QUIET, faults=(fault("reset-loop", period_s=0.0006),)) == ["returns-to-start"]
    for grants in (BusRequest(1500, 2300, 150), BusRequest(900, 700, 60)):
        assert found_in(tmp_path, machine=QUIET, bus_requests=[grants]) == []
    assert found_in(tmp_path, machine=QUIET, presses=[Press("RESET", 0.001, 5e-5), Press("RESET", 0.0025, 5e-5)]) == []


def test_how_many_and_how_fast(tmp_path):
    rule = find_rule("returns-to-start")
    assert rule is not None

    def told(number, seconds=0.004, samples=7.0, reset=False):
        evidence = evidence_of(samples_per_t=samples, end_s=seconds)
        evidence.captured -= frozenset() if reset else {"RESET"}
        evidence.told = replace_anew(Anew(tuple(0.001 * k for k in range(number)), 5e-5, (0xF3, -1)))
        return bool(list(rule.decide(evidence)))

    assert told(3) and not told(2) and not told(3, reset=True)
    assert told(3, 0.149) and not told(3, 0.151), "a finger may be so quick"
    assert not told(3, samples=2.0)


def replace_anew(anew: Anew):
    from strobewise.records.bytes_alone import Compared
    from strobewise.records.told import Told

    return Told(0, Compared(), None, None, anew)  # type: ignore[arg-type]  # of the others nothing is read here
