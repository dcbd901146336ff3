"""The moment that shows a rule best (rules.picture), drawn from the simulated machine's healthy and faulty run.

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
from strobewise.rules.picture import FETCH, Picture
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



class Drawn(NamedTuple):
    """One run, ready to draw."""

    stretch: Stretch
    lines: tuple[str, ...]
    told: tuple[str, ...]  #: what was done to the machine, in words


PRESS_S = 0.0001
_T_S = 1 / (GENERIC.clock_hz or 1)

#: What both runs have beside the bare machine, and the words for what the faulty one has instead.
MACHINES: Mapping[str, Mapping[str, Any]] = {
    "": {},
    "paged": {"machine": replace(GENERIC, paging=(GENERIC_PAGING,)), "lines": LINE_SETS["full_port"]},
    "nmi-pressed": {"presses": (Press("NMI", PRESS_S, 10 * _T_S),)},
    "bus-shared": {"bus_requests": (BusRequest(60, 62, 6),)},
}
OTHER_PROGRAMS = {"halts": STOPS, "only-nops": bytes(0x2000)}


def picture_of(rule: Rule) -> Picture:
    """Return the rule's picture; for a rule without one of its own, a healthy run of the lines that it needs or judges."""
    if rule.picture is not None:
        return rule.picture
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
    if not picture.has_faulty_run:
        return None
    start, t_states = _moment(picture, _run(picture, (), {}))
    faults = faults_of(picture, start + (t_states // 3) * _T_S)
    run = _run(picture, faults, changes_of(picture))
    if not picture.by_time:
        start, t_states = _moment(picture, run, (start, t_states))
    return Drawn(_stretch(run, start, t_states), picture.lines, (*map(_told, faults), *map(_changed, changes_of(picture))))


def faults_of(picture: Picture, after_s: float) -> tuple[Fault, ...]:
    """Return what is put into the machine; after_s: the time at which the fault sets in that does so while the picture is drawn."""
    if picture.after:
        return (fault(picture.after, after_s=after_s),)
    return tuple(fault(done.kind, **done.parameters) for done in picture.faults)


def changes_of(picture: Picture) -> dict[str, Any]:
    """Return the settings of the simulation that the faulty run has otherwise."""
    changes: dict[str, Any] = {}
    if picture.other_program:
        changes["contents"] = ((0, OTHER_PROGRAMS[picture.other_program]),)
    if picture.sample_hz is not None:
        changes["sample_hz"] = picture.sample_hz
    if not picture.pull_ups:
        changes["pull_ups"] = False
    return changes


def _told(fault: Fault) -> str:
    values = ", ".join(f"{name} {value}" for name, value in fault.parameters.items() if name != "after_s")
    return f"{fault.kind} ({values})" if values else fault.kind


def _changed(name: str) -> str:
    return {"contents": "another program", "sample_hz": "a slow analyser", "pull_ups": "no pull-ups on the data bus"}[name]


def _run(picture: Picture, faults: tuple[Fault, ...], changes: Mapping[str, Any]) -> SimulatedCapture:
    both = MACHINES[picture.machine]
    machine = both.get("machine", GENERIC)
    quiet = machine.paging or picture.machine == "nmi-pressed"  # no interrupt may come between
    settings: dict[str, Any] = {
        "machine": replace(machine, interrupt_period_t_states=None if quiet else 400),
        "contents": ((0, PROGRAM),),
        "sample_hz": round((GENERIC.clock_hz or 1) * SAMPLES_A_T_STATE),
        "duration_s": DURATION_S,
        "timescale": "1ns",
        "faults": faults,
        **{key: value for key, value in both.items() if key != "machine"},
        **changes,
    }
    return simulate(**settings)


def _moment(picture: Picture, run: SimulatedCapture, otherwise: tuple[float, int] | None = None) -> tuple[float, int]:
    """Return where the run of cycles begins, in seconds, and how many T-states to draw."""
    if picture.machine == "nmi-pressed":
        return PRESS_S - LEAD_IN_T * _T_S, picture.long_t or 33
    cycles, wanted = run.truth["cycles"], picture.cycles
    kinds = [cycle["kind"] for cycle in cycles]
    for first in range(len(kinds) - len(wanted) + 1):
        if tuple(kinds[first : first + len(wanted)]) == wanted and (picture.cycles != (FETCH,) or first > 8):
            t_states = sum(cycle["t_states"] or 0 for cycle in cycles[first : first + len(wanted)])
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
