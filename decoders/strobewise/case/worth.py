"""What a step is expected to tell: the information, in bits, that its outcome carries about who is to blame (Shannon; textbook).

Captures are weighed by the rules that could then decide, checks by their table of outcomes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import log2

from ..bus.model import Suspect
from ..rules import CATALOGUE
from ..rules.replay import REPLAY_RULE
from .belief import REPLAY_TRUST, TRUST, Shares, seen_by
from .checks import chances
from .records import Answer

MEMORY_AND_BUSES = ("rom", "ram", "data_bus", "address_bus", "glue", "connection")
TELLS_APART = 0.7  #: chance that faults which differ on a line are told apart once it is captured; our choice
AT_CONNECTOR: Mapping[Suspect, float] = {"connection": 0.8, "cpu": 0.05}  #: chance that a fault shows at the connector and not at the CPU


def entropy(shares: Iterable[float]) -> float:
    """Return how open it is who is to blame, in bits."""
    return -sum(share * log2(share) for share in shares if share > 0.0)


def information(shares: Shares, outcomes: Sequence[Mapping[Suspect, float]]) -> float:
    """Return the bits that learning an outcome tells of the suspect.

    outcomes: of each, its chance by suspect; what they leave over is one more outcome, "nothing".
    """
    left = {name: 1.0 - sum(each.get(name, 0.0) for each in outcomes) for name in shares}
    told = 0.0
    for each in (*outcomes, left):
        joint = [share * max(0.0, each.get(name, 0.0)) for name, share in shares.items()]
        chance = sum(joint)
        if chance > 0.0:
            told += chance * (entropy(shares.values()) - entropy(part / chance for part in joint))
    return max(0.0, told)


def bits_of_capture(shares: Shares, lines: frozenset[str], settled: frozenset[str], replayed: bool) -> float:
    """Return what a capture of these lines is expected to tell. settled: rules that have had their say.

    replayed: the program is known, and no capture was held against it yet.
    """
    whole = {name: sum(seen_by(rule, name) for rule in CATALOGUE if any(rule.needs)) or 1.0 for name in shares}
    outcomes: list[dict[Suspect, float]] = []
    for rule in CATALOGUE:
        if rule.id in settled or not any(needs and lines.issuperset(needs) for needs in rule.needs):
            continue
        row = {name: TRUST * seen_by(rule, name) / whole[name] for name in shares if seen_by(rule, name)}
        if row:
            outcomes.append(row)
    if replayed and REPLAY_RULE not in settled:
        outcomes = [{name: chance * (1.0 - _by_replay(name)) for name, chance in row.items()} for row in outcomes]
        outcomes += [{name: REPLAY_TRUST} for name in MEMORY_AND_BUSES if name in shares]
    return information(shares, outcomes)


def _by_replay(name: Suspect) -> float:
    return REPLAY_TRUST if name in MEMORY_AND_BUSES else 0.0


def bits_at_connector(shares: Shares) -> float:
    """Return what the same lines at the connector are expected to tell, where they are good at the CPU."""
    return information(shares, [{name: AT_CONNECTOR.get(name, 0.0) for name in shares}])


def bits_of_answer(shares: Shares, answer: Answer, outcome: str, reach: float = 1.0) -> float:
    """Return what a check is expected to tell. outcome: one of its two; reach: see checks.chances."""
    return information(shares, [{name: chances(answer, name, outcome, reach) for name in shares}])


def bits_of_telling_apart(shares: Shares, suspects: Sequence[Suspect]) -> float:
    """Return what a capture is expected to tell on whose lines the faults differ that still explain it all. suspects: whom those blame."""
    return information(shares, [{name: TELLS_APART} for name in suspects]) if len(suspects) > 1 else 0.0
