"""The capture that a case asks for, taken through the capture host: its leads, its rate, its length."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import NamedTuple

from strobewise.bus.model import LeadPlace
from strobewise.case.records import Step
from strobewise.errors import UsageError
from strobewise.hookup.symptoms import UNKNOWN
from strobewise.profile.options import Options
from strobewise_cli.acquire.host import Abilities, abilities
from strobewise_cli.acquire.plan import Plan, Wish, make_plan
from strobewise_cli.acquire.session import Taken, take

NAME = "capture.vcd.gz"


class Recorded(NamedTuple):
    """A record for a case."""

    path: str
    places: Mapping[str, LeadPlace]  #: of lines that do not sit at the CPU
    minutes_on: float | None  #: that the step asked for
    remarks: tuple[str, ...]  #: what is not as it was asked for


def record_step(step: Step, driver: str, folder: str, options: Options) -> Recorded:
    """Record what a step asks for into a folder. Raises UsageError where it asks for no capture; StrobewiseError, OSError."""
    plan = plan_of(step, abilities(driver))
    taken: Taken = take(driver, plan, options, os.path.join(folder, NAME))
    minutes = step.settings.get("minutes_on")
    places: dict[str, LeadPlace] = {lead.line: lead.place for lead in step.leads if lead.place != "cpu"}
    return Recorded(taken.path, places, float(minutes) if minutes else None, (*plan.remarks, *taken.remarks))


def plan_of(step: Step, able: Abilities) -> Plan:
    """Return what to record for a step: a lead on the channel of that name, else on the channel of its place. Raises UsageError."""
    if not step.leads:
        raise UsageError("the case asks for no capture now", "the next step", f"it asks to {step.title}")
    if len(step.leads) > len(able.channels):
        what = f"the step takes {len(step.leads)} leads, and the device has {len(able.channels)}"
        raise UsageError(what, "the device", "begin the case with as many leads as there are")
    named = all(lead.channel in able.channels for lead in step.leads)
    maps = [f"{lead.line}={lead.channel if named else able.channels[at]}" for at, lead in enumerate(step.leads)]
    told = step.settings
    rate, seconds = told.get("sample_hz"), told.get("duration_s")
    wish = Wish(maps, None, UNKNOWN, None, round(float(rate)) if rate else None, float(seconds) if seconds else None, None)
    return make_plan(wish, able)._replace(own_names=True)
