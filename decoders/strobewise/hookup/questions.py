"""What a set of leads can answer, in the words of somebody who repairs: computed from which lines the rules need, and what they judge."""

from __future__ import annotations

from typing import FrozenSet, Iterable, List, NamedTuple, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, LINE, LINES, STROBES, bar
from ..rules import CATALOGUE
from ..rules.base import Rule
from .plan import advise


class Question(NamedTuple):
    """One thing that the owner of a machine wants to know."""

    name: str  #: in two or three words, for a table
    words: str  #: whole, behind "whether" or "which"
    judges: FrozenSet[str]  #: a rule speaks to it when what it judges is among these


#: In the order of a repair. A rule belongs to the first that holds all that it judges; one that judges nothing asks whether the CPU works.
QUESTIONS: Tuple[Question, ...] = (
    Question("the CPU at work", "whether the CPU works at all", frozenset()),
    Question("the clock", "whether the clock runs, and at its rate", frozenset(("CLK",))),
    Question("reset", "whether reset holds it, or comes again and again", frozenset(("RESET",))),
    Question("what holds it", "whether something holds the CPU: /WAIT, another bus master", frozenset(("WAIT", "BUSREQ", "BUSACK"))),
    Question("interrupts, halt", "whether interrupts, NMI and halt go as they should", frozenset(("INT", "NMI", "HALT"))),
    Question("the strobes", "which of these strobes is dead, or comes and goes", frozenset(STROBES)),
    Question("data lines", "whether a data line is stuck, open or wrong", frozenset(DATA)),
    Question("address lines", "whether an address line is stuck, open or wrong", frozenset(ADDRESS)),
    Question("the RAM", "whether the RAM holds what is written, and which chip does not", frozenset(("RAM",))),
    Question("the ROM", "whether the ROM answers, and with the right bytes", frozenset(("ROM", "RAM", *DATA, *ADDRESS))),
    Question("the expansion device", "whether the expansion device is asked, and answers", frozenset(("ROMDIS", "M1"))),
)
WORK = frozenset(("CPU",))
BRIDGED = Question("bridges", "whether two of these lines are bridged", frozenset((*STROBES, *DATA, *ADDRESS)))


def question_of(rule: Rule) -> Question:
    """Return what a rule helps to answer."""
    judged = frozenset(rule.judges)
    if not judged or judged <= WORK:
        return QUESTIONS[0]
    if "expansion_device" in {name for name, _ in rule.suspects} and {"ROMDIS", *ADDRESS} & (judged | rule.wants):
        return QUESTIONS[-1]
    return next((question for question in QUESTIONS[1:] if judged <= question.judges), BRIDGED)


class Answers(NamedTuple):
    """What leads can answer."""

    answered: Tuple[Question, ...]
    open: Tuple[Tuple[Question, Tuple[str, ...]], ...]  #: with the fewest lines that a rule of it takes as well
    beyond: Tuple[Question, ...]  #: those of the open ones that no set of so many leads can answer


def answers(lines: Iterable[str], channels: int, relevant: Sequence[Rule] = CATALOGUE) -> Answers:
    """Return what a set of leads answers of the questions that relevant rules speak to, in the order of a repair.

    channels: how many leads there are at most. Only faults count: what may be no fault answers nothing.
    """
    have = frozenset(lines)
    faults = [rule for rule in relevant if rule.severity == "fault" and rule.needs and not rule.blames_leads and any(rule.needs)]
    answered: List[Question] = []
    left: List[Tuple[Question, Tuple[str, ...]]] = []
    beyond: List[Question] = []
    for question in (*QUESTIONS, BRIDGED):
        own = [needed for rule in faults if question_of(rule) is question for needed in rule.needs if needed]
        if not own:
            continue
        if any(have.issuperset(needed) for needed in own):
            answered.append(question)
            continue
        left.append((question, min((tuple(name for name in needed if name not in have) for needed in own), key=len)))
        if min(map(len, own)) > channels:
            beyond.append(question)
    return Answers(tuple(answered), tuple(left), tuple(beyond))


SAME = "the same, with more to see of it"


def wiring_rows(counts: Iterable[int]) -> List[Tuple[str, str, str]]:
    """Return (leads, lines with their pins, what they answer) for analysers of so many channels, as the README shows them.

    Each row goes on from the one before where it holds all of its lines.
    """
    rows: List[Tuple[str, str, str]] = []
    before: Tuple[str, ...] = ()
    known: Tuple[str, ...] = ()
    for count in counts:
        chosen = {lead.line for lead in advise(count).leads}
        lines = tuple(line.name for line in LINES if line.name in chosen)
        more = [name for name in lines if name not in before]
        kept = bool(before) and set(before) <= set(lines)
        words = pins_text(more if kept else lines)
        told = tuple(question.name for question in answers(lines, count).answered)
        new = [name for name in told if name not in known]
        rows.append((str(count), f"these, {words}" if kept else words, (", ".join(new) if kept else ", ".join(told)) or SAME))
        before, known = lines, told
    return rows


def pins_text(names: Sequence[str]) -> str:
    """Return lines with their pins in brackets, whole buses in one."""
    rest = list(names)
    told: List[str] = []
    for bus, text in ((ADDRESS, "A0-A15 (30-40, 1-5)"), (DATA, "D0-D7 (14 15 12 8 7 9 10 13)")):
        if set(bus) <= set(rest):
            rest = [name for name in rest if name not in bus]
            told.append(text)
    alone = [f"{bar(name)} ({LINE[name].pin})" if LINE[name].pin is not None else f"{bar(name)} of the port" for name in rest]
    return ", ".join(alone + told)
