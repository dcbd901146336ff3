"""Rules for leads on the wrong pin: the machine runs well, and only another labelling makes the capture consistent.

They read ``evidence.leads``. "Your leads" is said only here, where the machine's own behaviour
proves that the board is good. Common practice.
"""

from __future__ import annotations

from typing import Iterator, Sequence, Tuple

from ..bus.lines import ADDRESS, DATA, STROBES, bar, pin_text
from ..records.evidence import BusEvidence
from ..records.leads import LeadsRecord
from . import blame
from .base import Found, frayed, off_the_edge, rule, too_coarse
from .grades import FAIR, STRONG
from .picture import FRAME, STORE, Picture, done

WITNESSES = {
    "instructions": "instructions agree with the cycles behind them and with where the program goes on",
    "refreshes": "refresh addresses count up by one",
    "transfers": "data transfers keep out of halts",
    "acknowledges": "acknowledges follow a request",
    "consequences": "the CPU answers the line as it must",
    "strobes": "strobe assertions are where the cycles call for them",
}


CONSEQUENCES_MIN = 3  #: answers of the CPU to a line that holds it, below which two that come together by chance look exchanged
MODEL_MIN = 6  #: contradictions that another labelling takes away, as many as make one line a fault in rules/prediction


@rule(
    "leads-swapped", "leads on the wrong pins", "fault", needs=(("MREQ", "RD"), ("M1", "MREQ"), ("MREQ", *ADDRESS)), judges=(*STROBES, *ADDRESS, *DATA, "CLK", "HALT", "INT"),
    suspects=blame.LEADS_SWAPPED,
    looks_for="a bus that is inconsistent as it is labelled, and consistent when two leads are exchanged or one is inverted",
    causes="two clips on each other's pin, two channels with each other's name, an inverting buffer or channel",
    next_step="put the two leads right, or tell with --map, and capture again", source="common practice",
    host=None, lasting=True, relabels=True,
    speaks_for={**dict.fromkeys(("capture-too-coarse", "program-misread", "leads-crossed", "written-byte-contradicted", "address-contradicted", "program-contradicted"), "all")},
    picture=Picture(FRAME, STORE, (done("leads-swapped", lines=["RD", "WR"]),)),
)  # fmt: skip
def leads_swapped(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.leads or LeadsRecord()
    change = record.change
    # Only upside down does a lead show other strobes beside their samples; two that are exchanged look like two that lag.
    upside_down = change is not None and change.inverted and bool(frayed(evidence)) and not off_the_edge(evidence)
    if too_coarse(evidence) and not upside_down:
        return  # what was missed between samples looks like anything
    few = change is not None and not change.inverted and change.witnesses < CONSEQUENCES_MIN
    if change is not None and change.witness == "consequences" and few:
        return
    if change is None:
        yield from _elsewhere(evidence, record.elsewhere)
        return
    names = [bar(name) for name in change.lines]
    options = " ".join(f"--map {_quoted(text)}" for text in record.maps)
    if change.inverted:
        many = len(names) > 1
        what = f"with {', '.join(names[:-1])} and {names[-1]} inverted" if many else f"with {names[0]} inverted"
        where = "before these leads" if many else f"at {pin_text(change.lines[0])}"
        step = f"look for an inverting buffer or channel {where}; to judge this capture again, give {options}"
    else:
        first, second = change.lines
        what = f"with {names[0]} and {names[1]} exchanged"
        step = (
            f"each sits on the other's pin: put the lead labelled {names[0]} on {pin_text(first)} and the one labelled {names[1]} on "
            f"{pin_text(second)}; to judge this capture again as it is, give {options}"
        )
    if change.alternatives:
        what += f" ({', or '.join(' and '.join(map(bar, lines)) for lines in change.alternatives[:3])} would do as well)"
    if change.witness == "model":
        text = f"{what} {change.after * change.witnesses:.0f} of {change.witnesses} contradictions between the program and the bus are gone"
    else:
        text = f"{what} {WITNESSES[change.witness]} in {change.after * 100:.0f} % of {change.witnesses} cases"
        text += f"; as it is labelled in {change.before * 100:.0f} %" if change.before < change.after else ""
    doubtful = change.alternatives or (change.witness == "model" and change.witnesses < MODEL_MIN)
    yield Found(
        f"{text}: the board is good, your leads are not", change.lines, change.witnesses, evidence.first_request_s, evidence.last_request_s,
        next_step=step, confidence=FAIR if doubtful else STRONG,
    )  # fmt: skip


def _elsewhere(evidence: BusEvidence, strobes: Sequence[Tuple[str, str]]) -> Iterator[Found]:
    for name, line in strobes:
        yield Found(
            f"the channel labelled {bar(name)} does what {bar(line)} does, in time with the cycles: its lead sits there, or its label is wrong",
            (name,), evidence.requests, evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
            next_step=f"see whether the lead sits on {pin_text(line)} and put it on {pin_text(name)}; to judge this capture again as it is, "
            f"give --map {line}=CHANNEL for that channel and --map {name}=none",
        )  # fmt: skip


def _quoted(text: str) -> str:
    """Return an option's value as a shell takes it."""
    return text if all(mark.isalnum() or mark in "=_-.:/" for mark in text) else f"'{text}'"
