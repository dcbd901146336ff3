"""Advice for a machine whose program is known: two leads, a capture from reset on, as long as it takes to tell the faults apart."""

from __future__ import annotations

from collections import Counter
from typing import List, NamedTuple, Optional, Tuple

from ..bus.clocks import USUAL_CLOCK_HZ
from ..records.profile import NOTHING_KNOWN
from ..replay.board import ReplayBoard
from ..replay.catalogue import draw
from ..replay.known import Program
from ..replay.predict import Rhythm, predict
from ..rules.base import CAUTION_CLIP, COARSE_SAMPLES
from .plan import usual_rate

LEADS = ("M1", "MREQ", "RESET")
MOST_CYCLES = 4_000  #: that are looked ahead
STEPS = (100, 200, 400, 700, 1_000, 1_400, 2_000, 2_800, MOST_CYCLES)
NEARLY_ALL = 0.98  #: of the parts that can be told apart at all
INTERRUPTS = 3  #: that a capture should hold, where the profile says how often they come
MARGIN = 1.5  #: for wait states and for what comes before the first fetch


class ProgramAdvice(NamedTuple):
    """How to capture a machine with a known program."""

    program: str
    leads: Tuple[str, ...]
    clock_hz: Optional[float]
    sample_hz: int
    sample_hz_min: int
    duration_s: float
    faults: int  #: that were looked at, single bits of the ROM left out
    seen: int  #: of those, with another rhythm than the healthy machine's
    alone: int  #: of those, with a rhythm that no other part shares
    cautions: Tuple[str, ...] = (CAUTION_CLIP,)


def advise_program(program: Program, clock_hz: Optional[float] = None) -> ProgramAdvice:
    """Look ahead: what each fault does to the rhythm on two leads, and after how many cycles no more of them part."""
    profile = program.profile or NOTHING_KNOWN
    clock = clock_hz or profile.clock_hz
    healthy = predict(ReplayBoard(program.regions), MOST_CYCLES)
    faults: List[Tuple[Tuple[str, ...], Rhythm]] = []
    for hypothesis in next(draw(program, ())):
        part = hypothesis.fault.lines or (str(hypothesis.region),)
        faults.append((part, predict(ReplayBoard(program.regions, hypothesis.fault, hypothesis.undriven), MOST_CYCLES)))
    told = [_told(healthy, faults, count) for count in STEPS]
    enough = next(at for at, (_, alone) in enumerate(told) if alone >= NEARLY_ALL * told[-1][1])
    t_states = sum(t for _, t in healthy.cycles[: STEPS[enough]])
    seen, alone = told[enough]
    t_states = max(t_states, INTERRUPTS * (profile.interrupt_period_t_states or 0))
    rate = clock or USUAL_CLOCK_HZ
    return ProgramAdvice(
        program.name, LEADS, clock, usual_rate(rate), round(COARSE_SAMPLES * rate * 1.1), MARGIN * t_states / rate, len(faults), seen, alone
    )


def _told(healthy: Rhythm, faults: List[Tuple[Tuple[str, ...], Rhythm]], count: int) -> Tuple[int, int]:
    """Return how many faults show within so many cycles, and how many of them with a rhythm of their own part alone."""
    plain = healthy.on_two_leads()[:count]
    shown = [(part, rhythm.on_two_leads()[:count]) for part, rhythm in faults]
    shown = [(part, rhythm) for part, rhythm in shown if rhythm != plain[: len(rhythm)]]
    parts = Counter(rhythm for _, rhythm in dict.fromkeys(shown))
    return len(shown), sum(parts[rhythm] == 1 for _, rhythm in shown)
