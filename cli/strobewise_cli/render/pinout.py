"""The CPU's 40-pin package as a drawing: the pins to measure, and what was seen of each. Source of the pins: UM0080, pin figure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple, get_args

from strobewise.bus.lines import LINE, PIN_TO_LINE, SUPPLY_PINS, bar
from strobewise.diagnosis.facade import Diagnosis
from strobewise.verdict.coverage import guilty
from strobewise.verdict.steps import pins_in
from strobewise.verdict.words import MEMORY

PINS = 40
_PITCH, _TOP, _LEFT, _WIDTH, _LEAD = 17, 34, 92, 96, 24

Seen = Literal["good", "bad", "open", "supply"]
SEEN: tuple[Seen, ...] = get_args(Seen)
#: What stands on a pin besides its colour, and what the legend says of it.
SIGNS: dict[Seen, tuple[str, str]] = {
    "good": ("\N{CHECK MARK}", "seen good"), "bad": ("\N{MULTIPLICATION X}", "seen bad"), "open": ("?", "not judged with these leads"),
    "supply": ("", "supply"),
}  # fmt: skip


class LeadTag(NamedTuple):
    """What is clipped to a pin."""

    text: str  #: the channel
    tone: int  #: number of its colour in the style sheet


class Pin(NamedTuple):
    """One pin of the drawing. Coordinates in pixels."""

    number: int
    name: str
    marked: bool
    y: int
    left: bool
    seen: Seen
    sign: str
    lead: LeadTag | None  #: what is clipped there, where that is told


class Pinout(NamedTuple):
    """All that a template needs to draw the package."""

    pins: tuple[Pin, ...]
    marked: tuple[Pin, ...]
    chips: tuple[str, ...]  #: parts beside the CPU to look at, as the machine's profile calls them
    legend: tuple[tuple[Seen, str, str], ...]  #: what was seen -> sign, words; empty where nothing was
    width: int
    height: int
    body_x: int
    body_y: int
    body_width: int
    body_height: int


def pin_name(number: int) -> str:
    """Return what a pin carries, as a bench worker writes it."""
    return SUPPLY_PINS[number] if number in SUPPLY_PINS else bar(PIN_TO_LINE[number])


def pinout(
    marked: Iterable[int], seen: Mapping[int, Seen] | None = None, chips: Iterable[str] = (), leads: Mapping[int, LeadTag] | None = None
) -> Pinout:
    """Return the drawing with these pins marked. seen: what was seen of each pin. leads: pin -> what is clipped there."""
    wanted = set(marked)
    half = PINS // 2
    edge = _LEFT + (_LEAD if leads else 0)  # names with their channels take more room
    pins = []
    for number in range(1, PINS + 1):
        left = number <= half
        row = number - 1 if left else PINS - number
        state: Seen = "supply" if number in SUPPLY_PINS else (seen or {}).get(number, "open")
        sign = SIGNS[state][0] if seen is not None else ""
        lead = (leads or {}).get(number)
        pins.append(Pin(number, pin_name(number), number in wanted, _TOP + row * _PITCH, left, state, sign, lead))
    chosen = tuple(pin for pin in pins if pin.marked)
    height = _TOP + (half - 1) * _PITCH + 24
    found = {pin.seen for pin in pins} if seen is not None else set()
    legend = tuple((state, *SIGNS[state]) for state in SEEN if state in found and state != "supply")
    return Pinout(
        tuple(pins), chosen, tuple(chips), legend, 2 * edge + _WIDTH, height, edge, _TOP - 16, _WIDTH, (half - 1) * _PITCH + 32
    )


def coverage(diagnosis: Diagnosis) -> dict[int, Seen]:
    """Return what was seen of each pin: bad where a finding holds its line guilty, good where a rule could judge it and found nothing."""
    bad = guilty(finding for finding in diagnosis.findings if finding.suspect not in MEMORY)
    missing = set(diagnosis.verdict.not_judged)
    states: dict[int, Seen] = {}
    for line in diagnosis.lines:
        pin = LINE[line.line].pin if line.line in LINE else None
        if pin is not None:
            unseen = line.state == "not_captured" or line.line in missing
            states[pin] = "bad" if line.line in bad else "open" if unseen else "good"
    return states


def chips_to_look_at(diagnosis: Diagnosis) -> list[str]:
    """Return the chips that findings name as the machine's profile calls them, in the order of the findings."""
    evidence = diagnosis.evidence
    known = [chip for region in evidence.regions for chip in region.chips]
    named = [
        chip for finding in diagnosis.findings if finding.severity != "note" for chip in known
        if f"(chip {chip})" in finding.evidence or f"({chip})" in finding.title
    ]  # fmt: skip
    if evidence.replay is not None and any(finding.severity == "fault" for finding in diagnosis.findings):
        named += [chip for candidate in evidence.replay.candidates if candidate.group == 1 for chip in candidate.chips]
    return list(dict.fromkeys(named))


def pins_to_measure(diagnosis: Diagnosis) -> set[int]:
    """Return the pins that the verdict speaks of: named in its next steps, on lines of its findings, or worth a clip.

    A chip of the memory is none of the CPU's pins, though its finding names the data line that it feeds.
    """
    verdict = diagnosis.verdict
    own = [finding for finding in diagnosis.findings if finding.severity != "note" and finding.suspect not in MEMORY]
    names = [line for finding in own for line in finding.lines]
    if verdict.state == "cannot_decide":
        names += verdict.clip_also
    pins = {LINE[name].pin for name in names if name in LINE}
    elsewhere = {pin for finding in diagnosis.findings if finding.suspect in MEMORY for pin in finding.pins} - pins
    return (set(pins_in(verdict.next_steps)) - elsewhere) | {pin for pin in pins if pin is not None}
