"""The line survey: one state for every line, judged by what the line is and by what the rest of the bus says it should have done.

Which lines may well stay at one level comes from UM0080.
"""

from __future__ import annotations

from typing import List, Optional, Tuple

from ..bus.lines import CONTROL, LINE, LINES, STROBES, bar
from ..bus.model import LineState, LineStateName
from ..bus.units import time_words
from ..records.evidence import BusEvidence, LineEvidence, StrobeCount
from ..records.strobes import ENOUGH_OTHERS, behaviour, released

#: Lines that an idle machine may leave at their inactive level for as long as it likes.
MAY_REST = ("IORQ", "WR", "HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK", "ROMDIS")

MOSTLY_KNOWN = 0.98  #: share of the capture from which nothing is said of levels that are not known


SPIKES, SPIKES_SHARE = 4, 0.02  #: edges, and edges per request that calls for it, up to which a strobe that does not work is at rest


def survey(evidence: BusEvidence) -> List[LineState]:
    """Return the state of every line of the CPU's bus, captured or not, in the order of the table of lines; then further lines."""
    names = [line.name for line in LINES] + sorted(name for name in (*evidence.captured, *evidence.never_known) if name not in LINE)
    return [_state(name, evidence) for name in names]


def _state(name: str, evidence: BusEvidence) -> LineState:
    if name not in evidence.captured:
        remark = "on a channel whose level is never known" if name in evidence.never_known else ""
        return LineState(name, "not_captured", 0, None, None, None, remark)
    line = evidence.line(name)
    state, remark = _judge(line, evidence)
    if line.known_fraction < MOSTLY_KNOWN:
        remark += ("; " if remark else "") + f"known for {line.known_fraction * 100:.0f} % of the capture only"
    return LineState(name, state, line.edges, line.high_fraction, line.shortest_pulse_s, line.follows, remark)


def _judge_strobe(line: LineEvidence, count: StrobeCount) -> Optional[Tuple[LineStateName, str]]:
    """Return a strobe's state by what the cycles call for; None for one that never moved and was not called for."""
    seen = behaviour(line, count)
    if seen is not None and seen.kind == "unrelated":
        return "floating", f"{count.expected} requests call for it; it moves without regard to them"
    if seen is not None and seen.kind == "stays" and line.stays is not None:
        return "active", f"low from {time_words(line.stays.since_s)} to the end, while other strobes go on"
    if seen is not None and seen.kind == "inverted":
        return "active", "the opposite of what the rest of the bus calls for"
    if seen is not None and seen.kind in ("silent", "held"):
        state: LineStateName = "stuck_high" if line.level == "high" or line.edges else "stuck_low"
        if line.edges > max(SPIKES, SPIKES_SHARE * count.expected):
            state = "active"  # whatever it does, it moves
        if seen.kind == "held" and not count.expected:
            return state, "asserted throughout; no request calls for it"
        if seen.kind == "held" and released(line):
            return state, f"asserted in {count.seen} of {_calls(count.expected)}, and in {_others(count.wrong)}"
        if seen.kind == "held":
            return state, f"asserted in {count.seen} of {_calls(count.expected)}, and not released between them"
        return state, f"{count.expected} requests call for it, seen in {count.seen}"
    if seen is not None:
        return "active", f"seen in {count.seen} of {_calls(count.expected)}, and in {_others(count.wrong)}"
    if line.edges:
        return "active", f"seen in {count.seen} of {_calls(count.expected)}" if count.expected else ""
    return None


def _judge(line: LineEvidence, evidence: BusEvidence) -> Tuple[LineStateName, str]:
    name = line.line
    high = line.level == "high"
    if name in STROBES and name in evidence.strobes:
        judged = _judge_strobe(line, evidence.strobes[name])
        if judged is not None:
            return judged
    if line.edges:
        return "active", ""
    level = 1 if high else 0
    spec = LINE.get(name)
    if spec is not None and name in CONTROL and name != "CLK":
        inactive = 1 - spec.active_level
        if level == inactive and (name in MAY_REST or evidence.requests == 0):
            return "idle", ""
        return ("stuck_high" if high else "stuck_low"), "" if level == inactive else f"{bar(name)} asserted throughout"
    if spec is not None and (name[0] in "AD") and name[1:].isdigit():
        return ("stuck_high" if high else "stuck_low"), "never moved" if evidence.requests > ENOUGH_OTHERS else ""
    if name == "CLK":
        return ("stuck_high" if high else "stuck_low"), "no edge"
    return "idle", ""


def _others(number: int) -> str:
    return "1 other" if number == 1 else f"{number} others"


def _calls(number: int) -> str:
    return f"{number} request that calls for it" if number == 1 else f"{number} requests that call for it"
