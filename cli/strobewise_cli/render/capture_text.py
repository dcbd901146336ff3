"""What `strobewise capture` says: the devices, the leads, what came, and each burst in one line."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import IO

from rich.console import Console
from rich.table import Table

from strobewise.bus.lines import pin_text
from strobewise.bus.units import time_words
from strobewise.rules.base import CAUTION_CLIP
from strobewise_cli.acquire.arrival import LeadLook, lead_words
from strobewise_cli.acquire.host import Abilities, Device
from strobewise_cli.acquire.plan import Plan
from strobewise_cli.acquire.session import Taken
from strobewise_cli.render.diagnosis_text import HEADLINES, aspect
from strobewise_cli.render.phrases import sentence
from strobewise_cli.terminal import one_line, report_console


def print_devices(found: Sequence[tuple[Device, Abilities]], stream: IO[str]) -> None:
    """Print what the host found, one device a line."""
    console = report_console(stream)
    for device, able in found:
        fastest = max((*able.rates, *(able.rate_range or ())), default=0)
        top = f", up to {fastest / 1e6:g} MHz" if fastest else ""
        trigger = "" if able.triggers else ", no triggers"
        made_up = " (its signals are made up)" if device.is_demo else ""
        _say(console, f"  --device {device.driver}: ", f"{device.words}, {len(device.channels)} channels{top}{trigger}{made_up}")
    if not found:
        console.print("The host finds no device: is it plugged in, and may you open it?", markup=False)


def print_plan(plan: Plan, device: str, stream: IO[str]) -> None:
    """Print what is about to be recorded, the caution first."""
    console = report_console(stream)
    _say(console, "  !  ", CAUTION_CLIP)
    console.print(f"Leads on {one_line(device)}; GND goes to pin 29, and first", markup=False)
    for lead in plan.leads:
        turned = ", inverted" if lead.inverted else ""
        console.print(f"  {one_line(lead.channel):<6} {pin_text(lead.line)}{turned}", markup=False)
    _say(console, "", f"{time_words(plan.duration_s)} at {plan.rate_hz / 1e6:g} MHz: {plan.samples} samples.")
    if plan.trigger is not None:
        _say(console, "", f"Waiting for a {plan.trigger[1]} edge of {pin_text(plan.trigger[0])}; Ctrl-C ends it.")
    elif plan.advised_trigger:
        _say(console, "", f"It begins at once; what this symptom is best caught with: {plan.advised_trigger}.")
    for remark in plan.remarks:
        _say(console, "  -  ", sentence(remark))
    stream.flush()


def print_leads(seen: Sequence[LeadLook], troubles: Sequence[str], stream: IO[str]) -> None:
    """Print what each lead shows, and what looks wrong."""
    console = report_console(stream)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="bold")
    for title in ("lead", "line", "shows", "remark"):
        table.add_column(title, overflow="fold")
    for look in seen:
        table.add_row(*map(one_line, lead_words(look)))
    console.print(table)
    for trouble in troubles:
        _say(console, "  !  ", sentence(trouble))
    if not troubles:
        console.print("Nothing speaks against the leads.", markup=False)
    stream.flush()


def print_taken(taken: Taken, stream: IO[str]) -> None:
    """Print what came, before the verdict."""
    console = report_console(stream)
    if taken.path:
        _say(console, "", f"Captured: {taken.path}")
    for remark in taken.remarks:
        _say(console, "  -  ", sentence(remark))
    console.print()


def print_burst(number: int, taken: Taken, stream: IO[str]) -> None:
    """Print one burst in a line."""
    verdict = taken.diagnosis.verdict
    told = HEADLINES[aspect(verdict)] if verdict.state == "no_fault_found" else verdict.headline
    kept = f" Kept: {taken.path}" if taken.path else ""
    _say(report_console(stream), f"{number:4d}  ", f"{told}{kept}")
    stream.flush()


def _say(console: Console, lead: str, text: str) -> None:
    for number, line in enumerate(textwrap.wrap(one_line(text), max(30, console.width - 1 - len(lead)), break_on_hyphens=False)):
        console.print((lead if number == 0 else " " * len(lead)) + line, markup=False, soft_wrap=True)
