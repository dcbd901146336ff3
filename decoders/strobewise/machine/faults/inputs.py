"""Faults of what the CPU is asked: /WAIT, /BUSREQ, /INT, /NMI and /RESET held, pulled again and again, or never pulled."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ...bus.semantics import SHORTEST_RESET_T
from ..sources import PulseTrain
from .lines import LineHeld
from .parameters import AFTER, number
from .table import Effects, Suspects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan



class ResetPulses(NamedTuple):
    """RESET is pulled again and again. Times in seconds."""

    period_s: float
    hold_s: float

    def put(self, plan: Plan) -> None:
        period = plan.t_states(self.period_s)
        plan.sources.append(PulseTrain("RESET", period, max(SHORTEST_RESET_T, plan.t_states(self.hold_s)), period))


class InterruptMissing(NamedTuple):
    """Nobody asks for an interrupt any more."""

    def put(self, plan: Plan) -> None:
        plan.sources[:] = [source for source in plan.sources if source.line != "INT"]


def _held(line: str, suspects: Suspects) -> None:
    @fault_kind(
        f"{line.lower()}-held",
        explanation=f"Something holds {line} low from power-on or, with after_s, from a later moment.",
        parameters=(AFTER,),
        suspects=suspects,
        lines=(line,),
    )
    def hold(after_s: float) -> Effects:
        return (LineHeld(line, "low", "line", after_s),)


for _line in ("WAIT", "INT", "NMI"):
    _held(_line, ("glue", "expansion_device", "connection"))
_held("BUSREQ", ("expansion_device", "glue", "connection"))  # few small machines ask for the bus themselves (common practice)
_held("RESET", ("reset", "connection", "expansion_device"))


@fault_kind(
    "reset-loop",
    explanation="RESET is pulled again and again: the supply dips, a watchdog bites, a device pulls it.",
    parameters=(number("period_s", 1e-5, 60, 0.0006), number("hold_s", 1e-6, 60, 0.00005)),
    suspects=("reset", "supply", "expansion_device", "connection"),
    lines=("RESET",),
)
def reset_loop(period_s: float, hold_s: float) -> Effects:
    return (ResetPulses(period_s, hold_s),)


@fault_kind(
    "interrupt-source-dead",
    explanation="The frame interrupt never comes; the rest of the machine runs on.",
    suspects=("glue", "connection"),
    lines=("INT",),
    state="any",
)
def interrupt_source_dead() -> Effects:
    return (InterruptMissing(),)
