"""What the known program says over all captures: which faults they leave, what would tell those apart, and whether the machine leaves its
program at all, whoever is to blame for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..bus.lines import LINE
from ..bus.model import Finding, LeadPlace, Suspect
from ..bus.units import time_words
from ..diagnosis.examined import Examined
from ..records.evidence import BusEvidence, LineEvidence
from ..records.replay import COMPLETE, PARTED, Candidate, ReplayRecord
from ..rules.grades import GUESS
from ..rules.replay import PROGRAM_LEFT
from .checks import Seen

CUT_OFF = 2  #: cycles at the end that a capture may have cut in two
REPLAYED = 1000  #: cycles that agree with the known program, which say that it runs
EARLY = 12  #: cycles from the reset on; a store and a load of one byte take ten with their operands (UM0080)
MOVES = 20  #: edges from which a line is alive
LEAST = 50  #: cycles beyond the last that agrees: from so many on it was no accident

BEYOND = ("socket", "connector")  #: places that a lead at the CPU does not show
Key = tuple[str, str, tuple[str, ...]]


def keeps_to_program(replay: ReplayRecord | None, least: int = REPLAYED) -> bool:
    """Say whether a capture is what the known program does, from its begin to the end, or as far as anybody can follow the program."""
    if replay is None or replay.candidates or replay.cycles < least:
        return False
    return replay.cycles - replay.healthy_matched <= CUT_OFF


def leaves_program(replay: ReplayRecord | None) -> bool:
    """Say whether a machine does other things than its program says, and does so for long."""
    if replay is None or replay.healthy_ended != PARTED or replay.memory_without is not None:
        return False
    return replay.cycles - replay.healthy_matched >= LEAST


def parts_early(replay: ReplayRecord | None) -> bool:
    """Say whether a machine leaves its program so soon behind the reset that it can hardly have read what it wrote."""
    return replay is not None and replay.found_by == "reset" and leaves_program(replay) and replay.healthy_matched < EARLY


def goes_further(replay: ReplayRecord | None, failing: Sequence[ReplayRecord | None]) -> bool:
    """Say whether a machine keeps to its program well beyond where the captures that failed left it, or could not be followed any more.

    One that failed and kept to it to its end (a device that does not answer leaves the program as it is) asks for nothing.
    """
    reached = [each.healthy_matched for each in failing if each is not None and each.healthy_ended != COMPLETE]
    return replay is not None and (not reached or replay.healthy_matched >= max(reached) + LEAST)


def left(evidence: BusEvidence) -> Finding | None:
    """Return that a machine leaves its program, as something that a proof can ask for; None where it does not.

    The rule says so of a begin that /RESET shows and of a long stretch alone; in a case somebody saw that something is wrong.
    """
    replay = evidence.replay
    if replay is None or not leaves_program(replay):
        return None
    when = f" at {time_words(replay.parted_s)}" if replay.parted_s is not None else ""
    title = "the machine leaves its program"
    words = f"{title}{when}, after {replay.healthy_matched} of {replay.cycles} cycles, and no single fault explains what it does then"
    return Finding(PROGRAM_LEFT, "warning", (), "none", GUESS, replay.parted_s, None, 1, words, "", title=title)


def open_explanations(examined: Sequence[Examined]) -> tuple[Candidate, ...]:
    """Return the faults that explain every capture in which a fault shows beside the known program, nothing where they share none."""
    found: dict[Key, Candidate] | None = None
    for each in examined:
        replay = each.evidence.replay
        first = {_key(candidate): candidate for candidate in (replay.candidates if replay is not None else ()) if candidate.group == 1}
        if first:
            found = first if found is None else {key: found[key] for key in found if key in first}
    good = alive(examined, "connector")
    return tuple(each for each in (found or {}).values() if each.place not in BEYOND or not good.issuperset(each.lines))


def alive(examined: Sequence[Examined], place: LeadPlace) -> frozenset[str]:
    """Return the lines that were seen to move, time and again, where a lead sat at this place."""
    return _where(examined, place, lambda line: line.edges >= MOVES)


def _where(examined: Sequence[Examined], place: LeadPlace, fits: Callable[[LineEvidence], bool]) -> frozenset[str]:
    """Return the lines that do something in a capture in which their lead sat at this place."""
    records = [each.evidence for each in examined]
    return frozenset(
        name for record in records for name in record.captured
        if record.probe_at.get(name, "cpu") == place and name in record.lines and fits(record.line(name))
    )  # fmt: skip


def seen_of_lines(examined: Sequence[Examined]) -> Seen:
    """Return what captures show of single lines at the CPU and at the connector."""
    here, there = alive(examined, "cpu"), alive(examined, "connector")
    mostly = here & _where(examined, "cpu", lambda line: line.level == "high")
    still = _where(examined, "connector", lambda line: not line.edges) - there
    low_there, low_here = _where(examined, "connector", _low) - there, _where(examined, "cpu", _low) - here
    return Seen(here, mostly, low_there, still, low_here)


def _low(line: LineEvidence) -> bool:
    return not line.edges and line.high_fraction == 0.0


def _key(candidate: Candidate) -> Key:
    return candidate.fault, candidate.place, candidate.lines


def told_apart_by(examined: Sequence[Examined]) -> tuple[str, ...]:
    """Return the lines that would tell the open explanations apart, and those that they speak of, without those captured since.

    The lines that differ earliest come first.
    """
    records = [each.evidence.replay for each in examined if each.evidence.replay is not None and each.evidence.replay.candidates]
    captured = {line for each in examined for line in each.evidence.captured}
    least = min(records, key=lambda record: sum(candidate.group == 1 for candidate in record.candidates), default=None)
    if least is None:
        return ()
    named = (line for candidate in open_explanations(examined) for line in candidate.lines)
    lines = dict.fromkeys((*(split.line for split in least.split_by), *named))
    return tuple(line for line in lines if line not in captured and line in LINE)


def blamed(candidates: Sequence[Candidate]) -> tuple[Suspect, ...]:
    """Return whom the explanations blame first, each once."""
    return tuple(dict.fromkeys(candidate.suspect for candidate in candidates))
