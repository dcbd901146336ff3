"""What a capture shows beside its faults, in sentences: the program, memory, interrupts, the expansion port, edges against the clock.

One list for the terminal, the pages and the job sheet. Each sentence says how much it rests on.
"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple

from ..bus.lines import bar
from ..bus.timing import CHARACTERISTIC, GRADES
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.expansion import PagingRecord
from ..records.free_run import FreeRunRecord
from ..records.replay import ReplayRecord
from ..records.timing import Interrupts, TimingRecord
from ..rules.prediction import followed
from ..rules.replay import by_part, describe_group, why_not_named
from .memory_map import seen_map

VECTORS_SHOWN = 4  #: interrupt vectors named in a sentence; more of them are told by their number


class Observation(NamedTuple):
    """One thing that was seen."""

    topic: str
    text: str


def observations(evidence: BusEvidence) -> List[Observation]:
    """Return what the evidence shows, in the order in which it is told; nothing on what was not captured."""
    return list(_all(evidence))


def _all(evidence: BusEvidence) -> Iterator[Observation]:
    if evidence.clocked:
        yield Observation("sampling", _clocked(evidence))
    program = followed(evidence)
    if program:
        yield Observation("program", program)
    if evidence.replay is not None:
        yield Observation("known program", replay_words(evidence.replay))
    if evidence.free_run is not None:
        yield Observation("free run", free_run_words(evidence.free_run))
    memory = evidence.memory
    if memory is not None and evidence.profile is None and evidence.free_run is None:
        stretches = ", ".join(f"{s.start:04x}-{s.end:04x} {s.use}" for s in seen_map(memory))
        if stretches:
            yield Observation("memory seen", stretches)
    timing = evidence.timing
    if timing is not None and timing.interrupts is not None and (timing.interrupts.requests or timing.interrupts.acknowledged):
        yield Observation("interrupts", _interrupts(timing.interrupts))
    for paging in evidence.pagings:
        yield Observation(f"paging, {paging.name}", _paging(paging))
    if timing is not None and timing.delays:
        if words := _delays(timing):
            yield Observation("edges against the clock", words)


def _clocked(evidence: BusEvidence) -> str:
    """Return what one sample a clock lets be judged, and what not."""
    taken = "fetches" if evidence.clocked == "falling" else "memory and I/O reads"
    text = f"one sample a clock, at its {evidence.clocked} edge: spikes, delays and the clock itself are not judged, "
    text += f"and the bytes of {taken} are those on the bus half a T-state before the CPU takes them"
    return text if evidence.timed else text + "; lengths are counted in T-states, since --clock is not given"


def free_run_words(record: FreeRunRecord) -> str:
    """Return which lines count, and which the capture is too short for."""
    text = f"{record.fetches} fetches"
    counting = [each.line for each in record.lines if each.state == "counts"]
    early = [each.line for each in record.lines if each.state == "too short"]
    if counting:
        text += f"; {', '.join(counting)} count as they should"
    if early:
        whole = f", which take {time_words(record.round_s)} to come round" if record.round_s is not None else ""
        text += f"; not long enough to judge {', '.join(early)}{whole}"
    if record.others:
        text += f"; {record.others} cycles are no fetches, and a free run has none"
    return text


_BEGINS = {
    "reset": "from reset", "silence": "from the silence before it", "rhythm": "told by its rhythm", "bus": "met at work, told by its bus",
}  # fmt: skip


def replay_words(record: ReplayRecord) -> str:
    """Return how far the known program and the capture agree, and where the comparison ended."""
    text = f"{record.program} {_BEGINS.get(record.found_by, record.found_by)} at {time_words(record.begin_s)}: "
    text += f"{record.healthy_matched} of {record.cycles} cycles are those of a healthy machine"
    if record.versions:
        text += f" (given as well: {', '.join(record.versions)})"
    if record.candidates:
        groups = sorted({candidate.group for candidate in record.candidates})
        for group in groups:
            members = [candidate for candidate in record.candidates if candidate.group == group]
            begun = f" from {time_words(record.since_s)} on" if group == 1 and record.since_s is not None else ""
            parts = by_part(members) if record.together and group == 1 else [members]
            words = " together with ".join(map(describe_group, parts))
            text += f"; {members[0].matched} with {words}{begun}"
        if record.split_by:
            text += "; told apart by " + ", ".join(f"{bar(split.line)} at {time_words(split.first_s)}" for split in record.split_by[:3])
        return text
    if record.memory_without is not None:
        first, last = record.memory_without
        text += f", with no RAM of its own at {first:04x}h-{last:04x}h"
    if record.healthy_ended == "lost":
        return text + "; there its way hangs on memory that nobody has seen written, and the comparison ends"
    if record.healthy_ended == "gave up":
        return text + "; there too many ways were open, and the comparison ends"
    if record.healthy_matched < record.cycles:
        text += f"; it parts at {time_words(record.parted_s)}" if record.parted_s is not None else ""
        return f"{text}; {why_not_named(record)}"
    return text


def _interrupts(seen: Interrupts) -> str:
    parts = [f"/INT asked {_times(seen.requests)} and was acknowledged {_times(seen.acknowledged)}"]
    if seen.unanswered:
        parts.append(f"{seen.unanswered} not acknowledged before the next or the end (interrupts may be switched off)")
    if seen.period_s is not None:
        parts.append(f"every {time_words(seen.period_s)}")
    if seen.latency_s is not None:
        parts.append(f"acknowledged after {time_words(seen.latency_s)}")
    parts += [f"in mode {mode}" + ("" if len(seen.modes) == 1 else f" {_times(count)}") for mode, count in sorted(seen.modes.items())]
    vectors = [f"{vector:02X}h" for vector in sorted(seen.vectors)]
    if vectors:
        more = f" and {len(vectors) - VECTORS_SHOWN} more" if len(vectors) > VECTORS_SHOWN else ""
        parts.append(f"byte{'s' if len(vectors) > 1 else ''} read in the acknowledge: {', '.join(vectors[:VECTORS_SHOWN])}{more}")
    return ", ".join(parts)


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _paging(record: PagingRecord) -> str:
    fresh = record.fresh
    answered = [trigger.answer_s for trigger in fresh if trigger.answer_s is not None]
    text = f"{len(fresh)} trigger{'s' if len(fresh) != 1 else ''} that called for an answer on {bar(record.line)}, {len(answered)} answered"
    if answered:
        text += f" (after {time_words(max(answered))} at the longest)"
    if record.released or record.not_released:
        text += f"; {record.released} of {record.released + record.not_released} fetches in the release range let go"
    return text


def _delays(record: TimingRecord) -> str:
    """Return which speed grades the edges keep, which they break, and which can not be told; nothing where none can."""
    breaks = {grade: [d for d in record.delays if grade in d.breaks] for grade in GRADES}
    keeps = [grade for grade in GRADES if all(grade in delay.meets for delay in record.delays)]
    beyond = [grade for grade in GRADES if breaks[grade]]
    unsure = [grade for grade in GRADES if grade not in keeps and grade not in beyond]
    parts = [f"{len(record.delays)} delays known to {time_words(record.uncertainty_s)}"]
    if keeps:
        parts.append(f"within the limits of the {_grades(keeps)} grade{'s' if len(keeps) > 1 else ''}")
    if beyond:
        slowest = max(breaks[beyond[0]], key=lambda delay: delay.median_s)
        parts.append(
            f"beyond those of {_grades(beyond)} ({CHARACTERISTIC[slowest.symbol].meaning}: {time_words(slowest.median_s)} in the middle)"
        )
    if not keeps and not beyond:
        return ""  # too coarse to tell, and nobody asked
    if unsure:
        parts.append(f"of {_grades(unsure)} it can not be told at this rate")
    return ", ".join(parts)


def _grades(grades: List[int]) -> str:
    return ", ".join(map(str, grades)) + " MHz"
