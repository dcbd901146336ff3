"""Which leads the next capture takes: the advice before a capture, weighed by what the case still holds open."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from ..bus.model import Suspect
from ..hookup.plan import Advice, advise
from ..hookup.symptoms import UNKNOWN, find_symptom
from .records import Case

WARM_MINUTES = 20.0  #: that a machine which dies warm is left on before a capture, where nobody says more; our choice


class Plan(NamedTuple):
    """Leads and settings."""

    lines: tuple[str, ...]
    sample_hz: float
    duration_s: float
    trigger: str
    minutes_on: float | None

    @classmethod
    def of(cls, case: Case, shares: Mapping[Suspect, float], settled: frozenset[str]) -> Plan:
        """Return the plan that looks where the case is open."""
        symptom = find_symptom(case.symptom) or UNKNOWN
        most = max(shares.values(), default=1.0)
        weights = {name: share / most for name, share in shares.items()}
        clock = case.clock_hz or (case.profile.clock_hz if case.profile is not None else None)
        advice: Advice = advise(case.leads, symptom._replace(weights=weights), clock, settled=settled)
        minutes = WARM_MINUTES if case.symptom == "dies-warm" else None
        return cls(tuple(lead.line for lead in advice.leads), advice.sample_hz, advice.duration_s, advice.trigger, minutes)
