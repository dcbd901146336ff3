"""Whether the count that a strobe is held against can be trusted: what else makes a strobe seem to be missing, or to be where it must not.

Another strobe that has died, leads that lag, two strobes bridged, and a T-state that was measured by the strobe itself. What each strobe must
do comes from UM0080's timing figures (:mod:`strobewise.bus.semantics`).
"""

from __future__ import annotations

from typing import List, Optional

from ..bus.clocks import FAST_CLOCK_HZ
from ..bus.lines import FETCH_LINES
from ..bus.semantics import TRANSFERS_A_FETCH
from ..records.evidence import BusEvidence, LineEvidence, StrobeCount
from ..records.strobes import ENOUGH, ENOUGH_OTHERS, FEW_WRONG, HEALTHY_FALSE, HEALTHY_HIT, Behaviour, behaviour
from .base import AS_OFTEN, FINE_SAMPLES, too_coarse, twins

LATE_T = 0.45  #: of a clock period: 85 ns at 4 MHz is 0.34, and a sample of doubt
APART_T = 0.15  #: T-states by which the others must stay clear of the limit: a sample either way of a capture with six samples a T-state
PULLED_LOW = 6  #: falls of /M1 while /MREQ stayed low: three fetches and their refreshes of which none let it go
M1_PULSE_T = 1.0  #: T-states; those of a fetch last two (UM0080), those of a line that floats or picks up spikes less
M1_WHOLE_T = 1.5  #: the same in samples one a clock, where each length is a whole number of T-states
TELLS_APART = {"WR": "RD", "IORQ": "MREQ"}  #: by strobe: the one whose absence makes a cycle look as if that strobe belonged there
TOLD_BY = {"WR": ("RD", "IORQ"), "IORQ": ("RD", "WR")}  #: by strobe: those whose pulses tell its cycles from others
LOW_FOR_LONG = ("held", "stays", "inverted")  #: ways to misbehave in which a strobe makes another kind of every request
STRAYS_MORE = 2.0  #: times the share of one strobe that is seen where none belongs, from which another is the likelier cause (our choice)
BESIDE_T = 60.0  #: T-states from a fetch in which a strobe is missed to what another one misses in the same burst: some cycles, with waits
IN_EACH_FETCH = ("M1", "MREQ", "RD", "RFSH")  #: strobes that a CPU at work cannot do without for long (UM0080, instruction op-code fetch)
FETCH_PULSE_T = 2.0  #: T-states for which /M1 and /RFSH are low in a fetch without waits (UM0080)
LENGTH_OFF_T = 0.25  #: what whole samples make of its mean length (our choice)
HELD_AGAINST_MREQ = ("M1", "RD", "WR")  #: of two outputs that die at the same time, one lead is likelier
BESIDE = 3.0  #: times that share, from which what seems to be missing is more than these make of it (our choice)


def misled(name: str, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether another strobe that fails makes the requests that this one is held against.

    A memory access whose /MREQ is missing looks like input or output, and a fetch whose refresh is missing like a read with /M1. A strobe
    that stays low makes requests of its own, in which /MREQ seems to have no business.
    """
    def ill(other: str) -> Optional[Behaviour]:
        its = evidence.strobes.get(other)
        return behaviour(evidence.line(other), its) if its is not None else None

    if _behind_another(name, count, evidence) or _beside_misses(name, count, evidence) or twins(evidence) or _teller_is_a_twin(name, evidence):
        return True
    if name != "MREQ" and pulled_low(evidence):
        return bool(evidence.line(name).edges)
    if _beside_an_astray_one(name, count, evidence):
        return True
    if name == "IORQ" or (name == "M1" and count.hit >= HEALTHY_HIT):
        mreq = ill("MREQ")
        return mreq is not None and mreq.kind == "partial" and evidence.strobes["MREQ"].hit < HEALTHY_HIT
    if name == "MREQ" and count.hit >= HEALTHY_HIT and count.others < ENOUGH_OTHERS:
        return any(seen is not None and seen.kind in (*LOW_FOR_LONG, "unrelated") for seen in map(ill, ("IORQ", "RD", "WR")))
    return False


def _teller_is_a_twin(name: str, evidence: BusEvidence) -> bool:
    """Say whether a strobe that tells this one's cycles apart moves with another one at each edge, by which no cycle is told, at any sample rate."""
    return any(evidence.line(teller).twin is not None for teller in TOLD_BY.get(name, ()))


def _beside_an_astray_one(name: str, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether a strobe is missed, or seen too often, only now and then, while another one makes requests of its own.

    /IORQ is missed in accesses that /RD and /WR alone make, and so at all where these stray.
    """
    own = behaviour(evidence.line(name), count)
    strays = count.false if _strays(count) else 0.0
    if own is None or (own.kind != "partial" and (name != "IORQ" or strays)):
        return False
    for other, its in evidence.strobes.items():
        seen = behaviour(evidence.line(other), its) if other != name else None
        if seen is None:
            continue
        if seen.kind in LOW_FOR_LONG or (_strays(its) and (seen.kind != "partial" or its.false > STRAYS_MORE * strays)):
            return True
    return False


def _strays(count: StrobeCount) -> bool:
    """Say whether a strobe is seen where none belongs, in more requests than spikes make."""
    return count.false > HEALTHY_FALSE and count.wrong >= FEW_WRONG


def _behind_another(name: str, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether a strobe is missed only since another one, which every fetch calls for, has died: then that one spoils the count."""
    for other in IN_EACH_FETCH:
        stays, its = evidence.line(other).stays, evidence.strobes.get(other)
        if other == name or stays is None or its is None or stays.falls < ENOUGH_OTHERS or (count.first_missing_s is None and stays.high):
            continue
        begins = stays.since_s if its.first_missing_s is None else its.first_missing_s
        if (count.first_missing_s is None or begins < count.first_missing_s) and behaviour(evidence.line(other), its) is not None:
            return True
    return False


def _beside_misses(name: str, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether a strobe is missed only where the one that tells its cycles apart is missed as well.

    Without its /RD a read looks like a write, and without its /MREQ like input or output.
    """
    its = evidence.strobes.get(TELLS_APART.get(name, ""))
    if its is None or its.first_missing_s is None or its.last_missing_s is None or count.first_missing_s is None or count.last_missing_s is None:
        return False
    margin = BESIDE_T / (evidence.clock.hz or FAST_CLOCK_HZ)
    within = its.first_missing_s - margin <= count.first_missing_s and count.last_missing_s <= its.last_missing_s + margin
    return within and count.expected - count.seen <= TRANSFERS_A_FETCH * (its.expected - its.seen)


def pulled_low(evidence: BusEvidence) -> bool:
    """Say whether /MREQ stayed low over more fetches than samples, spikes or a bus master make one of."""
    through, shortest = evidence.line("MREQ").held_through, evidence.line("M1").shortest_pulse_s
    steady = shortest is not None and shortest * (evidence.clock.hz or 0.0) >= (M1_WHOLE_T if evidence.clocked else M1_PULSE_T)
    return through is not None and through.falls >= PULLED_LOW and steady and not too_coarse(evidence) and not evidence.glitches


def measures_itself(name: str, evidence: BusEvidence) -> bool:
    """Say whether the T-state by which a strobe is judged was taken, of few samples, from that strobe, or from one that is not where it must be.

    Waits make it look twice as long; and what does not fit the fetches has not measured them.
    """
    source = evidence.clock.source
    taken_from = evidence.strobes.get(source or "")
    astray = taken_from is not None and taken_from.expected >= ENOUGH and taken_from.hit < HEALTHY_HIT
    return (source == name or astray) and not evidence.samples_at_least(FINE_SAMPLES)


def in_rhythm(line: LineEvidence, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether /M1 or /RFSH pulses for as long as it must, and does not just repeat the other one.

    Once a fetch; or more often, where an inverted or lagging /MREQ shows other requests than there are, and fewer fetches among them.
    """
    if line.line not in FETCH_LINES or line.follows in FETCH_LINES or not line.edges or line.high_fraction is None:
        return False
    hz, pulses = evidence.clock.hz or 0.0, line.edges / 2
    length_t = (1.0 - line.high_fraction) * evidence.duration_s / pulses * hz
    as_often = abs(pulses - count.expected) <= AS_OFTEN * count.expected
    whole = pulses > count.expected and (line.shortest_pulse_s or 0.0) * hz >= FETCH_PULSE_T - LENGTH_OFF_T
    return (as_often or whole) and abs(length_t - FETCH_PULSE_T) <= LENGTH_OFF_T


def as_often(line: LineEvidence, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether /RD or /WR pulses as often as it is called for, while far more of its requests seem to lack it: so none is missing."""
    missing = count.expected - count.seen
    if line.line not in ("RD", "WR") or evidence.framed_by != "MREQ" or missing < BESIDE * AS_OFTEN * count.expected:
        return False
    return missing >= ENOUGH and abs(line.edges / 2 - count.expected) <= AS_OFTEN * count.expected


def partly_missing(evidence: BusEvidence) -> List[str]:
    """Return the strobes of which a good part of the requests of /MREQ seems to have none, though they pulse."""
    found = []
    for name in HELD_AGAINST_MREQ if evidence.framed_by == "MREQ" else ():
        count = evidence.strobes.get(name)
        seen = behaviour(evidence.line(name), count) if count is not None else None
        if count is not None and seen is not None and seen.kind == "partial" and count.expected - count.seen >= BESIDE * AS_OFTEN * count.expected:
            found.append(name)
    return found


def mreq_lags(evidence: BusEvidence) -> bool:
    """Say whether /MREQ alone is late against the clock, later than a CPU at its rated clock can be."""
    timing = evidence.timing
    late = {delay.symbol: delay.median_s * (evidence.clock.hz or 0.0) for delay in (timing.delays if timing is not None else ())}
    others = late.get("TdCr(M1f)", late.get("TdCr(RFSHf)", LATE_T))
    return bool(late.get("TdCf(MREQf)", 0.0) > LATE_T and others < LATE_T - APART_T)
