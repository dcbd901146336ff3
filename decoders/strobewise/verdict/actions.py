"""What kind of work a step is: its rank among the costs (rules/work.py), whether the power is on, which caution goes before it.

Common practice.
"""

from __future__ import annotations

import re
from typing import NamedTuple, Pattern, Tuple

from ..bus.model import Power
from ..rules.base import CAUTION_CLIP, CAUTION_LIVE, CAUTION_SOLDER
from ..rules.work import RANKS


class Action(NamedTuple):
    """One kind of work."""

    cost: int  #: rank
    power: Power
    caution: str
    words: Pattern[str]  #: by which a step of this kind is known


def _action(cost: int, power: Power, caution: str, words: str) -> Action:
    return Action(cost, power, caution, re.compile(words, re.IGNORECASE))


LOOK, LEADS, CAPTURE, MEASURE, UNPLUG, CHIPS = range(len(RANKS))  #: as RANKS has them, the cheapest first

#: The first that fits a step is its kind.
ACTIONS: Tuple[Action, ...] = (
    _action(LEADS, "off, then on", CAUTION_CLIP, r"\btwo leads\b"),
    _action(CAPTURE, "on", CAUTION_LIVE, r"^(repeat|capture again with at least)\b"),
    _action(CHIPS, "off", CAUTION_SOLDER, r"\b(swap|piggy-back|in a programmer|take the chips|reseat the CPU|known to be good|take out)\b"),
    _action(CHIPS, "on", CAUTION_LIVE, r"\bwiggle|flex the board"),
    _action(LOOK, "", "", r"^(give|say|name|tell|export|see what|compare the memory's)\b"),
    _action(MEASURE, "off", CAUTION_SOLDER, r"power off|resistance|continuity|against ground|\bbridge\b|inspect"),
    _action(LEADS, "off, then on", CAUTION_CLIP, r"\b(check|move|reseat|put|clip|use)\b[^;,]*\b(leads?|clip|probe|ground)\b"),
    _action(LEADS, "off, then on", CAUTION_CLIP, r"^clip\b|ground clip"),
    _action(UNPLUG, "off", CAUTION_SOLDER, r"^reseat\b"),
    _action(UNPLUG, "off, then on", CAUTION_CLIP, r"\bunplug|edge connector and reseat|clean the"),
    _action(CAPTURE, "off, then on", CAUTION_CLIP, r"\bcapture\b.*\bas well"),
    _action(CAPTURE, "on", CAUTION_LIVE, r"\b(capture|repeat)\b"),
    _action(MEASURE, "on", CAUTION_LIVE, r"\b(scope|measure|level|volt|counter|trace|edge on|activity|rail)"),
)
OTHERWISE = Action(MEASURE, "", "", re.compile(""))  #: looking and thinking, which touch nothing


def action_of(step: str) -> Action:
    """Return what kind of work a step is."""
    return next((action for action in ACTIONS if action.words.search(step)), OTHERWISE)
