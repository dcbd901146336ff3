"""Putting a part right, and what comes after it, as steps. What is done about each part: common practice."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping, Sequence

from ..bus.lines import pin_text
from ..bus.model import Finding, Suspect
from ..rules import work
from ..rules.base import CAUTION_LIVE, CAUTION_SOLDER
from ..rules.work import Work
from ..verdict.words import SUSPECT_WORDS
from .board import chip_to_swap
from .proof import Proof
from .records import REPAIRS, Answer, AnswerKind, Case, Hypothesis, Step

#: Share from which a part is tried where nothing tells more: one that needs no soldering, the same where no capture shows a fault, and one
#: that does. Below it the case says that it cannot decide. Our choice.
WORTH_A_TRIAL, WORTH_A_TRIAL_UNSEEN, WORTH_SOLDERING = 0.1, 0.25, 0.2
_CHIP = re.compile(r"\(chip ([A-Za-z0-9]+)\)")
NEARLY = 0.5  #: of the likeliest part's share, from which another one may be tried before it because it is less work
LIKELY = 0.5  #: share below which putting a part right is a trial
#: What is done about a suspect: the kind of answer, what to do, and what work it is where it does not come out of a socket.
REPAIR: Mapping[Suspect, tuple[AnswerKind, str, Work]] = {
    "cpu": ("replaced", "replace the CPU", work.SOLDERED),
    "rom": ("replaced", "replace the ROM", work.SOLDERED),
    "ram": ("replaced", "replace the RAM chip", work.SOLDERED),
    "glue": ("replaced", "replace the buffer or decoder that drives it", work.SOLDERED),
    "clock": ("replaced", "replace the crystal, or what drives the clock", work.SOLDERED),
    "reset": ("replaced", "replace what holds the reset circuit, its capacitor first", work.JOINT),
    "supply": ("replaced", "put the supply right: regulator and capacitors", work.JOINT),
    "expansion_device": ("replaced", "try another device, or this one elsewhere", work.PLUGGED),
    "data_bus": ("replaced", "find and replace the chip that pulls the data line: take out what hangs on it, one after the other",
                 work.SOLDERED),
    "address_bus": ("replaced", "find and replace the chip that pulls the address line: take out what hangs on it, one after the other",
                    work.SOLDERED),
    "connection": ("resoldered", "clean the contacts and re-solder the joints", work.JOINT),
}  # fmt: skip


def repair_step(case: Case, hypotheses: Sequence[Hypothesis], findings: Sequence[Finding], seen: bool) -> Step | None:
    """Return what to put right; None where nothing is likely enough for its work and risk. seen: a capture shows that something is wrong.

    Trials go by the chance that they help per minute of work and risk (the order of a search that finds soonest; textbook).
    """
    fault = telling(findings) or next((finding for finding in findings if finding.severity == "fault"), None)
    able = [each for each in hypotheses if each.suspect in REPAIR]
    if not hypotheses or not able:
        return None
    if able[0].share < LIKELY:
        able = [each for each in able if each.share >= max(NEARLY * able[0].share, _worth_a_trial(case, each, seen))]
    if not able or (hypotheses[0] not in able and hypotheses[0].share >= LIKELY):
        return None
    best = able[0] if able[0].share >= LIKELY else max(able, key=lambda each: each.share / work.cost(_work(case, each.suspect)))
    return _repair(case, best, fault)


def telling(findings: Sequence[Finding]) -> Finding | None:
    """Return the fault whose lines are asked about first: the one that names the fewest, None where none names any."""
    faults = [finding for finding in findings if finding.severity == "fault" and finding.lines]
    return min(faults, key=lambda finding: len(finding.lines), default=None)


def _worth_a_trial(case: Case, hypothesis: Hypothesis, seen: bool) -> float:
    """Return the share from which a part is tried though others are as likely: soldering asks for more, and for a fault that was seen."""
    if _work(case, hypothesis.suspect).risk < work.SOLDERING:
        return WORTH_A_TRIAL if seen else WORTH_A_TRIAL_UNSEEN
    return WORTH_SOLDERING if seen else 1.0


def _work(case: Case, suspect: Suspect) -> Work:
    """Return what putting a part right costs."""
    if suspect in case.socketed:
        return work.SOCKETED
    return REPAIR[suspect][2]


def _repair(case: Case, top: Hypothesis, fault: Finding | None) -> Step:
    kind, words, *_ = REPAIR[top.suspect]
    lines = fault.lines if fault is not None else ()
    about: str = top.suspect
    if kind == "resoldered" and lines:
        about, words = lines[0], f"{words} along {' and '.join(pin_text(line) for line in lines[:2])}"
    elif kind == "resoldered":
        kind, about = "cleaned", "connection"
    chip = _chip(fault)
    if chip and top.suspect in ("ram", "rom"):
        about, words = chip, f"{words} {chip}"
    swapped = chip_to_swap(case, lines) if top.suspect == "glue" else None
    if swapped is not None:
        about, words = swapped.chip, f"replace the {swapped.kind} {swapped.chip}"
    answer = Answer(kind, about, part=top.suspect)
    why = f"{SUSPECT_WORDS[top.suspect]} is to blame with {top.share * 100:.0f} %"
    why += "" if top.share >= LIKELY else "; nothing cheaper tells more, so it is tried"
    command = f"strobewise case answer {shlex.quote(str(case.folder))} {kind} {shlex.quote(about)}"
    return Step(
        "repair", f"{kind}:{about}", words, why, "off", (CAUTION_SOLDER,), answers=(answer,), commands=(command,),
        minutes=_work(case, top.suspect).minutes, risk=_work(case, top.suspect).risk,
    )  # fmt: skip


def _chip(fault: Finding | None) -> str:
    """Return the one chip that a finding names: at the end of its title in brackets, or as a chip in its evidence."""
    if fault is None:
        return ""
    words = fault.title.rpartition("(")[2].partition(")")[0] if fault.title.endswith(")") else ""
    if words and words.isalnum():
        return words
    named = set(_CHIP.findall(fault.evidence))
    return named.pop() if len(named) == 1 else ""


def close_step(case: Case, hypotheses: Sequence[Hypothesis], proof: Proof | None) -> Step:
    """Return that the case can be closed. proof: None where nothing can prove it."""
    was = mended(case) or (hypotheses[0].suspect if hypotheses else "none")
    command = f'strobewise case close {shlex.quote(str(case.folder))} --was {was} --part "WHAT IT WAS"'
    why = proof.words if proof is not None else f"the fault is gone as far as anybody saw; {NOT_SEEN}"
    return Step("close", "close", "say what it was, close the case and hand the machine back", why, commands=(command,))


NOT_SEEN = "no capture from before the repair shows it, so none can prove that it is gone"


def tried(case: Case) -> Answer | None:
    """Return what was put right last, None where nothing was."""
    answers = (item.answer for item in reversed(case.items) if item.answer is not None and item.counts)
    return next((answer for answer in answers if answer.kind in REPAIRS), None)


def did_it_help(case: Case, last: Answer) -> Step:
    """Return the question whether a repair helped, where no capture from before it shows the fault."""
    command = f"strobewise case answer {shlex.quote(str(case.folder))} {last.kind} {shlex.quote(last.about)} --fault"
    return Step(
        "check", f"tried:{last.about}", "switch the machine on and see whether it does what it should now",
        f"{NOT_SEEN}: what you see is all there is to go by", "on", (CAUTION_LIVE,),
        answers=(last._replace(fault="gone"), last._replace(fault="stays")), commands=(f"{command} gone", f"{command} stays"), minutes=2.0,
    )  # fmt: skip


def mended(case: Case) -> Suspect | None:
    """Return the part that was put right last."""
    for item in reversed(case.items):
        answer = item.answer
        if answer is not None and item.counts and answer.fault != "stays":
            if answer.part is not None and answer.kind in ("replaced", "reseated", "cleaned"):
                return answer.part if answer.kind == "replaced" else "connection"
            if answer.kind == "resoldered":
                return "connection"
    return None
