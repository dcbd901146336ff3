"""Leads on each other's pins, and inverted ones: found by what the machine does, and only where it does it well."""

from __future__ import annotations

import random
from itertools import combinations

import numpy as np
import pytest
from hand_made import evidence_of

from conftest import TRACES
from strobewise import Options
from strobewise.bus.calibration import NOTHING_KNOWN
from strobewise.bus.lines import ADDRESS, BIT, DATA, STROBES, pin_text
from strobewise.bus.model import KIND_INDEX
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.diagnosis.facade import diagnose
from strobewise.evidence import slow_leads
from strobewise.evidence.strobe_leads import Stretch
from strobewise.identify.bus_leads import Buses, Change, counting, relabel_buses
from strobewise.identify.program_fit import Program
from strobewise.machine import BusRequest, Press, Scenario, fault
from strobewise.machine.simulate import simulate
from strobewise.records.evidence import LineEvidence

FETCH, READ, WRITE = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write"))
EVERY_PAIR = list(combinations((*STROBES, "CLK", *ADDRESS, *DATA), 2))


def examined(tmp_path, maps=(), **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**{"lines": "full", "duration_s": 0.002, **settings}).write_vcd(file)
    return diagnose([path], Options(maps=tuple(maps)))


def found(said):
    return [f for f in said.findings if f.rule == "leads-swapped"]


def blamed(said):
    return {line for f in said.findings if f.severity == "fault" for line in f.lines}


# --- the program as a witness ---------------------------------------------------------------------------------------------


def cycles(*rows):
    """Return columns of (kind, address, data), a tail of NOPs behind them."""
    at = rows[-1][1] + 1
    rows = [*rows, *((FETCH, at + k, 0x00) for k in range(12))]
    return (np.array(column) for column in zip(*rows, strict=True))


def fit(*rows):
    kind, address, data = cycles(*rows)
    return Program(kind).fit(data, address)


@pytest.mark.parametrize(
    "rows",
    [
        [(FETCH, 0x10, 0xC3), (READ, 0x11, 0x34), (READ, 0x12, 0x12), (FETCH, 0x1234, 0x00)],  # JP 1234h
        [(FETCH, 0x10, 0x18), (READ, 0x11, 0xFE), (FETCH, 0x10, 0x00)],  # JR to itself
        [(FETCH, 0x10, 0x20), (READ, 0x11, 0x05), (FETCH, 0x12, 0x00)],  # JR NZ not taken
        [(FETCH, 0x10, 0xCD), (READ, 0x11, 0x00), (READ, 0x12, 0x20), (WRITE, 0x7FFF, 0x00), (WRITE, 0x7FFE, 0x13), (FETCH, 0x2000, 0)],
        [(FETCH, 0x10, 0xC9), (READ, 0x7FFE, 0x34), (READ, 0x7FFF, 0x12), (FETCH, 0x1234, 0x00)],  # RET
        [(FETCH, 0x10, 0xFF), (WRITE, 0x7FFF, 0x00), (WRITE, 0x7FFE, 0x11), (FETCH, 0x38, 0x00)],  # RST 38h
        [(FETCH, 0x10, 0x3A), (READ, 0x11, 0x00), (READ, 0x12, 0x40), (READ, 0x4000, 0x55), (FETCH, 0x13, 0x00)],  # LD A,(4000h)
        [(FETCH, 0x10, 0xDD), (FETCH, 0x11, 0x77), (READ, 0x12, 0x05), (WRITE, 0x4005, 0x00), (FETCH, 0x13, 0x00)],  # LD (IX+5),A
        [(FETCH, 0x10, 0xDD), (FETCH, 0x11, 0xCB), (READ, 0x12, 1), (READ, 0x13, 0x46), (READ, 0x4001, 9), (FETCH, 0x14, 0)],
        [(FETCH, 0x10, 0xDD), (FETCH, 0x11, 0xDD), (FETCH, 0x12, 0x23), (FETCH, 0x13, 0x00)],  # a useless DD, INC IX
        [(FETCH, 0x10, 0xCB), (FETCH, 0x11, 0xCB), (FETCH, 0x12, 0x00)],  # SET 1,E
        [(FETCH, 0x10, 0xED), (FETCH, 0x11, 0xB0), (READ, 0x4000, 1), (WRITE, 0x5000, 1), (FETCH, 0x10, 0xED), (FETCH, 0x11, 0x44)],  # LDIR
    ],
)
def test_sound_instructions_agree(rows):
    assert fit(*rows).share == 1.0


@pytest.mark.parametrize(
    "rows",
    [
        [(FETCH, 0x10, 0xC3), (READ, 0x11, 0x34), (READ, 0x12, 0x12), (FETCH, 0x1235, 0x00)],  # arrives elsewhere
        [(FETCH, 0x10, 0x20), (READ, 0x11, 0x05), (FETCH, 0x13, 0x00)],  # neither here nor there
        [(FETCH, 0x10, 0xFF), (WRITE, 0x7FFF, 0x00), (WRITE, 0x7FFE, 0x12), (FETCH, 0x38, 0x00)],  # pushes another address
        [(FETCH, 0x10, 0xC9), (READ, 0x7FFE, 0x34), (READ, 0x7FFD, 0x12), (FETCH, 0x1234, 0x00)],  # pops downwards
        [(FETCH, 0x10, 0x3A), (READ, 0x11, 0x00), (READ, 0x12, 0x40), (READ, 0x4001, 0x55), (FETCH, 0x13, 0x00)],
        [(FETCH, 0x10, 0x77), (READ, 0x4000, 0x00), (FETCH, 0x11, 0x00)],  # LD (HL),A reads
        [(FETCH, 0x10, 0x3E), (FETCH, 0x11, 0x00)],  # LD A,n without its n
        [(FETCH, 0x10, 0x06), (READ, 0x13, 0x00), (FETCH, 0x12, 0x00)],  # the operand elsewhere
    ],
)
def test_unsound_ones_do_not(rows):
    assert fit(*rows).agreed == fit(*rows).asked - 1


def test_cycles_alone_judge_too():
    kind, _, data = cycles((FETCH, 0x10, 0x3E), (READ, 0x11, 0x55), (FETCH, 0x12, 0x77), (READ, 0x4000, 0))
    judged = Program(kind).fit(data, None)
    assert judged.asked - judged.agreed == 1


def test_what_is_thrown_away_is_not_judged():
    kind, address, data = cycles((FETCH, 0x10, 0x00), (FETCH, 0x10, 0x76), (FETCH, 0x99, 0x00))
    odd = np.zeros(len(kind), np.bool_)
    odd[:3] = True
    assert Program(kind, odd).fit(data, address).share == 1.0


def test_few_instructions_prove_nothing():
    kind, address, data = cycles((FETCH, 0x10, 0xC3), (READ, 0x11, 0x34), (READ, 0x12, 0x12), (FETCH, 0x4321, 0x00))
    note = np.zeros(len(kind), np.int64)
    assert relabel_buses(Buses(kind, note, note != 0, address, data, np.arange(4)), ()) is None


@pytest.mark.parametrize(("instructions", "told"), [(24, True), (23, False)])
def test_so_many_instructions_tell_that_leads_are_exchanged(instructions, told):
    """Jumps to anywhere, a LD behind every other one; D2 and D5 on each other's pins."""
    rng, rows, at = random.Random(1), [], 0x1000
    for k in range(instructions - 3):  # and three of the NOPs behind them
        if k % 3 == 2:
            rows.append((FETCH, at, 0x40 + k))
            at += 1
        else:
            to = rng.randrange(0xFF00)
            rows += [(FETCH, at, 0xC3), (READ, at + 1, to & 0xFF), (READ, at + 2, to >> 8)]
            at = to
    kind, address, data = cycles(*rows, (FETCH, at, 0x00))
    crossed = data ^ ((data >> 2 ^ data >> 5) & 1) * (1 << 2 | 1 << 5)
    assert Program(kind).fit(crossed, address).asked == instructions
    note = np.zeros(len(kind), np.int64)
    change = relabel_buses(Buses(kind, note, note != 0, address, crossed, np.arange(4)), ())
    assert (change.lines if change else None) == (("D2", "D5") if told else None)


def test_the_refresh_counter_alone():
    count = np.arange(400)
    crossed = count ^ ((count >> 2 ^ count >> 4) & 1) * (1 << 2 | 1 << 4)
    kind, address, note = np.full(4, FETCH), np.zeros(4, np.int64), np.zeros(4, np.int64)
    change = relabel_buses(Buses(kind, note, note != 0, address, None, crossed), ())
    assert change is not None and change.lines == ("A2", "A4") and change.witness == "refreshes"
    assert relabel_buses(Buses(kind, note, note != 0, address, None, count), ()) is None
    assert counting(count) == 1.0 and counting(crossed) < 0.9


def test_a_change_works_both_ways():
    kind, address, data = cycles((FETCH, 0x1234, 0x56), (READ, 0x00FF, 0xA5))
    note = np.zeros(len(kind), np.int64)
    buses = Buses(kind, note, note != 0, address, data, address)
    for change in (Change((3, 5), False), Change((2, 20), False), Change((7,), True), Change((17, 22), False), Change((16,), True)):
        once = buses.changed(change)
        twice = Buses(kind, note, note != 0, once[1], once[0], once[2]).changed(change)
        assert np.array_equal(twice[0], data) and np.array_equal(twice[1], address)


# --- whole captures ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pair", random.Random(11).sample(EVERY_PAIR, 24), ids="-".join)
def test_any_two_leads_on_each_others_pins(tmp_path, pair):
    said = examined(tmp_path, faults=[fault("leads-swapped", lines=list(pair))], duration_s=0.003)
    assert said.verdict.state == "fault"
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert set(pair) <= blamed(said) and len(blamed(said)) <= 4


@pytest.mark.parametrize("line", [*STROBES, "CLK", "A0", "A3", "A6", "A9", "A15", "D0", "D5", "D7"])
def test_any_inverted_lead(tmp_path, line):
    said = examined(tmp_path, faults=[fault("lead-inverted", line=line)], duration_s=0.003)
    assert said.verdict.state == "fault"
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert blamed(said) == {line}


@pytest.mark.parametrize("pair", [("M1", "MREQ")])
def test_two_channels(tmp_path, pair):
    said = examined(tmp_path, lines="two", faults=[fault("leads-swapped", lines=list(pair))])
    assert [set(f.lines) for f in found(said)] == [set(pair)]


@pytest.mark.parametrize("pair", [("RD", "WR"), ("M1", "RFSH"), ("MREQ", "IORQ"), ("M1", "RESET"), ("CLK", "RD")], ids="-".join)
def test_eight_channels(tmp_path, pair):
    said = examined(tmp_path, lines="eight", faults=[fault("leads-swapped", lines=list(pair))])
    assert [set(f.lines) for f in found(said)] == [set(pair)]


SLOW = [
    (("HALT",), {"contents": "doze"}),
    (("INT",), {}),
    (("NMI",), {"presses": [Press("NMI", 0.001)]}),
    (("BUSREQ",), {"bus_requests": [BusRequest(600, 900)]}),
    (("BUSACK",), {"bus_requests": [BusRequest(600, 900)]}),
    (("INT", "NMI"), {}),
    (("BUSREQ", "BUSACK"), {"bus_requests": [BusRequest(600, 900)]}),
]


@pytest.mark.parametrize(("lines", "settings"), SLOW, ids=lambda value: "-".join(value) if isinstance(value, tuple) else "")
def test_lines_that_move_seldom(tmp_path, lines, settings):
    if "contents" in settings:
        settings = {"contents": ((0, Scenario().demo(settings["contents"])),)}
    wrong = fault("lead-inverted", line=lines[0]) if len(lines) == 1 else fault("leads-swapped", lines=list(lines))
    said = examined(tmp_path, faults=[wrong], duration_s=0.008, **settings)
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "probe_or_capture"
    assert blamed(said) == set(lines)


@pytest.mark.parametrize("lines", [("A3", "A9"), ("D2", "D6"), ("RD", "WR")], ids="-".join)
def test_the_mapping_that_it_offers_puts_it_right(tmp_path, lines):
    wrong = [fault("leads-swapped", lines=list(lines))]
    said = examined(tmp_path, faults=wrong, duration_s=0.003)
    (finding,) = found(said)
    words = finding.next_step.split()
    maps = [words[k + 1].strip(".,") for k, word in enumerate(words) if word == "--map"]
    assert len(maps) == 2
    assert examined(tmp_path, maps, faults=wrong, duration_s=0.003).verdict.state == "no_fault_found"


@pytest.mark.parametrize(
    "wrong",
    [
        fault("dead-low", line="M1"), fault("dead-high", line="RD"), fault("floating", line="WR"), fault("floating", line="MREQ"),
        fault("shorted", lines=["A3", "A4"]), fault("shorted", lines=["MREQ", "IORQ"]), fault("dead-low", line="A5"),
        fault("cpu-data-in-stuck", bit=4, level="high"), fault("cpu-data-in-stuck", bit=2, level="low"),
        fault("rom-absent"), fault("glitches"), fault("lead-off", line="A3"),
    ],
    ids=lambda wrong: f"{wrong.kind}-{list(wrong.parameters.values())[:1]}",
)  # fmt: skip
@pytest.mark.parametrize("lines", ["full", "sixteen"])
def test_other_faults_are_not_laid_on_the_labels(tmp_path, wrong, lines):
    assert found(examined(tmp_path, lines=lines, faults=[wrong])) == []


@pytest.mark.parametrize("seed", range(6))
def test_healthy_machines(tmp_path, seed):
    lines = ("full", "full", "sixteen", "eight", "two", "control")[seed]
    said = examined(
        tmp_path, lines=lines, seed=seed, duration_s=0.004, bus_requests=[BusRequest(700, 2500)], presses=[Press("NMI", 0.002)],
        pull_ups=bool(seed % 2),
    )  # fmt: skip
    assert found(said) == [] and said.verdict.state == "no_fault_found"


@pytest.mark.parametrize(("label", "line"), [("M1", "RFSH"), ("M1", "RD"), ("WR", "RFSH"), ("RFSH", "M1")])
def test_a_strobe_on_the_pin_of_a_line_that_is_not_captured(label, line):
    """The lead is blamed, not the CPU, and both pins are named."""
    path = TRACES / "good" / "healthy-full.vcd.gz"
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels).channels
    said = diagnose([path], Options(maps=(f"{label}={channels[line]}", f"{line}=none")))
    assert [(f.rule, f.lines) for f in said.findings if f.severity == "fault"] == [("leads-swapped", (label,))]
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert f"on {pin_text(line)} and put it on {pin_text(label)}" in said.verdict.next_steps[0]


def test_a_dead_strobe_behaves_like_nothing_else(tmp_path):
    for kind in ("dead-high", "dead-low", "floating"):
        path = tmp_path / "dead.vcd"
        with open(path, "w", encoding="ascii") as file:
            simulate(lines=("CLK", "M1", "MREQ", "IORQ", "WR"), faults=[fault(kind, line="M1")]).write_vcd(file)
        said = diagnose([path])
        assert "leads-swapped" not in {f.rule for f in said.findings} and "M1" in {line for f in said.findings for line in f.lines}


def test_the_lead_that_sits_on_the_other_pin_goes_to_its_own():
    with open_capture(str(TRACES / "good" / "healthy-full.vcd.gz")) as capture:
        channels = map_channels(capture.header.channels).channels
    said = diagnose([TRACES / "good" / "healthy-full.vcd.gz"], Options(maps=(f"A3={channels['A4']}", f"A4={channels['A3']}")))
    step = said.verdict.next_steps[0]
    assert "put the lead labelled A3 on A3 (pin 33) and the one labelled A4 on A4 (pin 34)" in step
    assert f"--map A3={channels['A3']} --map A4={channels['A4']}" in step


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_said_of_leads_where_a_strobe_may_fall_between_two_samples(tmp_path, seed):
    path = tmp_path / "coarse.vcd"
    for sample_hz in (2_000_000, 4_000_000):
        with open(path, "w", encoding="ascii") as file:
            simulate(lines="eight", sample_hz=sample_hz, duration_s=0.006, seed=seed).write_vcd(file)
        assert not [f for f in diagnose([path]).findings if f.severity == "fault"]


def interrupts_captured(request, gone):
    """Return the evidence and the levels of one acknowledge at 20 ticks, /INT high in between and low from `gone` on, as if inverted."""
    lines = ("M1", "MREQ", "IORQ", "INT")
    high = sum(1 << BIT[name] for name in lines)
    both = 1 << BIT["M1"] | 1 << BIT["IORQ"]
    at = {0: set(), request: {"INT"}, gone: set(), 20: {"ack"}, 40: set()}
    times, words = [], []
    for time in sorted(at):
        asked = request <= time < gone
        low = both if 20 <= time < 40 else 0
        times.append(time)
        words.append(high & ~low & ~(0 if asked else 1 << BIT["INT"]))
    stretch = Stretch(frozenset(lines), np.array(times), np.array(words, np.uint64), NOTHING_KNOWN, 1e-7, 1.0)
    evidence = evidence_of(captured=frozenset(lines), end_s=1e-5)
    evidence.cycles["interrupt_acknowledge"] = 1
    evidence.lines["INT"] = LineEvidence("INT", edges=2, high_fraction=0.1, asserted_s=9e-6)
    return evidence, stretch


@pytest.mark.parametrize(("request_at", "gone", "inverted"), [(10, 30, True), (10, 20, True), (10, 12, False)])
def test_an_interrupt_line_that_is_high_when_it_is_answered_is_inverted(request_at, gone, inverted):
    """A request may end in the very sample in which the acknowledge begins; one that is long over asked for nothing."""
    told = slow_leads._interrupt(*interrupts_captured(request_at, gone))
    assert (told is not None and told.lines == ("INT",) and told.inverted) == inverted


def test_int_may_be_exchanged_with_every_other_line_that_moves_seldom():
    assert {*slow_leads.OTHERS, "INT"} == set(slow_leads.SLOW_LINES)
