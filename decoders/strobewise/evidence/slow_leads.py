"""Leads of the lines that move seldom, judged by what goes with them: no data transfer with a halt, a request with every acknowledge, a
grant with every bus request, a call to 66h with every fall of /NMI.

Source: UM0080, halt, interrupt response, bus request.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..bus.lines import ADDRESS, BIT, STROBES
from ..bus.model import KIND_INDEX
from ..identify.raw import Flags, Int, find_frame
from ..identify.sample import take_sample
from ..identify.slow_lines import find_slow_lines
from ..records.evidence import PATTERN_LINES, BusEvidence
from ..records.leads import Relabelling
from .strobe_leads import EVENTS_MIN, Stretch, raw_of, relabelled

TRANSFERS = ("memory_read", "memory_write", "memory_access", "io_read", "io_write")
TRANSFERS_MIN = 16  #: transfers in the wrong state of /HALT; fewer may be the response that ends a halt
SLOW_LINES = ("HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK")
SURE_SLOW = 0.8  #: confidence from which a line's behaviour is believed against its name
HALT_FETCHES_MIN = 8  #: fetches in a halt that must be seen before its absence elsewhere says anything
NEARLY_NONE = 0.02  #: transfers for each fetch in a halt, at most: the response that ends it makes a few
TRANSFERS_PER_FETCH = 0.2  #: transfers for each fetch of a program that runs, at least
REQUEST_T = 24.0  #: the request is sampled at the end of an instruction, so many T-states before the acknowledge at most
LASTING_SAMPLES = 1.5  #: samples from which two lines were low together, and did not only cross
RESTS = 0.5  #: share of the time that an interrupt request rests at its inactive level, at least
SOURCES_PER_ACK = 3  #: falls of a line for each acknowledge, at most, for it to be the request
OTHERS = ("NMI", "WAIT", "BUSREQ", "RESET", "HALT", "BUSACK")  #: lines that /INT may have been exchanged with


def relabel_slow_lines(evidence: BusEvidence, stretch: Stretch) -> Relabelling | None:
    """Return the change of labels that makes these lines agree with what the CPU does; None when they do or too little says so."""
    return _halt(evidence) or _by_behaviour(evidence, stretch) or _interrupt(evidence, stretch)


def _doubtful(evidence: BusEvidence) -> bool:
    """Say whether one of these lines does what its consequences do not follow from."""
    moving = [name for name in SLOW_LINES if name in evidence.captured and evidence.line(name).edges]
    if any(evidence.line(name).asserted_s > RESTS * evidence.duration_s for name in moving):
        return True
    if evidence.has("BUSREQ", "BUSACK") and evidence.line("BUSREQ").edges and evidence.line("BUSACK").edges:
        return True  # which of the two comes first is seen in the capture itself
    responses = evidence.notes.get("nmi_response", 0)
    return "NMI" in evidence.captured and bool(responses) != bool(evidence.line("NMI").assertions)


def _by_behaviour(evidence: BusEvidence, stretch: Stretch) -> Relabelling | None:
    """Look at these lines without their names, as they are and inverted."""
    if not _doubtful(evidence) or not evidence.has("MREQ", "M1") or len(stretch.times) < EVENTS_MIN:
        return None
    names = [name for name in (*STROBES, "CLK", *SLOW_LINES, *ADDRESS[:7]) if name in stretch.captured]
    slow = [name for name in SLOW_LINES if name in names and evidence.line(name).edges]
    really = _roles(stretch, names, slow)
    exchanged = [(name, line) for name, line in really.items() if line != name and line in stretch.captured and really.get(line) != line]
    if exchanged:
        lines = tuple(sorted(exchanged[0], key=BIT.__getitem__))
        return Relabelling(lines, False, 0.0, 1.0, evidence.line(exchanged[0][0]).assertions, "consequences")
    for name in slow:
        if name not in really and evidence.line(name).asserted_s > RESTS * evidence.duration_s:
            turned = replace(stretch, words=relabelled(stretch.words, (name,), inverted=True))
            if _roles(turned, names, slow).get(name) == name:
                return Relabelling((name,), True, 0.0, 1.0, evidence.line(name).assertions, "consequences")
    return None


def _roles(stretch: Stretch, names: list[str], slow: list[str]) -> dict[str, str]:
    """Return which line each of the slow labels carries, as far as behaviour tells."""
    raw = raw_of(stretch, names)
    frame = find_frame(raw)
    if frame is None or names[frame.channel] != "MREQ":
        return {}
    lines = {name: k for k, name in enumerate(names) if name not in SLOW_LINES and name not in ADDRESS}
    sample = take_sample(raw, frame.t, lines, stretch.base.timescale_fs)
    if sample is None:
        return {}
    counters = [names.index(name) for name in ADDRESS[:7]] if stretch.captured.issuperset(ADDRESS[:7]) else []
    roles = find_slow_lines(raw, frame, sample, counters, [names.index(name) for name in slow])
    return {names[role.channel]: role.line for role in roles if role.confidence >= SURE_SLOW}


def _halt(evidence: BusEvidence) -> Relabelling | None:
    if not evidence.has("HALT", "MREQ") or evidence.line("HALT").edges == 0:
        return None
    halt = 1 << PATTERN_LINES.index("HALT")

    def count(kind: str, halted: bool) -> int:
        return sum(number for pattern, number in enumerate(evidence.histogram[KIND_INDEX[kind]]) if bool(pattern & halt) == halted)

    moving, still = count("opcode_fetch", True), count("opcode_fetch", False)
    wrong, right = (sum(count(kind, halted) for kind in TRANSFERS) for halted in (True, False))
    # A halted CPU fetches on and on: the level at which nothing but fetches is seen is the asserted one.
    if wrong < TRANSFERS_MIN or wrong < moving * TRANSFERS_PER_FETCH or still < HALT_FETCHES_MIN or right > NEARLY_NONE * still:
        return None
    return Relabelling(("HALT",), True, right / (wrong + right), wrong / (wrong + right), wrong + right, "transfers")


def _interrupt(evidence: BusEvidence, stretch: Stretch) -> Relabelling | None:
    if not evidence.has("INT", "M1", "IORQ") or not evidence.cycles["interrupt_acknowledge"] or not evidence.clock.hz:
        return None
    reach = int(REQUEST_T / (evidence.clock.hz * stretch.tick_s))
    acknowledges = _acknowledges(stretch)
    if not len(acknowledges):
        return None
    line = evidence.line("INT")
    n = len(acknowledges)
    if line.edges >= 2 and line.asserted_s > RESTS * evidence.duration_s and _seen_before(stretch, "INT", True, acknowledges, 1).all():
        return Relabelling(("INT",), True, 0.0, 1.0, n, "acknowledges")
    if _seen_before(stretch, "INT", False, acknowledges, reach).any():
        return None
    for name in OTHERS:
        other = evidence.line(name)
        if name not in evidence.captured or other.edges < 2 or other.asserted_s > RESTS * evidence.duration_s:
            continue
        seldom = other.assertions <= SOURCES_PER_ACK * n + 2
        if seldom and line.edges == 0 and _seen_before(stretch, name, False, acknowledges, reach).all():
            return Relabelling(("INT", name), False, 0.0, 1.0, n, "acknowledges")
    return None


def _acknowledges(stretch: Stretch) -> Int:
    """Return when /M1 and /IORQ came to be low together, with /MREQ high: the acknowledges of the kept stretch, ticks."""
    both = np.uint64(1 << BIT["M1"] | 1 << BIT["IORQ"])
    low = stretch.words & both == 0
    if "MREQ" in stretch.captured:
        low &= stretch.words & np.uint64(1 << BIT["MREQ"]) != 0
    at = np.flatnonzero(low[1:] & ~low[:-1]) + 1
    lasting = stretch.times[np.minimum(at + 1, len(low) - 1)] - stretch.times[at] > stretch.sample_ticks * LASTING_SAMPLES
    return stretch.times[at[lasting]]


def _seen_before(stretch: Stretch, name: str, high: bool, when: Int, reach: int) -> Flags:
    """Say before which moments, within `reach` ticks, a line was seen at a level."""
    there = (stretch.words & np.uint64(1 << BIT[name]) != 0) == high
    upto = np.r_[0, np.cumsum(there)]
    first = np.maximum(np.searchsorted(stretch.times, when - reach, "right") - 1, 0)
    last = np.searchsorted(stretch.times, when, "right")
    return np.asarray(upto[last] - upto[first] > 0)
