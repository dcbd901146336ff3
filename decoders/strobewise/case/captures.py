"""The captures that a case asks for, as steps: leads with their pins, settings, and the exact command."""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping, Sequence

from ..bus.lines import LINE, bar, pin_text
from ..bus.model import LeadPlace
from ..bus.units import time_words
from ..diagnosis.examined import Examined
from ..hookup.plan import TELLS_DIRECTION
from ..rules.base import CAUTION_CLIP
from ..rules.work import CAPTURE, CLIP
from .plans import Plan, shows_the_program
from .proof import TIMES, Proof
from .records import Case, Step, StepLead

RANGE_CAUTION = "Mind the analyser's input range (often 0 to 5.25 V): edge connectors also carry higher voltages; count pins twice."
SAMPLE_HZ = 24e6  #: asked for where the last capture does not say (common practice for clocks of 3 to 6 MHz)
#: What a device at the port needs to see, the most telling first (common practice).
AT_THE_PORT = ("MREQ", "M1", "RD", "ROMDIS", "IORQ", "WR", "RFSH", "CLK", "RESET", "NMI", "INT", "WAIT", "BUSREQ", "HALT")
SHOWS_A_PROGRAM = ("MREQ", "M1", "RD", "WR", "IORQ", "RFSH", "CLK", "INT")  #: what tells a program from a CPU that nothing answers
MARGIN = 1.1  #: over the time that it takes


def capture_step(
    case: Case, id: str, title: str, why: str, channels: Mapping[str, str], places: Mapping[str, LeadPlace],
    settings: Mapping[str, float | str], bits: float, moved: int,
) -> Step:  # fmt: skip
    """Return a capture as a step. channels: line -> channel; places: of lines that do not sit at the CPU; moved: leads to be moved."""
    leads = tuple(
        StepLead(channel, line, LINE[line].pin if line in LINE else None, places.get(line, "cpu"), _connector_pin(case, line))
        for line, channel in channels.items()
    )  # fmt: skip
    named = all(line == channel for line, channel in channels.items())  # such a capture says itself which channel is which line
    words = [] if named else [f"--map {line}={shlex.quote(channel)}" for line, channel in channels.items()]
    words += [f"--probe-at {line}={place}" for line, place in places.items() if line in channels and place != "cpu"]
    words += [f"--minutes-on {settings['minutes_on']:g}"] if settings.get("minutes_on") else []
    command = " ".join(["strobewise case add", shlex.quote(str(case.folder)), "CAPTURE.vcd", *words])
    cautions = (CAUTION_CLIP, *((RANGE_CAUTION,) if "connector" in places.values() else ()))
    return Step(
        "capture", id, title, why, "off", cautions, leads, settings, commands=(command,), minutes=CAPTURE.minutes + CLIP.minutes * moved,
        risk=min(1.0, CAPTURE.risk + CLIP.risk * moved), bits=bits,
    )  # fmt: skip


def _connector_pin(case: Case, line: str) -> str | None:
    return case.profile.connector_pin(line) if case.profile is not None else None


def _settings(plan: Plan) -> dict[str, float | str]:
    told: dict[str, float | str] = {"sample_hz": plan.sample_hz, "duration_s": plan.duration_s, "trigger": plan.trigger}
    return told | ({"minutes_on": plan.minutes_on} if plan.minutes_on else {})


def length_words(plan: Plan) -> str:
    """Return the settings of a capture, as the end of a sentence."""
    trigger = plan.trigger if plan.trigger.startswith("no trigger") else f"trigger on the {plan.trigger}"
    return f"{time_words(plan.duration_s)} at {plan.sample_hz / 1e6:g} MHz; {trigger}"


def nothing_left(why: str) -> Step:
    """Return that there is nothing to do."""
    return Step("none", "none", "nothing is left to do", why)


def numbered(lines: Sequence[str]) -> dict[str, str]:
    """Return the channels of a plan: CH0, CH1 ... in its order."""
    return {line: f"CH{number}" for number, line in enumerate(lines)}


def first_capture(case: Case, plan: Plan, before: Sequence[Examined], bits: float, purpose: str = "") -> Step:
    """Return the capture that looks where the case is open. purpose: why, where it is another one than that."""
    channels = numbered(plan.lines)
    names = ", ".join(bar(line) for line in plan.lines)
    warm = f" once it has been on for {plan.minutes_on:g} minutes, or has failed," if plan.minutes_on else ""
    title = f"clip {names} at the CPU and capture{warm} for {length_words(plan)}"
    why = purpose or "these leads let the rules decide that speak of what is still open"
    return capture_step(case, "capture", title, why, channels, {}, _settings(plan), bits, _moved(channels, before))


def telling_apart(
    case: Case, plan: Plan, before: Sequence[Examined], apart: Sequence[str], bits: float, unseen: bool = False
) -> Step:  # fmt: skip
    """Return the capture that tells the faults apart which all explain what was seen so far. apart: lines on which they differ.

    unseen: there is one such fault, on a line that nobody has looked at; what might do the same comes behind it in `apart`.
    """
    lines = list(dict.fromkeys((*TELLS_DIRECTION, *plan.lines[:1], *shows_the_program(case))))[: case.leads - 1]
    lines += [line for line in apart if line not in lines][: case.leads - len(lines)]
    lines += [line for line in plan.lines if line not in lines][: case.leads - len(lines)]
    channels = numbered(lines)
    names = ", ".join(bar(line) for line in lines)
    title = f"clip {names} at the CPU and capture for {length_words(plan)}"
    named = ", ".join(bar(line) for line in apart if line in lines)
    why = f"several faults explain what was seen so far; on {named} they differ"
    if unseen:
        why = f"what was seen so far points at a line that no lead has shown yet ({named})"
    return capture_step(case, "capture:apart", title, why, channels, {}, _settings(plan), bits, _moved(channels, before))


def of_a_bus(case: Case, plan: Plan, before: Sequence[Examined], lines: Sequence[str]) -> Step:
    """Return the capture of lines of a bus beside those that say what the bus is used for."""
    channels = numbered(lines)
    names = ", ".join(bar(line) for line in lines)
    title = f"clip {names} at the CPU and capture for {length_words(plan)}"
    why = "the strobes tell no more; the lines that select a memory may be bridged or lost, and a look at them comes before any soldering"
    return capture_step(case, "capture:select", title, why, channels, {}, _settings(plan), 0.0, _moved(channels, before))


def _moved(channels: Mapping[str, str], before: Sequence[Examined]) -> int:
    last = before[-1].channels.channels if before else {}
    return sum(last.get(line) != channel for line, channel in channels.items())


def at_connector(case: Case, before: Sequence[Examined], bits: float) -> Step:
    """Return the same lines at the connector: what is good at the CPU and not there tells the way between."""
    seen = {line for examined in before for line in examined.channels.channels}
    channels = numbered([line for line in AT_THE_PORT if line in seen or line == "ROMDIS"][: case.leads])
    places: dict[str, LeadPlace] = dict.fromkeys(channels, "connector")
    title = f"move the leads to the expansion connector ({', '.join(map(bar, channels))}) and capture as before"
    why = "a line that is right at the CPU and wrong at the connector is the strongest evidence against what lies between"
    return capture_step(case, "capture:connector", title, why, channels, places, _as_before(case, before[-1]), bits, len(channels))


def on_other_leads(case: Case, before: Sequence[Examined], line: str, bits: float) -> Step:
    """Return the capture that shows a line again on another lead. A capture of before shows that line."""
    last = next(examined for examined in reversed(before) if line in examined.channels.channels)
    channels = {name: channel for name, channel in last.channels.channels.items() if name in LINE}
    other = next((name for name in channels if name != line), line)
    channels[line], channels[other] = channels[other], channels[line]
    places = {name: place for name, place in last.evidence.probe_at.items() if name in channels}
    title = f"exchange the leads of {pin_text(line)} and {pin_text(other)} and capture as before"
    why = "a fault that stays with the line is not the lead's; one that goes with the lead is"
    return capture_step(case, f"capture:lead:{line}", title, why, channels, places, _as_before(case, last), bits, 2)


def _as_before(case: Case, last: Examined) -> dict[str, float | str]:
    """Return the settings of a capture that is made again: rate, length, and how long the machine had been on."""
    interval = last.sample_interval_s
    settings: dict[str, float | str] = {"sample_hz": round(1.0 / interval) if interval else SAMPLE_HZ}
    settings |= {"duration_s": last.evidence.duration_s, "trigger": "as before"}
    minutes = next((item.minutes_on for item in case.captures if str(case.path(item)) == last.path), None)
    return settings | ({"minutes_on": minutes} if minutes else {})


def again_for_proof(case: Case, showing: Sequence[Examined], proof: Proof | None, least_s: float = 0.0) -> Step:
    """Return the capture that proves a repair: the leads that showed the fault, under the same conditions, for long enough.

    showing: the captures from before the repair that show it. least_s: how long the first capture after it must be, see proof.
    """
    if not showing:
        return nothing_left("no capture from before the repair shows the fault, so none can prove that it is gone; close with what it was")
    as_in = proof.leads_as_in if proof is not None else ""
    last = next((each for each in showing if each.path == as_in), showing[-1])
    settings = _as_before(case, last)
    minutes = [item.minutes_on for item in case.captures if item.minutes_on]
    if proof is not None and proof.duration_s is not None:
        settings["duration_s"] = proof.duration_s
    else:
        settings["duration_s"] = max(float(settings["duration_s"]) * MARGIN, least_s)
    warm = (proof.minutes_on if proof is not None else None) or math.ceil(TIMES * max(minutes, default=0.0))
    if warm:
        settings["minutes_on"] = float(warm)
    if proof is not None and proof.only_running:
        channels = numbered(SHOWS_A_PROGRAM[: case.leads])
        title = f"clip {', '.join(map(bar, channels))} at the CPU and capture once more, to see that the program runs on"
        return capture_step(case, "capture:running", title, proof.missing[0], channels, {}, settings, 0.0, len(channels))
    channels = {line: channel for line, channel in last.channels.channels.items() if line in LINE}
    words = f" after it has been on for {warm:g} minutes," if warm else ""
    length = time_words(float(settings["duration_s"]))
    title = f"put the leads where they were, {', '.join(map(bar, channels))}, and capture again,{words} for {length}"
    same = "the same leads, the same program and the same warmth show whether it is gone"
    why = proof.missing[0] if proof is not None and proof.missing else same
    return capture_step(case, "capture:proof", title, why, channels, dict(last.evidence.probe_at), settings, 0.0, 2)
