"""Which leads the next capture takes: the advice before a capture, weighed by what the case still holds open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ..bus.lines import LINE
from ..bus.model import Suspect
from ..hookup.plan import Advice, advise
from ..hookup.symptoms import UNKNOWN, find_symptom
from ..profile.options import Options
from .records import Case

FROM_RESET = "rising edge of /RESET"
BEGINS = ("dead", "garbage", "hangs", "memory-size", "unknown")  #: symptoms that a capture from reset on meets
WARM_MINUTES = 20.0  #: that a machine which dies warm is left on before a capture, where nobody says more; our choice


class Plan(NamedTuple):
    """Leads and settings."""

    lines: tuple[str, ...]
    sample_hz: float
    duration_s: float
    trigger: str
    minutes_on: float | None

    @classmethod
    def of(cls, case: Case, shares: Mapping[Suspect, float], settled: frozenset[str], first: Sequence[str] = ()) -> Plan:
        """Return the plan that looks where the case is open. first: lines that it takes in any case."""
        symptom = find_symptom(case.symptom) or UNKNOWN
        most = max(shares.values(), default=1.0)
        weights = {name: share / most for name, share in shares.items()}
        clock = case.clock_hz or (case.profile.clock_hz if case.profile is not None else None)
        advice: Advice = advise(case.leads, symptom._replace(weights=weights), clock, settled=settled, first=first)
        minutes = WARM_MINUTES if case.symptom == "dies-warm" else None
        lines = tuple(lead.line for lead in advice.leads)
        trigger = FROM_RESET if "RESET" in first and case.symptom in BEGINS else advice.trigger
        return cls(lines, advice.sample_hz, advice.duration_s, trigger, minutes)


def shows_the_program(case: Case) -> tuple[str, ...]:
    """Return the lines by which the known program is followed from its begin on; none where nobody knows it.

    Without the fetches and their direction a program is hardly told from another, and without /RESET its begin is a guess (replay/).
    """
    if not Options(profile=case.profile).program_known:
        return ()
    paging = case.profile.paging if case.profile is not None else ()
    return ("M1", "RD", "RESET", *dict.fromkeys(each.responds_on for each in paging if each.responds_on in LINE))
