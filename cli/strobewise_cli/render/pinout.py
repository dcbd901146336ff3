"""The CPU's 40-pin package as a drawing, with the pins to measure marked. Source of the pins: UM0080, pin figure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from strobewise.bus.lines import LINE, PIN_TO_LINE, SUPPLY_PINS, bar
from strobewise.diagnosis.facade import Diagnosis

PINS = 40
_PITCH, _TOP, _LEFT, _WIDTH = 17, 34, 92, 96
_PIN_TEXT = re.compile(r"\bpins? (\d{1,2})(?:(?:,| and) (?:pin )?(\d{1,2}))?")


class Pin(NamedTuple):
    """One pin of the drawing. Coordinates in pixels."""

    number: int
    name: str
    marked: bool
    y: int
    left: bool


class Pinout(NamedTuple):
    """All that a template needs to draw the package."""

    pins: tuple[Pin, ...]
    marked: tuple[Pin, ...]
    width: int
    height: int
    body_x: int
    body_y: int
    body_width: int
    body_height: int


def pin_name(number: int) -> str:
    """Return what a pin carries, as a bench worker writes it."""
    return SUPPLY_PINS[number] if number in SUPPLY_PINS else bar(PIN_TO_LINE[number])


def pinout(marked: Iterable[int]) -> Pinout:
    """Return the drawing with these pins marked."""
    wanted = set(marked)
    half = PINS // 2
    pins = []
    for number in range(1, PINS + 1):
        left = number <= half
        row = number - 1 if left else PINS - number
        pins.append(Pin(number, pin_name(number), number in wanted, _TOP + row * _PITCH, left))
    chosen = tuple(pin for pin in pins if pin.marked)
    height = _TOP + (half - 1) * _PITCH + 24
    return Pinout(tuple(pins), chosen, 2 * _LEFT + _WIDTH, height, _LEFT, _TOP - 16, _WIDTH, (half - 1) * _PITCH + 32)


def pins_in(texts: Sequence[str]) -> set[int]:
    """Return the pins that sentences name as "pin 27" or "pins 36 and 37"."""
    found = {int(number) for text in texts for match in _PIN_TEXT.finditer(text) for number in match.groups() if number}
    return {number for number in found if 1 <= number <= PINS}


def pins_to_measure(diagnosis: Diagnosis) -> set[int]:
    """Return the pins that the verdict speaks of: named in its next steps, on lines of its findings, or worth a clip."""
    verdict = diagnosis.verdict
    names = [line for finding in diagnosis.findings if finding.severity != "note" for line in finding.lines]
    if verdict.state == "cannot_decide":
        names += verdict.clip_also
    pins = {LINE[name].pin for name in names if name in LINE}
    return pins_in(verdict.next_steps) | {pin for pin in pins if pin is not None}
