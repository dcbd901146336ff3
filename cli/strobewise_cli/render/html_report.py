"""A diagnosis as one page that needs nothing but itself: no network, no files beside it, and it prints.

Everything that comes from a capture is text to the template, which escapes it; data for the script travel as JSON without a "<".
The waveform is drawn by d3 (templates/vendor), the charts are written as SVG here, so that they stand without scripts too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup

from strobewise import __version__
from strobewise.bus.lines import LINE, bar, pin_text
from strobewise.bus.model import Finding, Step
from strobewise.bus.units import time_words, told_in_t_states
from strobewise.diagnosis.facade import Diagnosis
from strobewise.diagnosis.observations import observations
from strobewise.profile.options import Options
from strobewise.verdict.coverage import guilty, left_to_clip
from strobewise.verdict.coverage import words as coverage_words
from strobewise.verdict.steps import steps
from strobewise.verdict.words import SUSPECT_WORDS
from strobewise_cli.render.diagnosis_text import HEADLINES, STATE_WORDS, WHO, aspect, how_sure, map_words, rate_words, told, with_cautions
from strobewise_cli.render.html_charts import Chart, clock_stability, cycle_mix, failures, memory_map, timeline
from strobewise_cli.render.html_data import PageData, Window, collect_all, finding_key, title_of, write_key
from strobewise_cli.render.html_viewer import viewer
from strobewise_cli.render.phrases import names_text, sentence
from strobewise_cli.render.pinout import chips_to_look_at, coverage, pinout, pins_to_measure
from strobewise_cli.render.replay_strip import strip_table
from strobewise_cli.render.waveform import plain
from strobewise_cli.terminal import one_line

LIMITS = (
    "It shows what the capture holds: an edge is known to about one sample either way, and what was not clipped was not seen. "
    "Confidences come from simulated faults."
)
UNMAPPED_SHOWN = 16


class LineRow(NamedTuple):
    """One row of the line survey."""

    name: str
    pin: str
    state: str
    odd: bool
    edges: int
    high: str
    remark: str


class FindingBlock(NamedTuple):
    """One finding."""

    key: str
    severity: str
    title: str
    evidence: str
    when: str
    rule: str
    next_step: str
    plain: str
    shown: bool  #: whether a window of the waveform shows its moment
    caution: str = ""  #: where the next step stands with the finding alone
    contradicts: str = ""  #: the write that the read at its moment contradicts, in a sentence
    write_key: str = ""  #: name of the window that shows the write


@cache
def environment() -> Environment:
    """Return the template environment: autoescape for everything, and nothing undefined passes."""
    loader = PackageLoader("strobewise_cli.render", "templates")
    return Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=without_control_characters
    )


def without_control_characters(value: object) -> object:
    """Return text from outside with what is not printable written as an escape, line by line; anything else as it is."""
    return "\n".join(map(one_line, value.split("\n"))) if type(value) is str else value


@cache
def asset(name: str) -> Markup:
    """Return a file of our own to stand in the page as it is; what would end a script or a style is broken up."""
    loader = environment().loader
    assert loader is not None
    text, _, _ = loader.get_source(environment(), name)
    return Markup(text.replace("</script", "<\\/script").replace("</style", "<\\/style"))  # our own files


def render_page(diagnosis: Diagnosis, options: Options) -> str:
    """Return the page. Reads the captures a second time. Raises CaptureError, OSError."""
    return environment().get_template("report.html.j2").render(context(diagnosis, collect_all(diagnosis, options)))


def context(diagnosis: Diagnosis, captures: Sequence[PageData]) -> dict[str, object]:
    """Return what the template shows."""
    verdict = diagnosis.verdict
    return {
        "headline": HEADLINES[aspect(verdict)],
        "state": aspect(verdict),
        "summary": sentence(told(verdict).lstrip(": ")),
        "sure": sentence(how_sure(diagnosis)) if how_sure(diagnosis) else "",
        "who": WHO,
        "not_judged": coverage_words(verdict.not_judged) if verdict.state != "no_fault_found" else "",
        "path": capture_title(diagnosis),
        "capture": capture_words(diagnosis),
        "leads": [sentence(text) for text in leads_words(diagnosis)],
        "suspects": [
            {"percent": round(s.confidence * 100), "words": SUSPECT_WORDS[s.suspect]} for s in verdict.suspects
        ] if verdict.state != "no_fault_found" else [],
        "steps": step_blocks(verdict.steps),
        "clip_also": ", ".join(pin_text(name) for name in left_to_clip(verdict)) if verdict.state == "cannot_decide" else "",
        "pins": pinout(pins_to_measure(diagnosis), coverage(diagnosis), chips_to_look_at(diagnosis)),
        "findings": without_told_steps(finding_blocks(diagnosis.findings, captures), diagnosis),
        "seen": [sentence(f"{what.topic}: {what.text}") for what in observations(diagnosis.evidence)],
        "strip": strip_table(diagnosis.evidence.replay),
        "line_rows": line_rows(diagnosis),
        "missing": names_text([line.line for line in diagnosis.lines if line.state == "not_captured"]),
        "unmapped": some([use.name for data in captures for use in data.examined.channels.unmapped]),
        "courses": [{"path": data.examined.path if len(captures) > 1 else "", "charts": charts(data)} for data in captures],
        **viewer_context(captures),
    }  # fmt: skip


def capture_title(diagnosis: Diagnosis) -> str:
    """Return what to call the captures in a title: their files without the folders, which tell the reader nothing."""
    return ", ".join(Path(examined.path).name for examined in diagnosis.captures)


class StepBlock(NamedTuple):
    """One step, ready to read."""

    caution: str  #: empty where it was just said
    power: str
    text: str


def step_blocks(steps: Sequence[Step]) -> list[StepBlock]:
    """Return the steps, each with the caution that goes before it."""
    return [StepBlock(caution, step.power, sentence(step.text)) for caution, step in with_cautions(steps)]


def viewer_context(captures: Sequence[PageData]) -> dict[str, object]:
    """Return what every page with a waveform needs: its data, its style and its scripts."""
    view = viewer(captures)
    return {
        "view": view,
        "data": Markup(htmlsafe_json_dumps(view, separators=(",", ":"))),  # escapes <, >, & and '
        "css": asset("page.css"),
        "library": asset("vendor/d3.min.js"),
        "script": asset("viewer.js"),
        "version": __version__,
        "limits": LIMITS,
    }


def some(names: list[str]) -> str:
    """Return the first few names, and how many more there are."""
    more = len(names) - UNMAPPED_SHOWN
    return ", ".join(names[:UNMAPPED_SHOWN]) + (f" and {more} more" if more > 0 else "")


def capture_words(diagnosis: Diagnosis) -> str:
    """Return length, sample rate, clock and cycles of the captures in one sentence."""
    parts = []
    for examined in diagnosis.captures:
        with told_in_t_states(examined.evidence.counted_t_s):
            parts.append(f"{time_words(examined.evidence.duration_s)} {rate_words(examined)}".rstrip())
    evidence = diagnosis.evidence
    if evidence.clock_hz and evidence.clocked:
        parts.append(f"clock {evidence.clock_hz / 1e6:.4g} MHz, given")
    elif evidence.clock_hz:
        source = {"CLK": "measured", "given": "given"}.get(evidence.clock.source, f"estimated from {bar(evidence.clock.source)}")
        parts.append(f"clock {evidence.clock_hz / 1e6:.4g} MHz, {source}")
    total = sum(count for kind, count in evidence.cycles.items() if kind != "bus_granted")
    parts.append(f"{total} machine cycles on {len(evidence.captured)} lines")
    return "; ".join(parts) + "."


def leads_words(diagnosis: Diagnosis) -> list[str]:
    """Return for each capture which map named its channels, and which leads sat at the connector."""
    several = len(diagnosis.captures) > 1
    where = [f"{Path(examined.path).name}: " if several else "" for examined in diagnosis.captures]
    return [f"{name}{text}" for name, examined in zip(where, diagnosis.captures, strict=True) for text in map_words(examined)]


def when(finding: Finding) -> str:
    """Return when a finding happened, as a sentence; empty where it has no time."""
    if finding.first_s is None:
        return ""
    if finding.last_s is not None and finding.last_s > finding.first_s:
        return f"From {time_words(finding.first_s)} to {time_words(finding.last_s)}."
    return f"At {time_words(finding.first_s)}."


def finding_blocks(
    findings: Sequence[Finding], captures: Sequence[PageData], key: Callable[[int], str] = finding_key
) -> list[FindingBlock]:
    """Return the findings with the moment of each as a plain drawing. key: from a finding's number to the name of its window."""
    windows = {window.key: (data, window) for data in captures for window in data.windows}
    blocks = []
    for number, finding in enumerate(findings):
        shown = windows.get(key(number))
        drawn, contradicts, write = _drawn(shown, windows.get(write_key(key(number))), finding)
        title = title_of(finding)
        blocks.append(FindingBlock(
            key(number), finding.severity, title, sentence(finding.evidence), when(finding), finding.rule,
            sentence(finding.next_step) if finding.next_step else "", drawn, shown is not None,
            contradicts=contradicts, write_key=write,
        ))  # fmt: skip
    return blocks


def _drawn(
    shown: tuple[PageData, Window] | None, write: tuple[PageData, Window] | None, finding: Finding
) -> tuple[str, str, str]:
    """Return a finding's moment in plain characters, and of a wrong read what was written there, with the window that shows it."""
    if shown is None:
        return "", "", ""
    text, found = plain(*shown, finding.lines), shown[1].contradiction
    if found is None or write is None:
        return text, "", ""
    when_written = time_words(found.write_at * shown[0].examined.tick_s)
    words = f"0x{found.written:02x} was written to 0x{found.address:04x} at {when_written}, and 0x{found.read:02x} is read there"
    return f"the read\n{text}\n\nthe write that it contradicts\n{plain(*write, finding.lines)}", sentence(words), write[1].key


def without_told_steps(blocks: Sequence[FindingBlock], diagnosis: Diagnosis) -> list[FindingBlock]:
    """Return the findings without advice that stands among the next steps already."""
    told = set(diagnosis.verdict.next_steps)
    captured = diagnosis.evidence.captured
    return [
        block._replace(next_step="") if told.issuperset(step.text for step in steps([finding], captured)) else block
        for block, finding in zip(blocks, diagnosis.findings, strict=True)
    ]


def line_rows(diagnosis: Diagnosis) -> list[LineRow]:
    """Return the survey of the captured lines; odd are those that findings speak of."""
    rows = []
    marked = guilty(diagnosis.findings)
    for line in diagnosis.lines:
        if line.state == "not_captured":
            continue
        pin = LINE[line.line].pin if line.line in LINE else None
        high = "" if line.high_fraction is None else f"{line.high_fraction * 100:.0f} %"
        remark = line.remark + (f"; follows {bar(line.follows)}" if line.follows else "")
        odd = line.line in marked
        state = STATE_WORDS.get(line.state, line.state)
        rows.append(LineRow(bar(line.line), "" if pin is None else str(pin), state, odd, line.edges, high, remark))
    return rows


def charts(data: PageData) -> list[Chart]:
    """Return the charts that this capture can fill."""
    evidence = data.examined.evidence
    triggers = [
        (f"{paging.name} trigger", [trigger.time_s for trigger in paging.triggers]) for paging in evidence.pagings
    ]
    clock = clock_stability(data.course, data.examined.sample_interval_s)
    made = (cycle_mix(data.course), failures(data.course), memory_map(evidence.memory), clock, timeline(data.course, triggers))
    return [chart for chart in made if chart is not None]
