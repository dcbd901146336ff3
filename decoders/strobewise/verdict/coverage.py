"""What these leads cannot judge: computed from what the rules need and what was captured, so that no list of it can grow stale."""

from __future__ import annotations

from typing import FrozenSet, Iterable, List, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, LINE, LINES, bar, in_ranges
from ..bus.model import Finding, Verdict
from ..records.evidence import BusEvidence
from ..rules.base import CATALOGUE

PARTS = ("ROM", "RAM")  #: parts of the machine, not lines, that rules judge
BETWEEN_SAMPLES = ("spikes", "delays")  #: what one sample a clock never shows
HOLD_THE_CPU = ("CLK", "RESET", "WAIT", "BUSREQ")  #: whoever holds one of these holds the CPU (UM0080, pin descriptions)
CLIP_FIRST = ("MREQ", "M1", *HOLD_THE_CPU, "RD", "WR", "IORQ", "RFSH", "HALT", "INT", "NMI")
CLIPS_NAMED = 4  #: lines to clip next that are named: a person moves a few leads at a time


def not_judged(records: Sequence[BusEvidence]) -> Tuple[str, ...]:
    """Return the lines and parts that no rule which finds faults of the machine can judge, lines in the order of their table.

    records: what each capture of the machine shows; a rule needs its lines in one of them.
    A rule that blames the leads says nothing of the line itself, and one judges only lines that it needs (where it needs them at all, and
    not one that a profile names): others it merely compares.
    """
    finding = [each for each in CATALOGUE if each.severity == "fault" and not each.blames_leads]
    judged = {
        name for record in records for each in finding for lines in each.needs if record.has(*lines)
        for name in each.judges if name in PARTS or name in lines or (name not in each.wants and name in record.captured)
    }  # fmt: skip
    unseen = BETWEEN_SAMPLES if all(record.clocked for record in records) else ()
    paged = any(record.profile is not None and record.profile.paging for record in records)
    known = {name for each in finding for name in each.judges} - (set() if paged else {"ROMDIS"})
    order = [*(line.name for line in LINES), *PARTS]
    return (*(name for name in order if name in known and name not in judged), *unseen)


def guilty(findings: Iterable[Finding]) -> FrozenSet[str]:
    """Return the lines that findings hold against the machine or its leads."""
    return frozenset(name for finding in findings if finding.severity != "note" for name in finding.lines)


def words(names: Sequence[str]) -> str:
    """Return lines and parts in few words: "memory, data lines, address lines, what holds the CPU, /INT"."""
    rest = list(names)
    told: List[str] = []
    for group, text in ((PARTS, "memory"), (DATA, "data lines"), (ADDRESS, "address lines"), (HOLD_THE_CPU[1:], "what holds the CPU")):
        if set(group) <= set(rest):
            told.append(text)
            left_out = {*group, "CLK", "BUSACK"} if text == "what holds the CPU" else set(group)
            rest = [name for name in rest if name not in left_out]
    alone = {"ROM": "the ROM", "RAM": "the RAM"}
    return ", ".join(told + in_ranges(name for name in rest if name not in alone) + [text for name, text in alone.items() if name in rest])


def clip_also(evidence: BusEvidence) -> Tuple[str, ...]:
    """Return the lines that tell most when they are added, those that hold a CPU first; none while it is not known what is there."""
    if evidence.unlabelled:
        return ()
    wanted = (name for name in CLIP_FIRST if name != "CLK" or not evidence.clocked)
    return tuple(name for name in wanted if name not in evidence.captured)[:CLIPS_NAMED]


def left_to_clip(verdict: Verdict) -> Tuple[str, ...]:
    """Return the lines worth a clip that no step asks for yet."""
    asked = {pin for step in verdict.steps for pin in step.pins}
    return tuple(name for name in verdict.clip_also if name not in LINE or LINE[name].pin not in asked)


def clip_words(evidence: BusEvidence, missing: Sequence[str]) -> str:
    """Return what to clip next, in words; nothing where more leads would not help. missing: what is not judged."""
    lines = clip_also(evidence)
    if lines:
        return ", ".join(bar(name) for name in lines)
    buses = [text for bus, text in ((ADDRESS, "address"), (DATA, "data")) if set(bus) & set(missing)]
    return f"the {' and '.join(buses)} lines" if buses and not evidence.unlabelled else ""
