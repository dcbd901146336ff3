"""A case for a person at a terminal: where it stands, what changed it, and the one thing to do next."""

from __future__ import annotations

import math
import textwrap
from typing import IO, TYPE_CHECKING

from rich.text import Text

from strobewise.bus.lines import bar
from strobewise.bus.model import VerdictState
from strobewise.bus.units import per_cent, time_words
from strobewise.case.records import Answer, CaseState, Hypothesis, Item, Step, Taken
from strobewise.case.trend import Trend
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.render.diagnosis_text import map_words
from strobewise_cli.render.phrases import sentence
from strobewise_cli.render.trend_charts import more_lines, within_lines, within_rows
from strobewise_cli.terminal import one_line, report_console

if TYPE_CHECKING:
    from rich.console import Console

    from strobewise.case.proof import Proof
    from strobewise.diagnosis.examined import Examined

UNITS = {"volts": " V", "ohms": " ohms", "between": " ohms", "supply": " V"}
#: What an answer of yes (right) and no (wrong) says, with {about}.
SAID = {
    "pulses": ("{about} pulses", "{about} does not pulse"),
    "driven": ("{about}: each of its pins is driven", "{about}: a pin that selects or addresses it is not driven"),
    "passes": ("{about} passes its lines on as it should", "{about} does not pass its lines on as it should"),
    "readout": ("{about} reads right in a programmer", "{about} reads wrong in a programmer"),
}
PROOF_COLOURS = {"proven": "bold green", "not_proven": "bold yellow", "still_there": "bold red", "new_fault": "bold red"}


def print_state(state: CaseState, stream: IO[str]) -> None:
    """Print where a case stands: the sheet with what each entry changed, the suspects, the proof, the next step."""
    console = report_console(stream)
    case = state.case
    console.print(Text(f"{case.machine or case.folder.name}: {case.symptom}, opened {case.opened}", "bold"))
    if state.verdict is not None:
        _say(console, "", sentence(state.verdict.headline))
    _head(console, "Sheet")
    if not case.items:
        console.print("  nothing yet")
    changes = changed_words(state)
    for item in case.items:
        _say(console, f"  {item.number}. ", item_words(item))
        for told in changes.get(item.number, ()):
            _say(console, "     -> ", told)
    if case.closed is not None:
        _say(console, "  closed: ", closed_words(state))
    else:
        _head(console, "Suspects")
        for each in state.hypotheses:
            _say(console, f"  {each.share * 100:3.0f} %  ", hypothesis_words(each))
    if state.proof is not None:
        _head(console, "Proof")
        _proof(console, state.proof)
    if state.trend is not None and trend_shown(state.trend):
        _trend(console, state.trend)
    console.print()
    _step(console, state.step)


def print_step(step: Step, stream: IO[str]) -> None:
    """Print the one thing to do next."""
    _step(report_console(stream), step)


def print_proof(proof: Proof, stream: IO[str]) -> None:
    """Print whether a repair is proven."""
    _proof(report_console(stream), proof)


def item_words(item: Item) -> str:
    """Return an entry of the sheet as a sentence."""
    if item.file is not None:
        words = f"capture {item.file.rpartition('/')[2]}"
        words += f", on for {item.minutes_on:g} minutes" if item.minutes_on is not None else ""
        words += "".join(f", {each}" for each in taken_words(item.taken))
    else:
        words = answer_words(item.answer) if item.answer is not None else ""
    words += f" ({item.note})" if item.note and words else item.note
    return words if item.counts else f"withdrawn: {words}"


def changed_words(state: CaseState) -> dict[int, tuple[str, ...]]:
    """Return for each entry of the sheet the verdict of a capture, alone, and what the entry changed."""
    return {change.number: tuple(filter(None, (change.verdict, change.words))) for change in state.changes}


def taken_words(taken: Taken) -> list[str]:
    """Return how a capture was taken, where its file does not say so."""
    clocked = f"one sample a clock, at its {taken.clocked} edge" if taken.clocked not in (None, "no") else ""
    runs = "the test program running" if taken.stimulus else "the CPU running free" if taken.free_run else ""
    told = ("raw samples" if taken.raw else "", clocked, runs)
    return [words for words in told if words]


def answer_words(answer: Answer) -> str:
    """Return what was measured or done in a few words."""
    about = SUSPECT_WORDS.get(answer.about, " to ".join(map(bar, answer.about.split("-")))).partition(" (")[0]
    if answer.kind == "note":
        return ""
    if answer.kind in SAID:
        words = SAID[answer.kind][0 if answer.value else 1].format(about=about)
    elif answer.value == math.inf:
        words = f"{about}: no way through (the meter shows an open line)"
    elif answer.value is not None:
        words = f"{about or answer.kind}: {answer.value:g}{UNITS.get(answer.kind, '')}"
    else:
        words = f"{answer.kind} {about}"
    if answer.place == "connector":
        words += " at the connector"
    return words + {"": "", "gone": ": the fault is gone", "stays": ": the fault stays"}[answer.fault]


def hypothesis_words(each: Hypothesis) -> str:
    """Return a suspect, and beside it what the table alone says where the shop's own closed cases count."""
    words = SUSPECT_WORDS[each.suspect]
    if not each.closed_cases:
        return words
    many = f"your {each.closed_cases} closed case{'s' if each.closed_cases > 1 else ''}"
    return f"{words} (table {each.table * 100:.0f} %; with {many} {each.share * 100:.0f} %)"


def closed_words(state: CaseState) -> str:
    """Return what it was."""
    closed = state.case.closed
    assert closed is not None
    return f"{time_of_day(closed.time)}: it was {SUSPECT_WORDS[closed.was].partition(' (')[0]}: {closed.part} ({proven_words(state)})"


def proof_stands(state: CaseState) -> bool:
    """Say whether a closed case is still what it was closed as: a proof may have rested on what was withdrawn since."""
    closed = state.case.closed
    return closed is None or not closed.proven or closed.stands or (state.proof is not None and state.proof.state == "proven")


def closed_aspect(state: CaseState) -> VerdictState:
    """Return how a closed case looks: well, or open again where its proof no longer stands."""
    return "no_fault_found" if proof_stands(state) else "cannot_decide"


def proven_words(state: CaseState) -> str:
    """Return whether a closed case is proven, and what became of that."""
    closed = state.case.closed
    if closed is None or not closed.proven:
        return "not proven"
    if closed.stands:
        return "proven"
    many = "entries" if len(closed.withdrawn_since) > 1 else "entry"
    gone = f"{many} {', '.join(map(str, closed.withdrawn_since))} {'were' if len(closed.withdrawn_since) > 1 else 'was'} withdrawn since"
    if proof_stands(state):
        return f"proven; {gone}, and what is left proves it still"
    return f"closed as proven, and proven no longer: {gone}, on which that rested"


def time_of_day(text: str) -> str:
    """Return a time of the sheet as people write it."""
    return f"{text[:16].replace('T', ' ')} UTC"


def power_words(step: Step) -> str:
    """Return whether the machine's power is on or off while a step is done; nothing where that makes no difference."""
    if step.power is None:
        return ""
    return "power off to clip, on to capture" if step.kind == "capture" else f"power {step.power}"


def lead_place_words(examined: Examined) -> list[str]:
    """Return which channel of a capture is which line, and what named them."""
    places = examined.evidence.probe_at
    rows = [
        f"{channel}: {bar(line)}{' at the connector' if places.get(line) == 'connector' else ''}"
        for line, channel in examined.channels.channels.items()
    ]  # fmt: skip
    return [", ".join(rows) or "no channel is known", *(words for words in map_words(examined) if words.startswith("channels named"))]


def lead_words(step: Step) -> list[tuple[str, str, str]]:
    """Return (channel, line, where) of each lead of a capture."""
    rows = []
    for lead in step.leads:
        where = f"pin {lead.pin}" if lead.pin is not None else "connector"
        if lead.place == "connector":
            where = f"connector {lead.connector_pin}" if lead.connector_pin else "at the connector"
        rows.append((lead.channel, bar(lead.line), where))
    return rows


def settings_words(step: Step) -> str:
    """Return the analyser's settings of a capture."""
    told = step.settings
    words = f"{float(told['sample_hz']) / 1e6:g} MHz for {time_words(float(told['duration_s']))}, trigger: {told['trigger']}"
    return words + (f"; the machine on for {float(told['minutes_on']):g} minutes before" if told.get("minutes_on") else "")


def _step(console: Console, step: Step) -> None:
    _say(console, "Next: ", sentence(step.title), "bold")
    _say(console, "      ", f"why: {step.why}")
    if step.power is not None:
        _say(console, "      ", f"{power_words(step)}; about {step.minutes:.0f} minutes" if step.minutes else power_words(step))
    for text in step.cautions:
        _say(console, "  !   ", text)
    for channel, line, where in lead_words(step):
        console.print(f"      {channel:<5} {line:<8} {where}", markup=False)
    if step.settings:
        _say(console, "      ", settings_words(step))
    for number, command in enumerate(step.commands):
        console.print(f"{'Then: ' if number == 0 else '  or: '}{one_line(command)}", markup=False, soft_wrap=True)


def _proof(console: Console, proof: Proof) -> None:
    _say(console, "", sentence(proof.words), PROOF_COLOURS[proof.state])
    for text in proof.seen:
        _say(console, "  +  ", text)
    for text in proof.missing:
        _say(console, "  -  ", f"missing: {text}")


def _trend(console: Console, trend: Trend) -> None:
    _head(console, "Over time")
    for text in trend.warnings:
        _say(console, "  warning: ", text)
    for line in trend_lines(trend):
        console.print(f"  {line}", markup=False)


def trend_shown(trend: Trend) -> bool:
    """Say whether there is something to see over time: two captures, or one within which something fails."""
    return bool(trend.warnings) or len(trend.points) > 1 or any(map(within_rows, trend.points))


def trend_lines(trend: Trend) -> list[str]:
    """Return a table of what was missing in each capture, for fixed type."""
    lines = list(dict.fromkeys(line for point in trend.points for line in point.missing))
    rows = [" ".join(["capture", " minutes", *(f"{bar(line):>8}" for line in lines), "wrong reads"])]
    for point in trend.points:
        cells = [f"{per_cent(share):>7}%" if (share := point.share(line)) is not None else "       -" for line in lines]
        compared, wrong = point.wrong_reads
        reads = f"{per_cent(wrong / compared):>10}%" if compared else "          -"
        minutes = f"{point.minutes_on:8g}" if point.minutes_on is not None else "       -"
        rows.append(" ".join([f"{point.number:7}", minutes, *cells, reads]))
    return [*rows, *more_lines(trend), *within_lines(trend)]


def _head(console: Console, title: str) -> None:
    console.print()
    console.print(Text(title, "bold"))


def _say(console: Console, lead: str, text: str, style: str = "") -> None:
    for number, line in enumerate(textwrap.wrap(one_line(text), max(30, console.width - 1 - len(lead)))):
        console.print(Text((lead if number == 0 else " " * len(lead)) + line, style))
