"""What work at the bench costs: minutes, and the risk to pads, pins and parts. All of it is our choice; `strobewise case` shows the minutes.

Two orders rest on it. A case weighs what a step is expected to tell by `cost`. The advice of a single verdict cannot weigh, since nobody has
answered anything yet: it goes by RANKS, what is looked at before what is measured, and that before what is taken out (common practice).
"""

from __future__ import annotations

from typing import Mapping, NamedTuple


class Work(NamedTuple):
    """What one piece of work costs."""

    minutes: float
    risk: float  #: of harm, 0..1; 1 is a lifted pad for sure


RISK_MINUTES = 30.0  #: minutes of work that we would rather spend than take a risk of 1

CAPTURE = Work(3.0, 0.0)  #: one capture, the leads being where they are
CLIP = Work(0.5, 0.03)  #: each lead that moves

#: Measurements and trials, by the kind of answer that they give (case/checks.py says what each is).
CHECKS: Mapping[str, Work] = {
    "pulses": Work(4.0, 0.15), "ohms": Work(4.0, 0.1), "between": Work(3.0, 0.05), "driven": Work(6.0, 0.15), "passes": Work(6.0, 0.15),
    "readout": Work(8.0, 0.1),
    "supply": Work(2.0, 0.05), "unplugged": Work(2.0, 0.02), "reseated": Work(5.0, 0.2), "cooled": Work(5.0, 0.1),
}  # fmt: skip

#: Putting a part right, by how it sits.
SOCKETED = Work(6.0, 0.15)
SOLDERED = Work(45.0, 0.9)
PLUGGED = Work(3.0, 0.05)
JOINT = Work(12.0, 0.4)
SOLDERING = 0.3  #: risk from which a work is soldering

#: Kinds of advice, the cheapest first: looking and thinking; moving leads; another capture; a meter or a scope; unplugging; taking chips out.
RANKS = ("look", "leads", "capture", "measure", "unplug", "chips")


def cost(work: Work) -> float:
    """Return minutes of work with the risk counted in."""
    return work.minutes + RISK_MINUTES * work.risk
