"""The rule on the known program: which one fault makes a machine do what the capture shows.

It reads ``evidence.replay``, which is there where the program is given (replay/ runs it beside the capture). Source of the method: fault
dictionaries, as chip testing has them (from memory); the faults are those of the simulated bench.
"""

from __future__ import annotations

from typing import Dict, Iterator, List, Tuple

from ..bus.lines import bar
from ..bus.model import Shares, Suspect
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.replay import Candidate, ReplayRecord
from . import blame
from .base import Found, rule
from .grades import GUESS, HINT, STRONG

LINES_NAMED = 4  #: lines or parts named in a sentence; more of them are no answer

_KINDS = {
    "dead-high": "stuck high", "dead-low": "stuck low", "floating": "floating", "shorted": "shorted", "open-at-chip": "open",
    "cpu-data-in-stuck": "stuck at the CPU's input", "cpu-data-out-stuck": "stuck at the CPU's output", "rom-data-stuck": "stuck at the ROM's output",
    "ram-bit-dead": "dead in RAM", "rom-bit-flipped": "flipped in one byte of ROM", "reset-held": "held low", "wait-held": "held low",
    "busreq-held": "held low", "clock-dead": "stopped",
}  # fmt: skip
_PARTS = {
    "rom-absent": "no ROM answering", "rom-not-selected": "the ROM never selected", "ram-missing": "no RAM answering", "ram-mirrored": "RAM following other RAM", "rom-halves-exchanged": "the halves of the ROM in each other's place", "device-silent": "an expansion device that never answers",
    "device-never-leaves": "an expansion device that never lets go",
}  # fmt: skip
_PLACES = {"cpu": " at the CPU", "socket": " behind the CPU's pin", "rom": " at the ROM", "ram": " at the RAM", "probe": " at its lead", "connector": " at the connector"}


def describe(candidate: Candidate) -> str:
    """Return a fault in a few words: "D5 and D6 shorted", "no ROM answering"."""
    region = ""
    if (candidate.region is not None and candidate.place == "ram") or (candidate.fault == "rom-bit-flipped" and candidate.region is not None):
        first, last = candidate.region
        region = f" {first:04x}h-{last:04x}h" if first != last else f" {first:04x}h"
    chips = f" ({', '.join(candidate.chips)})" if candidate.chips else ""
    if candidate.fault in _PARTS:
        return _PARTS[candidate.fault] + region + chips
    names = " and ".join(bar(name) for name in candidate.lines)
    place = "" if candidate.fault in ("cpu-data-in-stuck", "cpu-data-out-stuck", "rom-data-stuck", "ram-bit-dead", "rom-bit-flipped") else _PLACES.get(candidate.place, "")
    return f"{names} {_KINDS.get(candidate.fault, candidate.fault)}{place}{region}{chips}"


def describe_group(candidates: List[Candidate]) -> str:
    """Return all candidates of a group in words, each once."""
    words = list(dict.fromkeys(describe(candidate) for candidate in candidates))
    shown = words[:LINES_NAMED]
    more = f" (or {len(words) - len(shown)} more like these)" if len(words) > len(shown) else ""
    return ", or ".join(shown) + more


def by_part(candidates: List[Candidate]) -> List[List[Candidate]]:
    """Return the candidates of two faults at once, those of one line or part together."""
    parts: Dict[Tuple[object, ...], List[Candidate]] = {}
    for each in candidates:
        parts.setdefault(each.lines or (each.place, each.region), []).append(each)
    return list(parts.values())


def explain(record: ReplayRecord) -> str:
    """Return what the first group explains, and how far everybody else comes, as one sentence."""
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    words = describe_group(first)
    if record.stopped_s is not None:
        return f"the machine does all that its program says and falls silent at {time_words(record.stopped_s)}, as with {words}"
    if record.together:
        two = " together with ".join(", or ".join(dict.fromkeys(map(describe, like))) for like in by_part(first))
        return (
            f"a healthy machine with this program parts from the capture after {record.healthy_matched} cycles, and with one fault after "
            f"{record.runner_up} at the latest; with two at once it does the same as the capture in {first[0].matched} of {record.cycles}: {two}"
        )
    if record.since_s is not None:
        return (
            f"a healthy machine with this program parts from the capture after {record.healthy_matched} cycles, and no fault that was there from "
            f"the begin on leads further; one that begins at {time_words(record.since_s)} does the same as the capture in {first[0].matched} of "
            f"{record.cycles}: {words}"
        )
    if record.device_s is not None:
        return f"the program runs as it should in {record.cycles} of {record.cycles} cycles, with {words}"
    if record.dead_leads:
        return f"the program runs as it should in {record.cycles} of {record.cycles} cycles, but not with the levels of {', '.join(map(bar, record.dead_leads))}: {words}"
    if record.uncontradicted:
        return f"a healthy machine with this program parts from the capture after {record.healthy_matched} cycles; {_elimination(record)}"
    others = f"; no other of {record.hypotheses} single faults does so for more than {record.runner_up}" if record.runner_up else f"; no other of {record.hypotheses} single faults does"
    return (
        f"a healthy machine with this program parts from the capture after {record.healthy_matched} cycles; with {words} it does the same as the "
        f"capture in {first[0].matched} of {record.cycles}{others}"
    )


def _elimination(record: ReplayRecord) -> str:
    """Return which faults are left where all others part from the capture."""
    words = describe_group(list(record.uncontradicted))
    return (
        f"of {record.hypotheses} single faults all part from it but those that lead into memory of unknown content at once, where nobody can "
        f"follow: {words}; or the image is of another version"
    )


def _shares(candidates: List[Candidate]) -> Shares:
    """Return the suspects of a group: of each candidate the truest first, weighed down its list."""
    weights: Dict[Suspect, float] = {}
    for candidate in candidates:
        for place, suspect in enumerate(candidate.suspects):
            weights[suspect] = weights.get(suspect, 0.0) + 0.35**place
    whole = sum(weights.values())
    ranked = sorted(weights.items(), key=lambda item: -item[1])[:4]
    return tuple((name, round(weight / whole, 3)) for name, weight in ranked)


def _lines(candidates: List[Candidate]) -> Tuple[str, ...]:
    return tuple(dict.fromkeys(name for candidate in candidates for name in candidate.lines))[:LINES_NAMED]


REPLAY_RULE = "program-names-fault"  #: weighed on its own in a case: it needs the program, and no line


@rule(
    REPLAY_RULE, "one fault explains what the program does", "fault", needs=((),), judges=(),
    suspects=blame.PROGRAM_NAMES_FAULT,
    looks_for="with the program given: a machine with one fault of the simulated bench that does cycle by cycle what the capture shows, where the "
    "healthy machine parts from it",
    causes="the fault that it names, or one that drives the program the same way; two faults at once and marginal timing have no entry",
    next_step="measure what the finding names: continuity from pin to pin with the power off, a short between neighbours, levels with it on",
    source="the program that was given; fault dictionaries are the test trade's (from memory)",
    host=None,
)  # fmt: skip
def program_names_fault(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.replay
    if record is None or not record.candidates:
        return
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    split = record.split_by[:2]
    step = f"to tell these apart clip {' or '.join(bar(each.line) for each in split)} as well and capture from reset again" if split else None
    yield Found(
        explain(record), _lines(first), first[0].matched, record.begin_s, record.parted_s or record.stopped_s or record.device_s,
        suspects=_shares(record.candidates if record.stopped_s is not None else first), next_step=step,
        # A fault that was never contradicted, and explains hardly anything, is a guess.
        confidence=GUESS if record.uncontradicted else STRONG if record.explains_all and record.since_s is None and not record.together else HINT,
        title=" together with ".join(map(describe_group, by_part(first) if record.together else [first])),
    )  # fmt: skip


PARTS_LEAST = 50  #: cycles that must have been compared before a parting is told
PARTS_SHARE = 0.9  #: of them up to which the parting must have come: close to the end of a capture little speaks for it


PROGRAM_LEFT = "program-left"  #: asked by a case: a machine that does so has a fault, whoever is to blame


@rule(
    PROGRAM_LEFT, "the machine leaves its program", "warning", needs=((),), judges=(), suspects=blame.PROGRAM_LEFT, undecided=10,
    looks_for="with the program given: a machine that does from reset on what its program says, and then something else, though no single fault "
    "that is known, or too many of them, lead there",
    causes="a fault that many parts could have, two faults at once, a part that fails now and then; or the image is not that of this machine's ROM",
    next_step="make sure that the image is this machine's; then capture from reset again with the data lines clipped as well, D0 to D7",
    source="the program that was given",
    host=None,
)  # fmt: skip
def program_left(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.replay
    if record is None or record.candidates or record.healthy_ended != "parted" or record.parted_s is None or record.found_by != "reset":
        return
    if record.cycles < PARTS_LEAST or record.healthy_matched > PARTS_SHARE * record.cycles:
        return
    text = f"it parts from the given program after {record.healthy_matched} of {record.cycles} cycles; {why_not_named(record)}"
    split = record.split_by[:2]
    step = f"to tell these apart clip {' or '.join(bar(each.line) for each in split)} as well and capture from reset again" if split else None
    yield Found(text, (), record.cycles - record.healthy_matched, record.parted_s, next_step=step, confidence=HINT)


def why_not_named(record: ReplayRecord) -> str:
    """Return why no fault is named where the healthy machine parts from the capture."""
    if record.misread is not None:
        return f"one wrong reading of {record.misread:04x}h explains it all: a bit of the ROM, or a moment's disturbance"
    if record.alike:
        return f"{record.like} different parts could each do the same: {describe_group(list(record.alike))}"
    if record.uncontradicted:
        return _elimination(record)
    return f"none of {record.hypotheses} single faults does what the capture shows"
