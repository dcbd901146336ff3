"""Which moment shows a rule best: the simulated machine's healthy and faulty run, and the lines to draw of them.

The pictures come from the machine model at the time of asking, so they say what the model does, not what somebody drew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from strobewise.bus.lines import ADDRESS, CONTROL, DATA
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, BusRequest, Fault, Press, SimulatedCapture, fault, simulate
from strobewise.machine.programs import assemble
from strobewise.rules.base import Rule
from strobewise_cli.render.waveform_text import Mark, Stretch

SAMPLES_A_T_STATE = 24
DURATION_S = 0.0004  #: some loops of the program
LEAD_IN_T = 4  #: T-states drawn before a moment that is given

#: A loop that does one of each: write, read back, output, input, and a byte from an address that the device watches.
PROGRAM = assemble("""
    F3 31 F0 FF ED 56 FB    ; DI / LD SP,0FFF0h / IM 1 / EI
loop:
    21 23 81                ; LD HL,8123h
    36 A5                   ; LD (HL),0A5h
    7E                      ; LD A,(HL)
    D3 43                   ; OUT (43h),A
    DB 43                   ; IN A,(43h)
    F7                      ; RST 30h
    CD 58 00                ; CALL 0058h
    18 >loop                ; JR loop
*0030 C9                    ; RET
*0038 FB ED 4D              ; EI / RETI
*0058 C9                    ; RET
*0066 ED 45                 ; RETN
""", {})  # fmt: skip
STOPS = assemble("F3 21 23 81 36 A5 76", {})  #: DI / LD HL,8123h / LD (HL),0A5h / HALT

FETCH, READ, WRITE = "opcode_fetch", "memory_read", "memory_write"
STORE = (FETCH, READ, WRITE)  # LD (HL),n
STORE_LOAD = (*STORE, FETCH, READ)  # LD (HL),n / LD A,(HL)
OUTPUT = (FETCH, READ, "io_write")
ANSWER = ("interrupt_acknowledge", WRITE, WRITE)
PUSHED = (FETCH, WRITE, WRITE)  # RST
VISIT = (FETCH, READ, READ, WRITE, WRITE, FETCH)  # CALL 0058h and what answers there
LEAVE = (FETCH, READ, READ) * 3  # POP AF / JP into the release range / RET
FRAME = ("CLK", "M1", "MREQ", "RD", "WR", "RFSH")
MEMORY = ("MREQ", "RD", "WR", "A", "D")


class Picture(NamedTuple):
    """How to show one rule."""

    lines: tuple[str, ...]  #: rows of the drawing; "A" and "D" are the buses
    cycles: tuple[str, ...] = STORE  #: the run of machine cycles to show
    faults: tuple[Fault, ...] = ()
    changes: Mapping[str, Any] = {}  #: of the scenario in both runs
    faulty: Mapping[str, Any] = {}  #: of the scenario in the faulty run alone
    by_time: bool = False  #: the faulty run is drawn at the healthy one's moment, whatever the machine does then
    long_t: int | None = None  #: T-states to draw when the cycles are not all that there is to see
    at_s: float | None = None  #: the moment itself, where no run of cycles marks it


class Drawn(NamedTuple):
    """One run, ready to draw."""

    stretch: Stretch
    lines: tuple[str, ...]
    told: tuple[str, ...]  #: what was done to the machine, in words


PRESS_S = 0.0001
_T_S = 1 / (GENERIC.clock_hz or 1)
_PRESSED = {"presses": (Press("NMI", PRESS_S, 10 * _T_S),)}
_PAGED = {"machine": replace(GENERIC, paging=(GENERIC_PAGING,)), "lines": LINE_SETS["full_port"]}
_PAGING = ("M1", "MREQ", "ROMDIS", "A", "D")

PICTURES: dict[str, Picture] = {
    "fetch-strobe-missing": Picture(FRAME, faults=(fault("dead-low", line="M1"),)),
    "refresh-strobe-missing": Picture(FRAME, faults=(fault("dead-high", line="RFSH"),)),
    "memory-request-missing": Picture(FRAME, faults=(fault("dead-high", line="MREQ"),)),
    "read-strobe-missing": Picture(FRAME, faults=(fault("dead-high", line="RD"),), by_time=True),
    "write-strobe-missing": Picture(FRAME, faults=(fault("dead-high", line="WR"),)),
    "io-request-missing": Picture(("M1", "MREQ", "IORQ", "RD", "WR"), OUTPUT, (fault("dead-high", line="IORQ"),)),
    "io-request-conflict": Picture(("MREQ", "IORQ", "RD", "WR"), OUTPUT, (fault("floating", line="IORQ"),)),
    "lines-shorted": Picture(("MREQ", "A0", "A1", "A"), STORE_LOAD, (fault("shorted", lines=["A0", "A1"]),), by_time=True),
    "address-line-stuck": Picture(("MREQ", "RFSH", "A1", "A"), STORE, (fault("lead-off", line="A1"),)),
    "address-line-unsteady": Picture(("MREQ", "RFSH", "A1", "A"), STORE, (fault("floating", line="A1"),), by_time=True),
    "data-lead-off": Picture(("MREQ", "RD", "D0", "D"), STORE_LOAD, (fault("lead-off", line="D0"),)),
    "data-line-stuck": Picture(("MREQ", "RD", "D4", "D"), STORE_LOAD, (fault("dead-low", line="D4", at="line"),)),
    "data-line-unsteady": Picture(("MREQ", "RD", "D0", "D"), STORE_LOAD, (fault("floating", line="D0"),), by_time=True),
    "data-input-contradicted": Picture(MEMORY, STORE_LOAD, (fault("cpu-data-in-stuck", bit=0, level="low"),)),
    "data-output-contradicted": Picture(MEMORY, STORE_LOAD, (fault("cpu-data-out-stuck", bit=0, level="low"),)),
    "ram-bit-dead": Picture(MEMORY, STORE_LOAD, (fault("ram-bit-dead", bit=2, level="low"),)),
    "ram-bank-missing": Picture(MEMORY, STORE_LOAD, (fault("ram-missing", start=0x8000, end=0xBFFF),)),
    "rom-content": Picture(MEMORY, STORE_LOAD, (fault("rom-bit-flipped", address=0x000B, bit=3),)),
    "reads-unsteady": Picture(MEMORY, STORE_LOAD, (fault("late-data", chip="ram", probability=0.9),)),
    "reads-all-ff": Picture(MEMORY, PUSHED, (fault("rom-absent"),)),
    "reads-all-alike": Picture(MEMORY, STORE, (fault("rom-absent"),), faulty={"pull_ups": False}, by_time=True),
    "operands-contradicted": Picture(MEMORY, STORE_LOAD, (fault("late-data", chip="ram", probability=0.9),)),
    "clock-inverted": Picture(("CLK", "M1", "MREQ", "RD"), STORE, (fault("lead-inverted", line="CLK"),)),
    "leads-swapped": Picture(FRAME, STORE, (fault("leads-swapped", lines=["RD", "WR"]),)),
    "leads-crossed": Picture(("MREQ", "RD", "D0", "D1", "D"), STORE_LOAD, (fault("leads-swapped", lines=["D0", "D1"]),)),
    "program-misread": Picture(MEMORY, STORE_LOAD, (fault("lead-off", line="D0"),)),
    "written-byte-contradicted": Picture(MEMORY, STORE_LOAD, (fault("cpu-data-out-stuck", bit=0, level="low"),)),
    "address-contradicted": Picture(("MREQ", "RD", "WR", "A8", "A"), STORE_LOAD, (fault("dead-low", line="A8"),)),
    "reads-all-00": Picture(MEMORY, STORE, (), faulty={"contents": ((0, bytes(0x2000)),)}, by_time=True),
    "no-requests": Picture(FRAME, faults=(fault("busreq-held"),), by_time=True),
    "went-silent": Picture(("CLK", "M1", "MREQ", "RD"), STORE_LOAD, faulty={"after": "wait-held"}, by_time=True),
    "requests-without-fetch": Picture(("M1", "MREQ", "RD", "WR"), STORE, (fault("dead-high", line="RFSH"), fault("lead-off", line="M1"))),
    "capture-too-coarse": Picture(FRAME, faulty={"sample_hz": 8_000_000}),
    "spikes": Picture(FRAME, STORE, (fault("glitches", per_ms=900),), by_time=True),
    "clock-stopped": Picture(("CLK", "M1", "MREQ", "RD"), STORE, faulty={"after": "clock-dead"}, by_time=True),
    "clock-off-frequency": Picture(("CLK", "M1", "MREQ", "RD"), (FETCH,), (fault("clock-slow", ratio=0.5),), by_time=True, long_t=8),
    "clock-jitter": Picture(("CLK", "M1", "MREQ", "RD"), STORE, (fault("clock-jitter", ns=60),), by_time=True),
    "slow-strobe": Picture(("CLK", "M1", "MREQ", "RD"), STORE, (fault("lead-skewed", line="MREQ", ns=150),)),
    "reset-held": Picture(("CLK", "RESET", "M1", "MREQ"), STORE, (fault("reset-held"),), by_time=True),
    "reset-loop": Picture(("RESET", "M1", "MREQ"), (FETCH,), (fault("reset-loop", period_s=1e-5, hold_s=2e-6),), by_time=True, long_t=66),
    "wait-held": Picture(("CLK", "WAIT", "MREQ", "RD"), STORE_LOAD, faulty={"after": "wait-held"}, by_time=True),
    "bus-request-held": Picture(("BUSREQ", "BUSACK", "MREQ", "RD"), STORE_LOAD, faulty={"after": "busreq-held"}, by_time=True,
                                changes={"bus_requests": (BusRequest(60, 62, 6),)}),
    "interrupt-held": Picture(("INT", "M1", "IORQ"), ANSWER, (fault("int-held"),), long_t=66),
    "halt-line-contradicted": Picture(("HALT", "M1", "MREQ", "RD", "WR"), STORE, (fault("dead-low", line="HALT"),)),
    "halted-for-good": Picture(("HALT", "M1", "MREQ", "A"), STORE_LOAD, faulty={"contents": ((0, STOPS),)}),
    "nmi-held": Picture(("NMI", "M1", "MREQ", "A"), PUSHED, (fault("nmi-held"),), by_time=True, long_t=33,
                        changes=_PRESSED, at_s=PRESS_S),
    "nmi-not-answered": Picture(("NMI", "M1", "MREQ", "A"), PUSHED, (fault("dead-high", line="NMI", at="cpu"),), by_time=True,
                                changes=_PRESSED, at_s=PRESS_S, long_t=33),
    "paging-not-triggered": Picture(_PAGING, VISIT, (fault("dead-high", line="M1"),), changes=_PAGED, long_t=21),
    "paging-device-silent": Picture(_PAGING, VISIT, (fault("device-silent"),), changes=_PAGED, long_t=21),
    "paging-not-released": Picture(_PAGING, LEAVE, (fault("device-never-leaves"),), changes=_PAGED, long_t=33),
    "rom-disable-not-obeyed": Picture(_PAGING, VISIT, (fault("rom-disable-ignored"),), changes=_PAGED, long_t=21),
}  # fmt: skip


def picture_of(rule: Rule) -> Picture:
    """Return the rule's picture; for a rule without one of its own, a healthy run of the lines that it needs or judges."""
    if rule.id in PICTURES:
        return PICTURES[rule.id]
    named = [*rule.judges, *rule.needs[0]]
    lines = [name for name in CONTROL if name in named and name != "ROMDIS"]
    lines = list(dict.fromkeys(["MREQ", "RD", *lines]))
    buses = [bus for bus, names in (("A", ADDRESS), ("D", DATA)) if set(named) & set(names)]
    return Picture((*sorted(lines, key=CONTROL.index), *buses))


def healthy(picture: Picture) -> Drawn:
    """Return the healthy run."""
    run = _run(picture, (), {})
    start, t_states = _moment(picture, run)
    return Drawn(_stretch(run, start, t_states), picture.lines, ())


def faulty(picture: Picture) -> Drawn | None:
    """Return the faulty run, None where the picture has none."""
    if not picture.faults and not picture.faulty:
        return None
    start, t_states = _moment(picture, _run(picture, (), {}))
    changes = dict(picture.faulty)
    faults = picture.faults
    if "after" in changes:
        faults = (fault(changes.pop("after"), after_s=start + (t_states // 3) * _T_S),)
    run = _run(picture, faults, changes)
    if not picture.by_time:
        start, t_states = _moment(picture, run, (start, t_states))
    return Drawn(_stretch(run, start, t_states), picture.lines, (*map(_told, faults), *map(_changed, changes)))


def _told(fault: Fault) -> str:
    values = ", ".join(f"{name} {value}" for name, value in fault.parameters.items() if name != "after_s")
    return f"{fault.kind} ({values})" if values else fault.kind


def _changed(name: str) -> str:
    return {"contents": "another program", "sample_hz": "a slow analyser", "pull_ups": "no pull-ups on the data bus"}[name]


def _run(picture: Picture, faults: tuple[Fault, ...], changes: Mapping[str, Any]) -> SimulatedCapture:
    machine = picture.changes.get("machine", GENERIC)
    quiet = machine.paging or picture.at_s is not None  # no interrupt may come between
    settings: dict[str, Any] = {
        "machine": replace(machine, interrupt_period_t_states=None if quiet else 400),
        "contents": ((0, PROGRAM),),
        "sample_hz": round((GENERIC.clock_hz or 1) * SAMPLES_A_T_STATE),
        "duration_s": DURATION_S,
        "timescale": "1ns",
        "faults": faults,
        **{key: value for key, value in picture.changes.items() if key != "machine"},
        **changes,
    }
    return simulate(**settings)


def _moment(picture: Picture, run: SimulatedCapture, otherwise: tuple[float, int] | None = None) -> tuple[float, int]:
    """Return where the run of cycles begins, in seconds, and how many T-states to draw."""
    if picture.at_s is not None:
        return picture.at_s - LEAD_IN_T * _T_S, picture.long_t or 33
    cycles, wanted = run.truth["cycles"], picture.cycles
    kinds = [cycle["kind"] for cycle in cycles]
    for first in range(len(kinds) - len(wanted) + 1):
        if tuple(kinds[first : first + len(wanted)]) == wanted and (picture.cycles != (FETCH,) or first > 8):
            t_states = sum(cycle["t_states"] for cycle in cycles[first : first + len(wanted)])
            return cycles[first]["start_s"], picture.long_t or t_states
    if otherwise is None:
        raise ValueError("the healthy run does not show the cycles of the picture")
    return otherwise


def _stretch(run: SimulatedCapture, start: float, t_states: int) -> Stretch:
    tick = run.timescale_ps * 1e-12
    times, words = [], []
    for time, word, _ in run.words():
        times.append(time * tick)
        words.append(word)
        if times[-1] > start + (t_states + 1) * _T_S:
            break
    marks = [Mark(c["start_s"], c["kind"], c["t_states"]) for c in run.truth["cycles"] if c["t_states"]]
    inside = [mark for mark in marks if start - 0.01 * _T_S <= mark.start < start + t_states * _T_S]
    return Stretch(times, words, start, _T_S, t_states, inside)
