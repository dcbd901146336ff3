"""The free-run test: how it is set up, what to clip, and how long a capture takes. Common practice; NOP's length is UM0080's."""

from __future__ import annotations

from typing import NamedTuple, Optional, Tuple

from ..bus.clocks import USUAL_CLOCK_HZ
from ..bus.lines import ADDRESS, DATA, LINE
from ..rules.base import CAUTION_CLIP, COARSE_SAMPLES
from .plan import ROUND_T_STATES, usual_rate

WANTED = ("M1", "MREQ", *ADDRESS, "RD", "RFSH", "CLK", *DATA)
ENOUGH_CHANGES = 2  #: of a line within the capture

CAUTIONS = (
    "Power off and unplug before anything is taken out or put in; wear an earthed wrist strap (MOS parts die from static). Inside a set "
    "with a mains supply or a display tube only trained people work. Follow local electrical rules.",
    "Nobody else may drive the data bus: ROM and RAM out of their sockets, or their enable inputs held inactive. Where they are soldered "
    "in: take the CPU into an adapter whose data pins do not reach the board.",
    "Resistors, never wires: about 1 kilohm from each of D0-D7 to ground. An output that still drives against a wire to ground may die, "
    "against 1 kilohm it has to give 5 mA at most, for the moment until you switch off again.",
    CAUTION_CLIP,
)
STEPS = (
    "Power off. Take out ROM and RAM or disable them, and unplug what is in the expansion port.",
    "Hold D0-D7 of the CPU at ground through about 1 kilohm each, so that every read gives 00h (NOP).",
    "Let /WAIT, /BUSREQ, /INT and /NMI rest high, as the board's pull-ups do; the clock and the reset circuit stay as they are.",
    "Switch on, measure once that all data pins are below 0.8 V, and capture. Switch off as soon as it is done.",
)


class FreeRunAdvice(NamedTuple):
    """How to capture a free run."""

    channels: int
    leads: Tuple[Tuple[str, Optional[int]], ...]  #: line and pin, in the order of importance
    clock_hz: Optional[float]  #: as given
    sample_hz: int
    sample_hz_min: int
    duration_s: float
    cautions: Tuple[str, ...] = CAUTIONS
    steps: Tuple[str, ...] = STEPS


def advise_free_run(channels: int, clock_hz: Optional[float] = None) -> FreeRunAdvice:
    """Choose lines, rate and length; with few channels, the upper address lines come with another capture.

    Raises ValueError for fewer than three channels: a fetch and one address line.
    """
    if channels < 3:
        raise ValueError(f"{channels} channels")
    clock = clock_hz or USUAL_CLOCK_HZ
    leads = tuple((name, LINE[name].pin) for name in WANTED[:channels])
    return FreeRunAdvice(channels, leads, clock_hz, usual_rate(clock), round(COARSE_SAMPLES * clock * 1.1), ROUND_T_STATES / clock)
