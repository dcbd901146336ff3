"""What is wrong, in plain words: the one sentence that a person at the bench reads first.

The sentence says what a line does, then who is likely to blame. What shows it (numbers, times, rules) stays with the findings.
"""

from __future__ import annotations

import re
from typing import Dict, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, LINE, STROBES, bar, pin_text
from ..bus.model import Finding, SuspectShare
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.strobes import ENOUGH, behaviour, died, released, stuck_low
from ..rules.base import find_rule

NEARLY_AS_LIKELY = 0.4  #: of the first suspect's confidence, from which the sentence names the second as well
LIKELY = 0.4  #: share from which a suspect is called the likely one

SUSPECT_WORDS = {
    "cpu": "the CPU",
    "rom": "the ROM",
    "ram": "the RAM",
    "data_bus": "the data bus",
    "address_bus": "the address bus",
    "glue": "the board's own logic",
    "clock": "the clock",
    "reset": "the reset circuit",
    "supply": "the supply",
    "expansion_device": "the expansion device",
    "connection": "a connection (socket, joint, track or edge connector)",
    "program": "the program",
    "probe_or_capture": "the lead, its label or the capture",
    "none": "nothing",
}

MEMORY = ("ram", "rom")  #: suspects that sit on the board: their findings name data lines, which are none of the CPU's faults
#: A chip as the rules name it in their evidence, and at the end of a title.
_CHIP, _CHIP_LAST = re.compile(r"\(chip ([^()]+)\)"), re.compile(r"\(([A-Za-z]+\d+)\)$")

STATES = ("dead", "held", "low", "off", "unsteady", "captured")  #: words of titles that want a verb in front

#: What a strobe marks.
MARKS: Dict[str, str] = {
    "M1": "fetches and acknowledges", "MREQ": "memory accesses", "IORQ": "I/O accesses", "RD": "reads", "WR": "writes", "RFSH": "refreshes",
}  # fmt: skip


def counted(number: int, words: str) -> str:
    """Return a number and what it counts, the word in the singular where there is one: counted(2, "reads") is "2 reads"."""
    if number != 1:
        return f"{number} {words}"
    return "1 " + " and ".join(_single(word) for word in words.split(" and "))


def _single(word: str) -> str:
    return word[:-2] if word.endswith(("ches", "shes", "sses")) else word[:-1] if word.endswith("s") else word


def names(lines: Sequence[str]) -> str:
    """Return lines with their pins, joined as in a sentence."""
    words = [pin_text(name) for name in lines]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def chips_named(finding: Finding) -> Tuple[str, ...]:
    """Return the memory chips that a finding of the memory names, as the machine's profile calls them; empty for any other finding."""
    if finding.suspect not in MEMORY:
        return ()
    own = _CHIP_LAST.findall(finding.title)
    return tuple(dict.fromkeys((*_CHIP.findall(finding.evidence), *own)))


def headline(findings: Sequence[Finding], suspects: Sequence[SuspectShare], evidence: BusEvidence) -> str:
    """Return the fault and who is likely to blame. findings: what counts, the plainest first; at least one."""
    text = f"{plain(findings[0], evidence)}."
    others = {f.lines for f in findings[1:]} - {findings[0].lines}
    if others:
        text += f" ({counted(len(findings) - 1, 'more findings')} below.)"
    if suspects and suspects[0].suspect == "probe_or_capture":
        return f"Check the leads first: {text}"
    return text[0].upper() + text[1:] + blame(suspects)


def blame(suspects: Sequence[SuspectShare]) -> str:
    """Return who is likely to blame, as a sentence of its own with a space in front; nothing where nobody is."""
    if not suspects or suspects[0].suspect == "none":
        return ""
    first = suspects[0]
    second = suspects[1] if len(suspects) > 1 and suspects[1].confidence > NEARLY_AS_LIKELY * first.confidence else None
    either = SUSPECT_WORDS[first.suspect]
    if first.confidence >= LIKELY:
        return f" Most likely {either}{f', else {SUSPECT_WORDS[second.suspect]}' if second is not None else ''}."
    return f" Who is to blame stays open: {either}{f' or {SUSPECT_WORDS[second.suspect]}' if second is not None else ''}, first of all."


def plain(finding: Finding, evidence: BusEvidence) -> str:
    """Return what a finding says, in plain words without its evidence and without a full stop."""
    lines = finding.lines
    rule = find_rule(finding.rule)
    title = finding.title or (rule.title if rule is not None else finding.rule)
    blames_lead = finding.suspect == "probe_or_capture"
    own = rule is not None and bool(rule.suspects) and rule.suspects[0][0] == "probe_or_capture"
    if blames_lead and not own and lines:
        return f"the lead for {names(lines)}, or its label, comes first: what it shows does not fit the rest of the bus"
    if rule is not None and title != rule.title:
        return title  # the finding has words of its own
    if len(lines) == 1 and rule is not None and lines[0] in rule.judges and not blames_lead:
        told = _strobe(lines[0], evidence) if rule.judges == lines else _still(lines[0], evidence)
        if told:
            return f"{pin_text(lines[0])} {told}"
    if len(lines) == 2 and finding.suspect == "connection" and _two_of_a_kind(lines):
        return f"{names(lines)} look bridged: they pull each other along"
    chips = chips_named(finding)
    if chips and lines:  # its line is the chip's own there, and none of the CPU's pins
        return f"{title}: {', '.join(map(bar, lines))} ({'chip' if len(chips) == 1 else 'chips'} {', '.join(chips)})"
    return _titled(title, lines)


def _titled(title: str, lines: Tuple[str, ...]) -> str:
    """Return a rule's title with its lines and their pins."""
    if not lines:
        return title
    for name in lines:
        if title.startswith(bar(name) + " "):
            rest = title[len(bar(name)) + 1 :]
            return f"{pin_text(name)} {'is ' if rest.startswith(STATES) else ''}{rest}"
    if len(lines) == 1 and title.startswith(("a ", "an ")) and lines[0] in LINE:
        return f"{names(lines)} is {title}"
    return f"{title}: {names(lines)}"


def _two_of_a_kind(lines: Tuple[str, ...]) -> bool:
    return any(set(lines) <= set(kind) for kind in (ADDRESS, DATA, STROBES))


def _still(name: str, evidence: BusEvidence) -> Optional[str]:
    """Say how an address or data line stands still; None for any other line, and for one that moves."""
    line = evidence.line(name)
    if line.edges or line.high_fraction is None or not (name in ADDRESS or name in DATA) or not evidence.requests:
        return None
    level = line.level
    return f"is stuck {level}: it never moves while {counted(evidence.requests, 'requests')} went by"


def _strobe(name: str, evidence: BusEvidence) -> Optional[str]:
    """Say what a strobe does instead of its work; None where it does its work, or too little says so."""
    count, line = evidence.strobes.get(name), evidence.line(name)
    seen = behaviour(line, count) if count is not None else None
    if seen is None or count is None:
        return None
    only_fetches = name == "M1" and not evidence.cycles["interrupt_acknowledge"]
    called = counted(count.expected, "fetches" if only_fetches else MARKS[name])
    if line.edges == 0 and seen.kind == "held" and count.expected < ENOUGH:
        return f"is stuck low: it never moves, in {counted(count.others, 'requests')} that must not have it"
    if line.edges == 0:
        return f"is dead: it never moves while {called} went by"
    if seen.kind == "silent":
        return f"is as good as dead: it strobes in none of {called}"
    if seen.kind in ("stays", "held") and line.stays is not None and stuck_low(line):
        since, meanwhile = time_words(line.stays.since_s), f"{bar(line.stays.other)} falls {line.stays.falls} times"
        return f"gets stuck low: it is not let go from {since} on, while {meanwhile}"
    if seen.kind == "held" and released(line):
        return f"stays low: it is let go only {released(line)} times while {called} went by"
    if seen.kind == "held":
        return f"is not let go between {called}"
    if seen.kind == "inverted":
        return f"is upside down: it does the opposite of what {called} call for"
    if seen.kind == "unrelated":
        follows = f", and follows {bar(line.follows)}" if line.follows else ""
        return f"does not do its work: it moves without regard to {called}{follows}"
    if died(line, count) and line.stays is not None:
        return f"dies at {time_words(line.stays.since_s)}: it strobes in {count.seen} of {called}, in none from then on"
    if count.seen < count.expected:
        return f"comes and goes: it strobes in {count.seen} of {called}"
    return f"strobes where it must not, in {count.wrong} of {counted(count.others, 'other requests')}"
