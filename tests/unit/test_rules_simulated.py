"""Every rule of the catalogue on a simulated machine: one that trips it, and the same machine, captured the same way, without the fault.

The rules are enumerated, so that a new one without a machine fails here; those that no simulated machine shows say why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from strobewise import Options, diagnose
from strobewise.bus.lines import DATA
from strobewise.bus.model import SUSPECTS, Finding
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, BusRequest, Fault, Press, Scenario, fault, simulate
from strobewise.records.profile import MemoryRegion
from strobewise.rules import CATALOGUE

PAGED = replace(GENERIC, paging=(GENERIC_PAGING,))
QUIET = replace(GENERIC, interrupt_period_t_states=None)
STOPS = ((0, Scenario().demo("stop")),)
#: LD B,20 / LD HL,5000h / INC (HL) / INC HL / DJNZ, then JP 3000h, where this machine has no memory.
LOST = ((0, bytes.fromhex("F3 31 00 80 06 14 21 00 50 34 23 10 FC C3 00 30")),)
#: LD SP,8000h / PUSH HL, 150 times / JP 0
PUSHES = ((0, b"\x31\x00\x80" + b"\xe5" * 150 + b"\xc3\x00\x00"),)
#: The same, then JP 6000h: RAM that nothing has written. And one that first copies 64 bytes of its own, NOPs and a RET, to it.
UNWRITTEN = ((0, LOST[0][1][:-1] + b"\x60"),)
COPIES = ((0, bytes.fromhex("F3 31 00 80 21 00 01 11 00 60 01 40 00 ED B0 CD 00 60 18 FB")), (0x100, bytes(63) + b"\xc9"))
#: JP 2100h, where nothing answers and the bus keeps its last byte; a walk of a page and more leads to RAM.
WALKS = ((0, bytes.fromhex("F3 C3 00 3D 00")),)
#: LD SP,8000h / LD HL,0 / PUSH HL / RET
RETURNS = ((0, bytes.fromhex("31 00 80 21 00 00 E5 C9")),)
UNPUSHED = ((0, bytes.fromhex("31 F0 7F C9")),)  # LD SP,7FF0h / RET
#: JP 1000h, where FFh stands up to the end, with PUSH AF / POP AF / RET at 0038h; and the same with JR back to one RST 38h.
RESTARTS = ((0, (b"\x31\x00\x80\xc3\x00\x10" + bytes(0x32) + b"\xf5\xf1\xc9").ljust(0x2000, b"\xff")),)
CALLS = ((0, RESTARTS[0][1][:0x1001] + b"\x18\xfd"),)
MAPPED = replace(QUIET, memory=(*GENERIC.memory, MemoryRegion("nothing", 0x2000, 0x3FFF)))
#: LD SP,8000h, then INC HL three times, PUSH HL and JR back; and the loop that fills memory: LD B,0 / PUSH HL, six times / DJNZ
GROWS = ((0, bytes.fromhex("31 00 80 23 23 23 E5 18 FA")),)
FILLS = ((0, bytes.fromhex("31 00 80 06 00 E5 E5 E5 E5 E5 E5 10 F8 18 F4")),)
DATA_ONLY = ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", *DATA)
NO_RESET = tuple(name for name in LINE_SETS["full"] if name != "RESET")
NO_CLOCK = tuple(name for name in LINE_SETS["full"] if name != "CLK")  # without it nothing tells that data are late
WITH_HALT = ("CLK", "M1", "MREQ", "RD", "WR", "RFSH", "HALT")
NOPS = ((0, b"\xf3" + bytes(0x1FFF)),)


@dataclass(frozen=True)
class Shown:
    """A machine that trips a rule. `settings` say how it is built and captured, fault or not; `wrong` what its healthy twin has not."""

    faults: tuple[Fault, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)
    wrong: dict[str, Any] = field(default_factory=dict)

    def findings(self, tmp_path: Path, healthy: bool) -> Sequence[Finding]:
        """Return what is found of the machine, or of its healthy twin."""
        settings = {"lines": "full", **self.settings, **({} if healthy else {"faults": self.faults, **self.wrong})}
        path = tmp_path / "capture.vcd"
        with open(path, "w", encoding="ascii") as file:
            simulate(**settings).write_vcd(file)
        machine = settings.get("machine", GENERIC)
        options = Options(clock_hz=machine.clock_hz, profile=machine if machine.paging or machine == MAPPED else None)
        return diagnose([path], options).findings


def on(leads: str, kind: str, **parameters: Any) -> Shown:
    return Shown((fault(kind, **parameters),), {"lines": leads})


def device(kind: str, **parameters: Any) -> Shown:
    return Shown((fault(kind, **parameters),), {"lines": "full_port", "machine": PAGED})


SHOWN = {
    "reads-all-ff": on("full", "rom-absent"),
    "reads-all-alike": on("full", "dead-low", line="D0"),
    "lost-its-way": Shown(settings={"machine": QUIET}, wrong={"contents": LOST}),
    "restarts-without-end": on("eight", "rom-absent"),
    "one-instruction": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": ((0, b"\xc3\x00\x00"),)}),
    "goes-on-without-jump": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": RESTARTS}),
    "stack-grows": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": GROWS}),
    "interrupts-without-pause": on("eight", "int-held"),
    "fetches-only": Shown(settings={"lines": WITH_HALT, "machine": QUIET}, wrong={"contents": NOPS}),
    "fetches-nowhere": Shown(settings={"machine": MAPPED, "pull_ups": False}, wrong={"contents": LOST}),
    "runs-unwritten": Shown(settings={"machine": MAPPED, "seed": 2}, wrong={"contents": UNWRITTEN}),
    "walks-nowhere": Shown(settings={"machine": MAPPED, "pull_ups": False}, wrong={"contents": WALKS}),
    "returns-to-start": Shown(settings={"machine": QUIET}, wrong={"contents": RETURNS}),
    "returns-unpushed": Shown(settings={"machine": MAPPED}, wrong={"contents": UNPUSHED}),
    "ram-read-otherwise": on("full", "ram-multiplexer-stuck"),
    "reads-one-byte": Shown(
        settings={"machine": MAPPED, "lines": DATA_ONLY, "pull_ups": False, "duration_s": 0.0008}, wrong={"contents": WALKS}
    ),
    "data-line-still": on("sixteen", "dead-low", line="D4"),
    "reads-otherwise": on("full", "reads-fought", chip="rom", probability=0.01),
    "clock-slips": on("eight", "samples-lost"),
    "nmi-bounces": Shown(wrong={"presses": [Press("NMI", 0.0005 + k * 1.2e-5, 6e-6) for k in range(4)]}),
    "rises-late": on("eight", "threshold-off", ns=60),
    "bytes-not-obeyed": on("sixteen", "cpu-data-in-stuck", bit=0),
    "told-ram-wrong": on("sixteen", "ram-bit-dead", bit=3),
    "told-rom-wrong": on("sixteen", "dead-low", line="A3"),
    "stored-otherwise": on("sixteen", "cpu-data-out-stuck", bit=5),
    "starts-again": Shown((fault("reset-loop", period_s=0.0004),), {"lines": NO_RESET}),
    "data-line-stuck": on("full", "dead-high", line="D3"),
    "data-line-unsteady": on("full", "floating", line="D3"),
    "reads-unsteady": Shown((fault("late-data", chip="rom", probability=0.3),), {"lines": NO_CLOCK}),
    "ram-bit-dead": on("full", "ram-bit-dead", bit=2),
    "ram-bank-missing": on("full", "ram-missing"),
    "ram-unsteady": on("full", "ram-cells-weak", bit=2, probability=0.1),
    "return-address-differs": on("full", "ram-cells-weak", bit=2, probability=0.005),
    "lines-shorted": on("full", "shorted", lines=["D3", "D4"]),
    "address-line-stuck": on("full", "dead-high", line="A3"),
    "address-line-unsteady": on("full", "floating", line="A3"),
    "data-output-contradicted": on("full", "cpu-data-out-stuck", bit=0, level="high"),
    "fetch-strobe-missing": on("eight", "dead-high", line="M1"),
    "refresh-strobe-missing": on("eight", "dead-low", line="RFSH"),
    "memory-request-missing": on("eight", "dead-high", line="MREQ"),
    "io-request-missing": on("eight", "dead-high", line="IORQ"),
    "read-strobe-missing": on("eight", "dead-high", line="RD", at="probe"),
    "write-strobe-missing": on("eight", "dead-high", line="WR"),
    "capture-too-coarse": Shown(settings={"lines": "eight"}, wrong={"sample_hz": 4_000_000}),
    "spikes": on("eight", "glitches", per_ms=900),
    "no-requests": on("eight", "busreq-held"),
    "went-silent": on("eight", "wait-held", after_s=0.001),
    "io-request-conflict": on("eight", "dead-low", line="IORQ"),
    "unlabelled-channels": Shown(settings={"lines": "two"}, wrong={"names": "channels"}),
    "clock-stopped": on("eight", "clock-dead", after_s=0.001),
    "clock-pauses": on("eight", "samples-lost", close=False),
    "clock-off-frequency": on("eight", "clock-slow"),
    "clock-jitter": on("eight", "clock-jitter", ns=60),
    "clock-too-slow": Shown((fault("clock-slow", ratio=0.01),), {"lines": "eight", "duration_s": 0.02, "sample_hz": 16_000_000}),
    "data-late": on("full", "late-data", chip="rom", probability=0.1),
    "nmi-storm": Shown(wrong={"presses": [Press("NMI", 0.0005 + k * 2e-6, 1e-6) for k in range(80)]}),
    "clock-inverted": on("eight", "lead-inverted", line="CLK"),
    "paging-not-triggered": device("dead-high", line="M1"),
    "paging-device-silent": device("device-silent"),
    "nmi-not-answered": Shown((fault("dead-high", line="NMI", at="cpu"),), {"presses": [Press("NMI", 0.001)]}),
    "reset-held": on("full", "reset-held"),
    "reset-loop": on("eight", "reset-loop", period_s=0.0003),
    "wait-held": on("full", "wait-held", after_s=0.001),
    "bus-request-held": on("full", "busreq-held"),
    "interrupt-held": on("full", "int-held"),
    "nmi-held": on("full", "nmi-held"),
    "halt-line-contradicted": on("full", "dead-low", line="HALT"),
    "halted-for-good": Shown(settings={"machine": QUIET, "duration_s": 0.06, "sample_hz": 12_000_000}, wrong={"contents": STOPS}),
    "leads-swapped": on("full", "lead-inverted", line="M1"),
    "program-misread": on("full", "lead-off", line="D3"),
    "written-byte-contradicted": on("full", "cpu-data-out-stuck", bit=4),
    "address-contradicted": on("full", "dead-low", line="A12"),
    "program-contradicted": on("full", "dead-high", line="D6"),
    "slow-strobe": Shown(tuple(fault("lead-skewed", line=line, ns=150) for line in ("M1", "WR")), {"lines": "full"}),
    "one-strobe-late": on("eight", "lead-skewed", line="RD", ns=90),
    "refresh-starved": Shown(settings={"duration_s": 0.012}, wrong={"bus_requests": [BusRequest(3000, None, 20_000)]}),
}  # fmt: skip

_VOLTS = "the simulated analyser records levels, no volts: test_rules_volts.py writes scope captures"
_RARE = "an explanation that comes behind others, which speak on every simulated machine: hand-made evidence in the tests of its family"
#: Rules that no simulated machine of SHOWN trips, with the reason.
NOT_SHOWN = {
    "weak-level": _VOLTS, "level-between": _VOLTS, "slow-edges": _VOLTS, "ringing": _VOLTS, "strobe-good": _VOLTS,
    "capture-damaged": "the simulated analyser writes whole files: test_rules.py gives it what a reader passed over",
    "rom-against-itself": "a machine whose ROM is wrong in a whole line runs into nothing before it has read enough: hand-made evidence",
    "reads-all-00": "an undriven data bus of the simulated board rises or keeps its level, it never falls: hand-made evidence",
    "requests-without-fetch": "where leads hide the fetches, the simulated bus shows the leads' own fault first: hand-made evidence",
    "program-names-fault": "needs a known program: test_replay.py",
    "program-left": "needs a known program: test_replay.py",
    "free-run-count": "needs a free run: test_free_run.py", "free-run-byte": "needs a free run: test_free_run.py",
    "rom-content": "needs the ROM's image as a file: test_rom_content.py",
    "stack-differs": "told-ram-wrong looks closer and speaks wherever the program tells its addresses: hand-made evidence",
    "data-lead-off": _RARE, "data-input-contradicted": _RARE, "operands-contradicted": _RARE, "leads-crossed": _RARE,
    "paging-not-released": "a device that stays derails this host's program before the release is due: hand-made evidence",
    "rom-disable-not-obeyed": "two ROMs that fight derail this host's program: hand-made evidence",
    "interrupt-rate": "the profile's own interrupt is what the machine simulates: test_timing_evidence.py",
}  # fmt: skip


def test_every_rule_has_its_machine_or_a_reason():
    every = [rule.id for rule in CATALOGUE]
    assert len(every) == len(set(every))
    assert set(every) == set(SHOWN) | set(NOT_SHOWN)
    assert not set(SHOWN) & set(NOT_SHOWN)


@pytest.mark.parametrize("rule", SHOWN)
def test_the_machine_trips_the_rule(tmp_path, rule):
    found = SHOWN[rule].findings(tmp_path, healthy=False)
    assert rule in [finding.rule for finding in found]
    for each in found:  # and whatever else speaks says nothing impossible
        assert 0 < each.confidence <= 1, each.rule
        assert each.suspect in SUSPECTS and each.evidence and each.next_step, each.rule
        assert all(0 < share.confidence <= 1 for share in each.suspects) and sum(s.confidence for s in each.suspects) <= 1.0001, each.rule
        assert each.first_s is None or each.last_s is None or each.first_s <= each.last_s, each.rule


@pytest.mark.parametrize("rule", SHOWN)
def test_its_healthy_twin_trips_nothing(tmp_path, rule):
    assert [finding.rule for finding in SHOWN[rule].findings(tmp_path, healthy=True) if finding.severity != "note"] == []


LAG_NS = 40  #: a lead's lag, or a slow gate's: every edge comes late, none is missing


def lagging(leads: str, line: str, **settings: Any) -> Shown:
    return Shown((fault("lead-skewed", line=line, ns=LAG_NS),), {"lines": leads, **settings})


#: Rule -> what comes close and is none: the same kind of fault where it does no harm yet, as much as a good machine has of it, or a
#: neighbouring fault, which another rule tells.
NEAR_MISSES = {
    "reads-all-ff": on("full", "ram-missing"),
    "reads-all-alike": on("full", "rom-data-stuck", bit=3, level="high"),
    "data-line-stuck": on("full", "ram-bit-dead", bit=3),
    "data-line-unsteady": lagging("full", "D3"),
    "reads-unsteady": on("full", "rom-bit-flipped", address=0x40),
    "lost-its-way": Shown(settings={"machine": QUIET}, wrong={"contents": ((0, LOST[0][1].replace(b"\x30", b"\x00")),)}),
    "fetches-nowhere": Shown(settings={"machine": MAPPED}, wrong={"contents": ((0, LOST[0][1].replace(b"\x30", b"\x00")),)}),
    "runs-unwritten": Shown(settings={"machine": MAPPED}, wrong={"contents": COPIES}),
    "walks-nowhere": Shown(settings={"machine": MAPPED}, wrong={"contents": LOST}),
    "returns-to-start": Shown(settings={"machine": QUIET}, wrong={"contents": PUSHES}),
    "returns-unpushed": Shown(settings={"machine": MAPPED}, wrong={"contents": COPIES}),
    "ram-read-otherwise": on("full", "rom-bit-flipped", address=0x1F00),
    "reads-one-byte": Shown(settings={"machine": QUIET, "lines": DATA_ONLY}, wrong={"contents": STOPS}),
    "data-line-still": on("sixteen", "cpu-data-out-stuck", bit=4),
    "reads-otherwise": on("full", "ram-cells-weak", bit=2, probability=0.1),
    "clock-slips": Shown(wrong={"jitter_ns": 6.0}, settings={"lines": "eight"}),
    "nmi-bounces": Shown(wrong={"presses": [Press("NMI", 0.0005 + k * 2.2e-5, 6e-6) for k in range(4)]}),
    "rises-late": on("eight", "threshold-off", ns=25),
    "bytes-not-obeyed": lagging("sixteen", "D0"),
    "told-ram-wrong": on("sixteen", "rom-bit-flipped", address=0x1F00),
    "told-rom-wrong": on("sixteen", "rom-bit-flipped", address=0x40),
    "stored-otherwise": on("sixteen", "ram-bit-dead", bit=5),
    "starts-again": Shown(settings={"lines": NO_RESET}, wrong={"presses": [Press("RESET", 0.0008), Press("RESET", 0.0016)]}),
    "one-instruction": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": ((0, b"\x00\xc3\x00\x00"),)}),
    "goes-on-without-jump": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": CALLS}),
    "stack-grows": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": FILLS}),
    "interrupts-without-pause": Shown(settings={"lines": "eight", "machine": replace(GENERIC, interrupt_period_t_states=400)}),
    "fetches-only": Shown(settings={"machine": QUIET, "lines": WITH_HALT}, wrong={"contents": STOPS}),
    "restarts-without-end": Shown(settings={"lines": "eight", "machine": QUIET}, wrong={"contents": PUSHES}),
    "ram-bit-dead": on("full", "rom-bit-flipped", address=0x1F00),
    "ram-bank-missing": on("full", "ram-bit-dead", bit=2),
    "ram-unsteady": on("full", "rom-bit-flipped", address=0x1F00),
    "data-late": lagging("full", "CLK"),
    "clock-too-slow": on("eight", "clock-slow", ratio=0.1),
    "nmi-storm": Shown(wrong={"presses": [Press("NMI", 0.0005 + k * 8e-6, 1e-6) for k in range(80)]}),
    "return-address-differs": on("full", "ram-cells-weak", bit=2, start=0x4000, end=0xBFFF),
    "lines-shorted": on("full", "dead-low", line="D3"),
    "address-line-stuck": on("full", "shorted", lines=["A3", "A4"]),
    "address-line-unsteady": on("full", "dead-high", line="A3"),
    "data-output-contradicted": on("full", "ram-bit-dead", bit=0, level="high"),
    "fetch-strobe-missing": lagging("eight", "M1"),
    "refresh-strobe-missing": lagging("eight", "RFSH"),
    "memory-request-missing": lagging("eight", "MREQ"),
    "io-request-missing": lagging("eight", "IORQ"),
    "read-strobe-missing": lagging("eight", "RD"),
    "write-strobe-missing": lagging("eight", "WR"),
    "capture-too-coarse": Shown(wrong={"sample_hz": 16_000_000}, settings={"lines": "eight"}),
    "spikes": on("eight", "glitches", per_ms=0.1),
    "no-requests": Shown(settings={"lines": "eight"}, wrong={"bus_requests": [BusRequest(100, None, 6000)]}),
    "went-silent": Shown(settings={"lines": "eight"}, wrong={"presses": [Press("WAIT", 0.001, 0.0005)]}),
    "io-request-conflict": lagging("eight", "IORQ"),
    "unlabelled-channels": Shown(settings={"lines": "two"}, wrong={"names": "lower_n_suffix"}),
    "clock-stopped": on("eight", "samples-lost", close=False),
    "clock-pauses": on("eight", "clock-jitter", ns=10),
    "clock-off-frequency": on("eight", "clock-slow", ratio=0.99),
    "clock-jitter": on("eight", "clock-jitter", ns=10),
    "clock-inverted": lagging("eight", "CLK"),
    "paging-not-triggered": device("device-silent"),
    "paging-device-silent": device("dead-high", line="M1"),
    "nmi-not-answered": Shown(settings={"presses": [Press("NMI", 0.001)]}),
    "reset-held": Shown(wrong={"presses": [Press("RESET", 0.001, 0.0005)]}),
    "reset-loop": Shown(wrong={"presses": [Press("RESET", 0.0008), Press("RESET", 0.0016)]}),
    "wait-held": Shown(wrong={"presses": [Press("WAIT", 0.001, 0.00005)]}),
    "bus-request-held": Shown(wrong={"bus_requests": [BusRequest(3000, 5000, 2000)]}),
    "interrupt-held": Shown(settings={"machine": replace(GENERIC, interrupt_period_t_states=4_000)}),
    "nmi-held": Shown(wrong={"presses": [Press("NMI", 0.001, 0.0005)]}),
    "halt-line-contradicted": Shown(settings={"machine": QUIET}, wrong={"contents": STOPS}),
    "halted-for-good": Shown(wrong={"contents": ((0, Scenario().demo("doze")),), "duration_s": 0.06, "sample_hz": 12_000_000}),
    "leads-swapped": on("full", "dead-high", line="M1"),
    "program-misread": lagging("full", "D3"),
    "written-byte-contradicted": on("full", "ram-bit-dead", bit=4),
    "address-contradicted": on("full", "dead-low", line="A12", at="connector"),
    "program-contradicted": on("full", "ram-bit-dead", bit=6),
    "slow-strobe": on("full", "lead-skewed", line="M1", ns=30),
    "one-strobe-late": Shown(tuple(fault("lead-skewed", line=line, ns=90) for line in ("M1", "RD")), {"lines": "eight"}),
    "refresh-starved": Shown(wrong={"bus_requests": [BusRequest(3000, None, 3000)]}),
}  # fmt: skip


def test_every_machine_has_a_near_miss():
    assert set(NEAR_MISSES) == set(SHOWN)


@pytest.mark.parametrize("rule", NEAR_MISSES)
def test_a_near_miss_does_not_trip_it(tmp_path, rule):
    assert rule not in [finding.rule for finding in NEAR_MISSES[rule].findings(tmp_path, healthy=False)]
