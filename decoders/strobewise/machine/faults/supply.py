"""Faults of the supply."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Tuple

from ...bus.semantics import SHORTEST_RESET_T
from ..sources import PulseTrain
from .parameters import choice, number
from .table import Effect, Effects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan



class CellsForget(NamedTuple):
    """Some cells of the RAM lose what they hold, at one moment."""

    at_s: float  #: after power-on
    share: float  #: of all cells

    def put(self, plan: Plan) -> None:
        for bank in plan.some_banks("ram", 0, 0xFFFF):
            bank.forgets_at, bank.forgotten_share = plan.t_states(self.at_s), self.share


class ResetOnce(NamedTuple):
    """The supervisor sees the dip and pulls RESET. Times in seconds."""

    at_s: float
    hold_s: float

    def put(self, plan: Plan) -> None:
        plan.sources.append(PulseTrain("RESET", plan.t_states(self.at_s), max(SHORTEST_RESET_T, plan.t_states(self.hold_s))))


def _hold_without_supervisor(supervisor: str, **_: object) -> Tuple[str, ...]:
    return ("hold_s",) if supervisor == "no" else ()


@fault_kind(
    "brown-out",
    explanation="""The supply dips for a moment: some cells of the RAM lose what they hold (share, of all cells). Where the board has a
    supervisor, it pulls RESET for hold_s; where it has none, the program runs on with what is left.""",
    parameters=(
        number("at_s", 1e-5, 3600, 0.001), number("share", 1e-4, 1.0, 0.05), choice("supervisor", ("yes", "no"), "no"),
        number("hold_s", 1e-6, 60, 0.0002),
    ),
    suspects=("supply", "ram", "reset", "connection"),
    lines=lambda supervisor, **_: ("RESET",) if supervisor == "yes" else (),
    without_effect=_hold_without_supervisor,
    state="any",
)  # fmt: skip
def brown_out(at_s: float, share: float, supervisor: str, hold_s: float) -> Effects:
    forget: Tuple[Effect, ...] = (CellsForget(at_s, share),)
    return (*forget, ResetOnce(at_s, hold_s)) if supervisor == "yes" else forget
