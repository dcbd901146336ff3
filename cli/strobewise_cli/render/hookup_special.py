"""Hook-up advice for two captures of a kind of their own: a free run, and a machine whose program is known."""

from __future__ import annotations

from typing import IO

from rich.console import Console

from strobewise.bus.lines import LINE, bar
from strobewise.bus.units import time_words
from strobewise.files.plain_data import Document
from strobewise.hookup.free_run import FreeRunAdvice
from strobewise.hookup.known_program import ProgramAdvice
from strobewise_cli.render.hookup_text import FORMAT, GROUND_PIN, VERSION, head, say
from strobewise_cli.render.phrases import sentence
from strobewise_cli.terminal import report_console


def print_free_run(advice: FreeRunAdvice, stream: IO[str]) -> None:
    """Print how a free run is set up and captured."""
    console = report_console(stream)
    _cautions(console, advice.cautions)
    say(console, "", "Free run: the CPU reads 00h (NOP) everywhere and walks up through all addresses. What counts then works.")
    head(console, "How")
    for number, step in enumerate(advice.steps, 1):
        say(console, f"  {number}. ", step)
    head(console, "Leads, in this order")
    say(console, "  ", ", ".join([f"GND ({GROUND_PIN})", *(f"{bar(name)} ({pin})" for name, pin in advice.leads)]))
    if len(advice.leads) < 18:
        say(console, "  ", "with these channels the upper address lines come with a second capture: clip them in place of the lower ones")
    _settings(console, advice.sample_hz, advice.sample_hz_min, f"{time_words(advice.duration_s)}: the CPU comes round once")
    say(console, "  trigger:  ", "none; a free run looks the same at any time")
    head(console, "Then")
    console.print(f"  {free_run_command(advice)}", markup=False)
    say(console, "  ", "Each address line is held against its own rate, which halves from A0 to A15; strobes, refresh and clock as ever.")


def print_program(advice: ProgramAdvice, told: str, stream: IO[str]) -> None:
    """Print how a machine with a known program is captured. told: the program and the machine, as options."""
    console = report_console(stream)
    _cautions(console, advice.cautions)
    say(console, "", f"The program is known: {advice.program}. Two leads and the reset do.")
    head(console, "Leads, in this order")
    say(console, "  ", ", ".join([f"GND ({GROUND_PIN})", *(f"{bar(name)} ({LINE[name].pin})" for name in advice.leads)]))
    _settings(console, advice.sample_hz, advice.sample_hz_min, f"{time_words(advice.duration_s)} from the reset on")
    say(console, "  trigger:  ", "rising edge of /RESET, or switch the machine on while the capture runs")
    head(console, "Then")
    console.print(f"  {program_command(advice, told)}", markup=False)
    head(console, "What that can tell")
    say(
        console, "  ",
        f"Of {advice.faults} single faults that were run ahead {advice.seen} change what these leads show by then, and {advice.alone} do "
        "it as no other part does. Whatever else you clip narrows it down.",
    )  # fmt: skip


def _cautions(console: Console, cautions: tuple[str, ...]) -> None:
    for caution in cautions:
        say(console, "  !  ", sentence(caution))
    console.print()


def _settings(console: Console, rate: int, least: int, duration: str) -> None:
    head(console, "Settings")
    say(console, "  rate:     ", f"{rate / 1e6:.4g} MHz; {least / 1e6:.3g} MHz is the least")
    say(console, "  duration: ", duration)


def free_run_command(advice: FreeRunAdvice) -> str:
    """Return the command that judges the capture."""
    return "strobewise diagnose capture.vcd --free-run" + (f" --clock {advice.clock_hz:.0f}" if advice.clock_hz else "")


def program_command(advice: ProgramAdvice, told: str) -> str:
    """Return the command that judges the capture, its channels named as the lines. told: the program and the machine, as options."""
    return f"strobewise diagnose capture.vcd {told}" + (f" --clock {advice.clock_hz:.0f}" if advice.clock_hz else "")


def free_run_document(advice: FreeRunAdvice) -> Document:
    """Return the advice as plain data."""
    return {
        "format": FORMAT, "version": VERSION, "kind": "free-run", "channels": advice.channels,
        "leads": [{"channel": number, "line": name, "pin": pin} for number, (name, pin) in enumerate(advice.leads)],
        "clock_hz": advice.clock_hz, "sample_hz": advice.sample_hz, "sample_hz_min": advice.sample_hz_min, "duration_s": advice.duration_s,
        "cautions": list(advice.cautions), "steps": list(advice.steps), "command": free_run_command(advice),
    }  # fmt: skip


def program_document(advice: ProgramAdvice, told: str) -> Document:
    """Return the advice as plain data."""
    return {
        "format": FORMAT, "version": VERSION, "kind": "known-program", "program": advice.program,
        "leads": [{"channel": number, "line": name, "pin": LINE[name].pin} for number, name in enumerate(advice.leads)],
        "clock_hz": advice.clock_hz, "sample_hz": advice.sample_hz, "sample_hz_min": advice.sample_hz_min, "duration_s": advice.duration_s,
        "trigger": "rising edge of /RESET", "faults": advice.faults, "seen": advice.seen, "alone": advice.alone,
        "cautions": list(advice.cautions), "command": program_command(advice, told),
    }  # fmt: skip
