"""The main job in one call: a capture in, a verdict out.

Little is loaded here: the rest loads while the first blocks of the capture are already being read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..bus.model import Finding, LineState, Verdict
from ..bus.units import told_in_t_states
from ..capture import Capture, open_capture
from ..capture.ahead import read_ahead
from ..capture.clocked.view import as_clocked
from ..profile.options import Options
from .examined import Examined
from .labels import label_channels

if TYPE_CHECKING:
    from pathlib import Path

    from ..evidence.parts import Maker
    from ..records.evidence import BusEvidence


@dataclass
class Diagnosis:
    """What `strobewise diagnose` says."""

    captures: tuple[Examined, ...]
    evidence: BusEvidence
    lines: list[LineState]
    findings: list[Finding]
    verdict: Verdict


def examine(
    path: str,
    options: Options,
    progress: Callable[[int], None] | None = None,
    more_parts: Sequence[Maker] = (),
    apart: bool = False,
) -> Examined:
    """Read one capture, rebuild its cycles and gather the evidence.

    more_parts: parts of the evidence that only some callers need, see evidence.parts.
    progress: called with the number of bytes of the file read so far, now and then.
    apart: a large file may be read by a process of its own; for programs without other threads, see capture.apart.
    Raises CaptureError, LineMapError and the OSError of a file that cannot be read.
    """
    options = options.for_capture(path)
    with open_capture(path, options.raw, options.one_a_clock) as opened:
        examined = _examine(path, opened, options, progress, more_parts, apart)
        examined.read_as = opened.read_as
        return examined


def _examine(
    path: str, opened: Capture, options: Options, progress: Callable[[int], None] | None, more_parts: Sequence[Maker], apart: bool
) -> Examined:
    channels = label_channels(path, opened, options)
    if channels.guessed:
        from .gathering import examine_guessed

        return examine_guessed(path, opened, channels, options, more_parts)
    if channels.unlabelled:
        from .gathering import examine_unlabelled

        return examine_unlabelled(path, opened, options, more_parts)
    capture, channels = as_clocked(opened, channels, options.clocked, options.nominal_hz)
    with read_ahead(capture, channels, apart) as blocks:
        from .gathering import gather

        return gather(path, capture, channels, blocks, options, progress, more_parts)


def conclude(captures: Sequence[Examined]) -> Diagnosis:
    """Run the rules over what was examined and judge."""
    from ..rules import run
    from ..verdict.judge import judge, without_consequences
    from ..verdict.line_states import survey
    from .joining import join_evidence, join_findings, join_lines

    records = [examined.evidence for examined in captures]
    evidence = join_evidence(records)
    names = [examined.path for examined in captures]
    found = []
    for record in records:
        with told_in_t_states(record.counted_t_s):
            found.append(run(record))
    with told_in_t_states(evidence.counted_t_s):
        findings = without_consequences(join_findings(found, names, records))
        lines = join_lines([survey(record) for record in records])
        return Diagnosis(tuple(captures), evidence, lines, findings, judge(findings, evidence, records))


def diagnose(
    paths: Sequence[str | Path],
    options: Options | None = None,
    progress: Callable[[int], None] | None = None,
    apart: bool = False,
) -> Diagnosis:
    """Diagnose one capture, or several of the same machine with different clips.

    apart: large files may be read by a process of their own; for programs without other threads.
    Raises StrobewiseError for what the user can mend, OSError for what the system refused.
    """
    chosen = options or Options()
    return conclude([examine(str(path), chosen, progress, apart=apart) for path in paths])
