"""What the volts of a scope say beyond the logic level: dead rather than driven low, a weak level, slow edges, ringing, a good strobe.

Limits: :mod:`strobewise.bus.volts`, and clock high at least Vcc - 0.6 V (DC characteristics, from memory); what stands behind each
picture is common practice.
"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Optional, Tuple

from ..bus.lines import LINE, LINES, STROBES, bar, pin_text
from ..bus.model import Shares
from ..bus.volts import INPUT_HIGH_V, INPUT_LOW_V, OUTPUT_HIGH_V, OUTPUT_LOW_V
from ..records.evidence import BusEvidence, LineEvidence
from ..records.strobes import healthy
from ..records.volts import SLOW_EDGE_SAMPLES, AnalogLevels
from . import blame
from .base import Found, rule
from .grades import CERTAIN, FAIR, HINT

DEAD_BELOW_V = 1.0  #: an output that never leaves this range is dead: a driven one swings above 2.4 V
GROUND_V = 0.1  #: a line this close to 0 V is tied to ground, or the probe touches nothing
FLAT_V = 0.06  #: and this still: the spread of a short, not of an output that has died
WEAK_LOW_V = 0.6  #: 0.4 V and a margin for the probe's offset and ground lead
WEAK_CLOCK_V = 3.5  #: far below Vcc - 0.6 V, whatever the probe's error
UNDRIVEN_SHARE = 0.5  #: share of the samples between the input limits from which nobody drives a still line
WANDERS_SHARE = 0.15  #: the same for a line that moves
SWINGS_MIN = 16  #: swings from which edges are judged
SLOW_S = 40e-9  #: and they must take longer than this: a good output takes some 10 ns (common practice)
SLOW_SHARE = 0.2  #: of the swings that are slow: one in five is no longer a single noisy edge
RINGING_SHARE = 0.2  #: of the swings that ring, the same

#: Outputs, whose edges and levels the CPU alone makes; inputs with pull-ups may well be slow.
OUTPUTS = tuple(line.name for line in LINES if line.direction == "output")
WITH_VOLTS: Tuple[Tuple[str, ...], ...] = ((),)  #: any line will do, if it was captured in volts



class Weighed(NamedTuple):
    """What the volts of a line without an edge add to a finding about it."""

    words: str
    suspects: Optional[Shares]  #: whom they make likelier, None where they change nothing
    verdict: str = ""  #: what the line is, where the volts say it outright


def weigh_still_line(line: LineEvidence, at: str = "cpu") -> Optional[Weighed]:
    """Say what the volts of a line that never swings mean; None without volts, or for a line that does swing.

    at: where the probe sits, "cpu" or "connector".
    """
    volts = line.volts
    if volts is None or line.edges:
        return None
    place = "at the CPU" if at == "cpu" else "at the connector"
    if volts.percentile_99_v < GROUND_V and volts.percentile_99_v - volts.percentile_1_v < FLAT_V:
        return Weighed(
            f" at {volts.median_v:.2f} V, flat: an output that died, a short to ground, or a probe that touches nothing", blame.VOLTS_GROUND, f"dead {place}"
        )
    if volts.percentile_99_v < DEAD_BELOW_V and volts.above_high == 0:
        return Weighed(
            f" at {volts.minimum_v:.2f} to {volts.maximum_v:.2f} V: it never leaves the low range, where a driven output would swing", blame.VOLTS_DEAD,
            f"dead {place}",
        )  # fmt: skip
    if volts.between > UNDRIVEN_SHARE:
        return Weighed(f" at about {volts.median_v:.2f} V, between the logic limits", blame.VOLTS_UNDRIVEN, f"driven by nobody {place}")
    return Weighed(f" at about {volts.median_v:.2f} V", None)


def _lines(evidence: BusEvidence) -> List[Tuple[LineEvidence, AnalogLevels]]:
    """Return the lines that were captured in volts, each with its volts."""
    return [(line, line.volts) for name, line in sorted(evidence.lines.items()) if line.volts is not None and name in LINE]


@rule(
    "weak-level", "a level too weak", "warning", needs=WITH_VOLTS, judges=("CLK", *OUTPUTS),
    suspects=blame.VOLTS_WEAK,
    looks_for="volts: a high below 2.4 V, a low above 0.6 V, or a clock whose high stays below 3.5 V",
    causes="an output that is overloaded or half dead, two outputs against each other, a low supply at the CPU, a poor joint; a probe that is "
    "not set to the attenuation that the scope assumes reads all levels too low",
    next_step="check the probe's attenuation on the supply (pin 11 must read 5 V), then measure the level again at the pin itself; unplug what hangs on the line",
    source="DC characteristics (from memory); the causes: common practice",
    host=None,
)  # fmt: skip
def weak_level(evidence: BusEvidence) -> Iterator[Found]:
    for line, volts in _lines(evidence):
        if line.edges < SWINGS_MIN:
            continue
        if line.line == "CLK":
            if volts.high_level_v is not None and volts.high_level_v < WEAK_CLOCK_V:
                yield Found(
                    f"CLK is high at {volts.high_level_v:.2f} V only; the CPU wants nearly its supply there (0.6 V less at most)", ("CLK",),
                    suspects=blame.VOLTS_WEAK_CLOCK, confidence=HINT,
                    next_step=f"measure the clock's high at {pin_text('CLK')}; look for a missing pull-up at the clock driver",
                )  # fmt: skip
            continue
        if line.line not in OUTPUTS:
            continue
        if volts.high_level_v is not None and volts.high_level_v < OUTPUT_HIGH_V:
            yield Found(
                f"{bar(line.line)} is high at {volts.high_level_v:.2f} V only, a good output reaches {OUTPUT_HIGH_V} V at least", (line.line,),
                confidence=FAIR,
            )  # fmt: skip
        if volts.low_level_v is not None and volts.low_level_v > WEAK_LOW_V:
            yield Found(
                f"{bar(line.line)} is low at {volts.low_level_v:.2f} V only, a good output pulls to {OUTPUT_LOW_V} V", (line.line,), confidence=HINT
            )


@rule(
    "level-between", "a level that is neither high nor low", "warning", needs=WITH_VOLTS, judges=OUTPUTS,
    suspects=blame.VOLTS_BETWEEN,
    looks_for="volts: an output that moves, yet spends much of its time between 0.8 V and 2.0 V",
    causes="a line that nobody drives and that follows its neighbours (pin not in the socket, dead output, lead off), or two outputs that pull it both ways",
    next_step="check the lead on a pin known to be live; power off and measure from the pin to its neighbours for a bridge",
    source="DC characteristics (from memory); the causes: common practice",
    host=None,
)  # fmt: skip
def level_between(evidence: BusEvidence) -> Iterator[Found]:
    for line, volts in _lines(evidence):
        if line.line not in OUTPUTS or line.edges == 0 or volts.between < WANDERS_SHARE:
            continue
        if "BUSACK" in evidence.captured and evidence.line("BUSACK").assertions:
            continue  # outputs float while the bus is granted
        yield Found(
            f"{bar(line.line)} spends {volts.between * 100:.0f} % of its time between {INPUT_LOW_V} V and {INPUT_HIGH_V} V, mostly near {volts.median_v:.2f} V",
            (line.line,), confidence=HINT,
        )  # fmt: skip


@rule(
    "slow-edges", "edges too slow", "warning", needs=WITH_VOLTS, judges=OUTPUTS,
    suspects=blame.VOLTS_SLOW,
    looks_for="volts: swings that take longer from 0.8 V to 2.0 V or back than an output needs",
    causes="too much load or capacitance on the line, an output that is half dead, a poor joint, a probe that is not compensated",
    next_step="compensate the probe and measure again at the pin itself; unplug what hangs on the line",
    source="common practice",
    host=None,
)  # fmt: skip
def slow_edges(evidence: BusEvidence) -> Iterator[Found]:
    interval = evidence.sample_interval_s
    if not interval or SLOW_EDGE_SAMPLES * interval < SLOW_S:
        return  # so many samples are no time at this rate
    for line, volts in _lines(evidence):
        swings = volts.rises + volts.falls
        if line.line in OUTPUTS and swings >= SWINGS_MIN and volts.slow_edges > SLOW_SHARE * swings:
            yield Found(
                f"{volts.slow_edges} of {swings} swings of {bar(line.line)} take more than {SLOW_EDGE_SAMPLES * interval * 1e9:.0f} ns between "
                f"{INPUT_LOW_V} V and {INPUT_HIGH_V} V", (line.line,), volts.slow_edges, confidence=HINT,
            )  # fmt: skip


@rule(
    "ringing", "ringing", "note", needs=WITH_VOLTS, judges=(), suspects=blame.VOLTS_RINGING,
    looks_for="volts: excursions between the input limits that return to the level they left: they follow edges and make no pulse",
    causes="a long ground lead on the probe; seldom the board",
    next_step="use the shortest ground lead that the probe has, close to pin 29", source="common practice",
    host=None,
)  # fmt: skip
def ringing(evidence: BusEvidence) -> Iterator[Found]:
    for line, volts in _lines(evidence):
        swings = volts.rises + volts.falls
        if swings >= SWINGS_MIN and volts.ringing > RINGING_SHARE * swings:
            yield Found(
                f"{bar(line.line)} rings: {volts.ringing} excursions towards the other level beside {swings} swings; they are no glitches", (line.line,),
                volts.ringing, confidence=FAIR,
            )  # fmt: skip


@rule(
    "strobe-good", "a strobe good at its pin", "note", needs=WITH_VOLTS, judges=(), suspects=blame.NOTHING_WRONG,
    looks_for="volts: a strobe that swings beyond both logic limits and goes with the cycles",
    causes="all is well with it where the probe sits", next_step="if a device still misses the strobe, measure again at the connector",
    source="DC characteristics (from memory); UM0080", caution="",
    host=None, praises=True,
)  # fmt: skip
def strobe_good(evidence: BusEvidence) -> Iterator[Found]:
    for line, volts in _lines(evidence):
        count = evidence.strobes.get(line.line)
        if line.line not in STROBES or line.line == "MREQ" or count is None or count.expected < SWINGS_MIN or line.edges < SWINGS_MIN:
            continue
        if not healthy(count) or volts.high_level_v is None or volts.low_level_v is None:
            continue
        if volts.high_level_v < OUTPUT_HIGH_V or volts.low_level_v > WEAK_LOW_V:
            continue
        place = "connector" if evidence.probe_at.get(line.line) == "connector" else "CPU"
        yield Found(
            f"{bar(line.line)} is good at the {place}: it swings from {volts.low_level_v:.2f} V to {volts.high_level_v:.2f} V and goes with "
            f"{count.seen} of {count.expected} fetches" if line.line == "M1" else
            f"{bar(line.line)} is good at the {place}: it swings from {volts.low_level_v:.2f} V to {volts.high_level_v:.2f} V and is seen in "
            f"{count.seen} of {count.expected} requests that call for it",
            (line.line,), count.seen, confidence=CERTAIN,
        )  # fmt: skip
