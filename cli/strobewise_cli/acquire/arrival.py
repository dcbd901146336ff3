"""What came of a record: is it as long, and as fast, as was asked for; and what each lead shows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from strobewise.bus.lines import pin_text
from strobewise.bus.units import time_words
from strobewise.capture import open_capture
from strobewise.diagnosis.facade import Diagnosis
from strobewise.rules import find_rule
from strobewise_cli.acquire.host import hertz
from strobewise_cli.acquire.plan import Lead, Plan

SHORT = 0.98  #: of the length asked for; what is missing below it is told
RATE_TOLERANCE = 0.01  #: of the rate asked for, by which a device may differ without a word: it divides its own crystal
HEADER_BYTES = 4096
TOGETHER = 0.9  #: share of the changes in which all moving leads move at once, from which they are told to move together
TOGETHER_LEADS, TOGETHER_EVENTS = 3, 16  #: moving leads, and changes, below which that says nothing


class LeadLook(NamedTuple):
    """What one lead shows."""

    lead: Lead
    state: str  #: "alive", "high" or "low"
    edges: int
    remark: str


def arrived(path: str, diagnosis: Diagnosis, plan: Plan, said: str) -> list[str]:
    """Return what is not as it was asked for, in sentences. said: what the host said while it recorded."""
    remarks = []
    seconds = diagnosis.captures[0].evidence.duration_s
    if seconds < SHORT * plan.duration_s:
        remarks.append(
            f"the record is short: {time_words(seconds)} of {time_words(plan.duration_s)} came; the device's memory or its cable "
            "holds no more, so ask for less, for fewer channels, or for a slower rate"
        )
    rate = _rate_in(path)
    if rate is None:
        remarks.append("the file does not say at which rate it was sampled: lengths in it are as good as its time axis")
    elif abs(rate - plan.rate_hz) > RATE_TOLERANCE * plan.rate_hz:
        remarks.append(f"the device sampled at {rate / 1e6:g} MHz, not at {plan.rate_hz / 1e6:g} MHz")
    if said and not remarks:
        remarks.append(f"the host says: {said.splitlines()[-1].strip()}")
    return remarks


def _rate_in(path: str) -> int | None:
    """Return the rate that the host wrote into the comment at the head of the file."""
    with open(path, "rb") as file:
        head = file.read(HEADER_BYTES).decode(errors="replace")
    comment = head.partition("$comment")[2].partition("$end")[0]
    return hertz(comment.rpartition(" at ")[2]) if " at " in comment else None


def looks(diagnosis: Diagnosis, plan: Plan) -> list[LeadLook]:
    """Return what each lead shows, in the order of the plan."""
    states = {line.line: line for line in diagnosis.lines}
    found = []
    for lead in plan.leads:
        line = states.get(lead.line)
        if line is None or line.state == "not_captured":
            found.append(LeadLook(lead, "unknown", 0, "no level came"))
            continue
        state = "alive" if line.edges else "high" if (line.high_fraction or 0.0) > 0.5 else "low"
        remark = "" if line.edges or line.state == "idle" else "it should move while the machine runs: the lead, or the line itself"
        found.append(LeadLook(lead, state, line.edges, line.remark if line.remark and line.state != "active" else remark))
    return found


def lead_troubles(diagnosis: Diagnosis, plan: Plan) -> list[str]:
    """Return what looks wrong with the leads, in sentences: exchanged, inverted, off, the ground missing."""
    troubles = []
    moving = [look for look in looks(diagnosis, plan) if look.state == "alive"]
    if not moving:
        troubles.append("no lead moves: is the machine on, is ground clipped (pin 29), does the clip sit?")
    elif all_together(diagnosis.captures[0].path, diagnosis):
        troubles.append("all leads that move do so at the same moments: the ground lead is off, or they sit on one line (ground is pin 29)")
    for finding in diagnosis.findings:
        rule = find_rule(finding.rule)
        if rule is not None and finding.severity != "note" and (rule.blames_leads or finding.suspect == "probe_or_capture"):
            troubles.append(f"{finding.title}: {finding.evidence}")
    return troubles


def all_together(path: str, diagnosis: Diagnosis) -> bool:
    """Say whether the leads that move all do so at the same moments, as those of an analyser do whose ground is off."""
    channels = diagnosis.captures[0].channels
    mask = np.uint64(channels.mask)
    moves = []
    with open_capture(path) as capture:
        for block in capture.blocks(channels.assignments):
            words = block.words & mask
            moves.append(words[1:] ^ words[:-1])
    changed = np.concatenate([*moves, np.empty(0, np.uint64)])
    changed = changed[changed != 0]
    alive = np.bitwise_or.reduce(changed) if len(changed) else np.uint64(0)
    if int(alive).bit_count() < TOGETHER_LEADS or len(changed) < TOGETHER_EVENTS:
        return False
    return bool(np.mean(changed == alive) >= TOGETHER)


def lead_words(look: LeadLook) -> tuple[str, str, str, str]:
    """Return a lead's channel, line with its pin, what it does, and a remark."""
    does = f"alive, {look.edges} edges" if look.state == "alive" else f"still, {look.state}" if look.state != "unknown" else "unknown"
    return look.lead.channel, pin_text(look.lead.line), does, look.remark


