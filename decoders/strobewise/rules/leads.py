"""Rules for leads on the wrong pin: the machine runs well, and only another labelling makes the capture consistent.

They read ``evidence.parts["leads"]`` (strobewise.evidence.leads.LeadsRecord). "Your leads" is said only here, where the machine's own behaviour
proves that the board is good. Common practice.
"""

from __future__ import annotations

from typing import Any, Iterator

from ..bus.evidence import BusEvidence
from ..bus.lines import ADDRESS, STROBES, bar, pin_text
from .base import Found, rule

WITNESSES = {
    "refreshes": "refresh addresses count up by one",
    "operands": "operands agree with the address that follows",
    "strobes": "strobe assertions are where the cycles call for them",
}


@rule(
    "leads-swapped", "leads on the wrong pins", "fault", needs=(("MREQ", "RD", "M1"), ("MREQ", *ADDRESS)), judges=(*STROBES, *ADDRESS),
    suspects=(("probe_or_capture", 0.93), ("connection", 0.04)),
    looks_for="a bus that is inconsistent as it is labelled, and consistent when two leads are exchanged or one is inverted",
    causes="two clips on each other's pin, two channels with each other's name, an inverting buffer or channel",
    next_step="put the two leads right, or tell with --map, and capture again", source="common practice",
)  # fmt: skip
def leads_swapped(evidence: BusEvidence) -> Iterator[Found]:
    record: Any = evidence.parts.get("leads")
    for change in (record.strobes, record.buses) if record is not None else ():
        if change is None:
            continue
        if change.inverted:
            (name,) = change.lines
            what = f"with {bar(name)} inverted"
            step = f"look for an inverting buffer or channel at {pin_text(name)}, or tell with --map {name}=!CHANNEL; then capture again"
        else:
            first, second = change.lines
            what = f"with {bar(first)} and {bar(second)} exchanged"
            step = (
                f"put the lead labelled {bar(first)} on {pin_text(second)} and the one labelled {bar(second)} on {pin_text(first)}, "
                "or rename the two channels; then capture again"
            )
        yield Found(
            f"{what} {WITNESSES[change.witness]} in {change.after * 100:.0f} % of {change.witnesses} cases, as it is labelled in "
            f"{change.before * 100:.0f} %: the board is good, your leads are not",
            change.lines, change.witnesses, evidence.first_request_s, evidence.last_request_s, next_step=step, confidence=0.94,
        )  # fmt: skip
        return
