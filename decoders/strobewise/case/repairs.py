"""Putting a part right, and what comes after it, as steps. What is done about each part: common practice."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence

from ..bus.lines import pin_text
from ..bus.model import Finding, Suspect
from ..rules.base import CAUTION_SOLDER
from ..verdict.words import SUSPECT_WORDS
from . import checks
from .proof import Proof
from .records import Answer, AnswerKind, Case, Hypothesis, Step

WORTH_A_TRIAL = 0.25  #: share from which a part is tried where no capture shows a fault and nothing tells more; our choice
LIKELY = 0.5  #: share below which putting a part right is a trial
#: What is done about a suspect: the kind of answer, what to do, and how much work and risk it is where it does not come out of a socket.
REPAIR: Mapping[Suspect, tuple[AnswerKind, str, float, float]] = {
    "cpu": ("replaced", "replace the CPU", checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "rom": ("replaced", "replace the ROM", checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "ram": ("replaced", "replace the RAM chip", checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "glue": ("replaced", "replace the buffer or decoder that drives it", checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "clock": ("replaced", "replace the crystal, or what drives the clock", checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "reset": ("replaced", "replace what holds the reset circuit, its capacitor first", checks.MINUTES_JOINT, checks.RISK_JOINT),
    "supply": ("replaced", "put the supply right: regulator and capacitors", checks.MINUTES_JOINT, checks.RISK_JOINT),
    "expansion_device": ("replaced", "try another device, or this one elsewhere", checks.MINUTES_PLUGGED, checks.RISK_PLUGGED),
    "data_bus": ("replaced", "find and replace the chip that pulls the data line: take out what hangs on it, one after the other",
                 checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "address_bus": ("replaced", "find and replace the chip that pulls the address line: take out what hangs on it, one after the other",
                    checks.MINUTES_SOLDERED, checks.RISK_SOLDERED),
    "connection": ("resoldered", "clean the contacts and re-solder the joints", checks.MINUTES_JOINT, checks.RISK_JOINT),
}  # fmt: skip


def repair_step(case: Case, hypotheses: Sequence[Hypothesis], findings: Sequence[Finding]) -> Step | None:
    """Return what to put right, by the likeliest part; None where that is none that can be, or no fault was seen."""
    fault = next((finding for finding in findings if finding.severity == "fault"), None)
    top = hypotheses[0] if hypotheses else None
    if top is None or top.suspect not in REPAIR or (fault is None and top.share < WORTH_A_TRIAL):
        return None
    kind, words, minutes, risk = REPAIR[top.suspect]
    if top.suspect in case.socketed:
        minutes, risk = checks.MINUTES_SOCKETED, checks.RISK_SOCKETED
    lines = fault.lines if fault is not None else ()
    about: str = top.suspect
    if kind == "resoldered" and lines:
        about, words = lines[0], f"{words} along {' and '.join(pin_text(line) for line in lines[:2])}"
    elif kind == "resoldered":
        kind, about = "cleaned", "connection"
    chip = _chip(fault)
    if chip and top.suspect in ("ram", "rom"):
        about, words = chip, f"{words} {chip}"
    answer = Answer(kind, about, part=top.suspect)
    why = f"{SUSPECT_WORDS[top.suspect]} is to blame with {top.share * 100:.0f} %"
    why += "" if top.share >= LIKELY else "; nothing cheaper tells more, so it is tried"
    command = f"strobewise case answer {shlex.quote(str(case.folder))} {kind} {about}"
    return Step(
        "repair", f"{kind}:{about}", words, why, "off", (CAUTION_SOLDER,), answers=(answer,), commands=(command,), minutes=minutes,
        risk=risk,
    )  # fmt: skip


def _chip(fault: Finding | None) -> str:
    """Return the one chip that a finding names, where its title ends with it in brackets."""
    words = fault.title.rpartition("(")[2].partition(")")[0] if fault is not None and fault.title.endswith(")") else ""
    return words if words and words.isalnum() else ""


def close_step(case: Case, hypotheses: Sequence[Hypothesis], proof: Proof) -> Step:
    """Return that the case can be closed."""
    was = mended(case) or (hypotheses[0].suspect if hypotheses else "none")
    command = f'strobewise case close {shlex.quote(str(case.folder))} --was {was} --part "WHAT IT WAS"'
    return Step("close", "close", "say what it was, close the case and hand the machine back", proof.words, commands=(command,))


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
