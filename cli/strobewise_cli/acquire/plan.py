"""From what the user said and what the device can do to one plan: leads, rate, length, trigger."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from strobewise.bus.lines import BIT, LINE
from strobewise.bus.model import LeadPlace
from strobewise.capture.channels.beside import map_text
from strobewise.capture.channels.map_options import split_map
from strobewise.errors import UsageError
from strobewise.hookup.plan import advise
from strobewise.hookup.symptoms import Symptom
from strobewise_cli.acquire.host import Abilities

EDGES = ("rising", "falling")


class Lead(NamedTuple):
    """One lead of the analyser."""

    line: str
    channel: str  #: as the device calls it
    inverted: bool = False  #: the probe turns its level over


class Plan(NamedTuple):
    """What to record."""

    leads: tuple[Lead, ...]
    rate_hz: int
    samples: int
    trigger: tuple[str, str] | None  #: line and edge to wait for
    advised_trigger: str  #: what hookup would wait for, in words; empty where the user gave the leads
    remarks: tuple[str, ...]  #: what is not as it was asked for, in sentences
    own_names: bool = False  #: the channels keep the device's names in the file, so that it tells which lead a line was on

    def name(self, lead: Lead) -> str:
        """Return what a lead's channel is called in the file."""
        return lead.channel if self.own_names else lead.line

    @property
    def duration_s(self) -> float:
        """Length of the record, seconds."""
        return self.samples / self.rate_hz


class Wish(NamedTuple):
    """What the user asked for; None where the plan may choose."""

    maps: Sequence[str]
    channels: int | None
    symptom: Symptom
    clock_hz: float | None
    rate_hz: int | None
    duration_s: float | None
    trigger: tuple[str, str] | None


def make_plan(wish: Wish, able: Abilities) -> Plan:
    """Plan a record as hookup advises, or with the leads that were given. Raises UsageError."""
    if not able.channels:
        raise UsageError("the device has no channels for levels", "--device", "strobewise capture --list shows what is there")
    count = min(wish.channels or len(able.channels), len(able.channels), len(LINE))
    advice = advise(count, wish.symptom, wish.clock_hz)
    planned = tuple(Lead(lead.line, channel) for lead, channel in zip(advice.leads, able.channels, strict=False))
    leads = given_leads(wish.maps, able.channels) or planned
    if wish.trigger is not None and wish.trigger[0] not in {lead.line for lead in leads}:
        raise UsageError(f"no lead carries {wish.trigger[0]}", "--trigger", "wait for a line that has a lead")
    wanted = wish.rate_hz or advice.sample_hz
    rate = pick_rate(wanted, able)
    remarks = []
    if wish.channels is not None and wish.channels > len(able.channels):
        remarks.append(f"the device has {len(able.channels)} channels, not {wish.channels}")
    if rate != wanted:
        remarks.append(f"the device samples at {rate / 1e6:g} MHz, not at {wanted / 1e6:g} MHz")
    if rate < advice.sample_hz_min:
        remarks.append(f"{rate / 1e6:g} MHz is too slow to judge every strobe: it takes {advice.sample_hz_min / 1e6:.3g} MHz")
    samples = max(1, round((wish.duration_s or advice.duration_s) * rate))
    return Plan(leads, rate, samples, wish.trigger, advice.trigger if leads == planned else "", tuple(remarks))


def given_leads(maps: Sequence[str], channels: Sequence[str]) -> tuple[Lead, ...]:
    """Return the leads that the user gave as LINE=CHANNEL, a channel as the device calls it. Raises UsageError."""
    leads = []
    for text in maps:
        name, channel = split_map(text)
        line = name.lstrip("/").upper()
        inverted = channel.startswith("!")
        channel = channel.removeprefix("!").strip()
        if channel not in channels:
            raise UsageError(f"the device has no channel {channel!r}", f"--map {text}", f"it has {', '.join(channels)}")
        if line not in BIT and not re.fullmatch(r"[A-Z][A-Z0-9_]*", line):
            raise UsageError(f"{name!r} is no name for a line", f"--map {text}", "write LINE=CHANNEL, for example M1=D3")
        leads.append(Lead(line, channel, inverted))
    for what in ("line", "channel"):
        names = [getattr(lead, what) for lead in leads]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise UsageError(f"the {what} {twice} is given twice", "--map", "give each line one channel")
    return tuple(leads)


def pick_rate(wanted: int, able: Abilities) -> int:
    """Return the slowest rate of the device that is no slower than wanted, else its fastest; in Hz."""
    if able.rates:
        return next((rate for rate in able.rates if rate >= wanted), able.rates[-1])
    if able.rate_range is not None:
        return min(max(wanted, able.rate_range[0]), able.rate_range[1])
    return wanted


def map_of(plan: Plan, probe_at: Mapping[str, LeadPlace]) -> str:
    """Return the map that stands beside the file: which channel is which line, inverted probes, and where leads sat."""
    named = {lead.line for lead in plan.leads}
    pairs = [(lead.line, f"{'!' if lead.inverted else ''}{plan.name(lead)}") for lead in plan.leads]
    return map_text(pairs, {line: place for line, place in probe_at.items() if line in named})
