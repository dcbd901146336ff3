"""One capture of a survey: examined, and put into rows of plain data that travel between processes and machines."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field

from ..case.trend import point_of
from ..case.trend_part import TrendPart
from ..errors import StrobewiseError
from ..expectations.observe import Observation, observe
from ..profile.options import Options
from .columns import CAPTURES, Value, timing_column
from .course import counted

Row = dict[str, Value]  #: column -> what the table holds there
CRASHED = "the process that read it ended (out of memory?)"


@dataclass
class Record:
    """The rows of one capture, by table."""

    capture: Row
    findings: list[Row] = field(default_factory=list)
    lines: list[Row] = field(default_factory=list)
    reading: str = ""  #: as of its task


@dataclass(frozen=True)
class Task:
    """One capture to be examined."""

    folder: str  #: absolute
    path: str  #: from the folder, with slashes
    size: int
    modified_ns: int
    map_digest: str = ""  #: of the map beside it
    case: str | None = None  #: folder of the case that it lies in, from `folder`, with slashes
    reading: str = ""  #: digest of how that case says it is read

    @property
    def file(self) -> str:
        """The whole path."""
        return os.path.join(self.folder, *self.path.split("/"))


def examine_task(task: Task, options: Options) -> Record:
    """Examine one capture; one that cannot be read gives a row that says why, and never an exception."""
    try:
        if task.case is not None:
            from .cases import options_in_case

            options = options_in_case(task.folder, task.case, task.path, options)
        part = TrendPart()
        return _record(task, observe(task.file, options, more_parts=(part.attach,)), part)
    except StrobewiseError as error:
        return unreadable(task, str(error))
    except OSError as error:
        return unreadable(task, f"{error.strerror or error} ({task.path})")
    except Exception as error:  # a bug of ours in one capture must not end a survey of ten thousand
        return unreadable(task, f"{type(error).__name__}: {error} ({task.path}): please report it")


def unreadable(task: Task, why: str) -> Record:
    """Return the record of a capture that could not be examined."""
    return Record({**_empty(task), "status": "unreadable", "error": why}, reading=task.reading)


def _empty(task: Task) -> Row:
    row: Row = dict.fromkeys(column.name for column in CAPTURES)
    row.update(path=task.path, size_bytes=task.size, modified_ns=task.modified_ns, map_digest=task.map_digest)
    return row


def _record(task: Task, seen: Observation, part: TrendPart) -> Record:
    diagnosis, evidence = seen.diagnosis, seen.evidence
    verdict, findings = diagnosis.verdict, diagnosis.findings
    faults = [finding for finding in findings if finding.severity == "fault"]
    silence, refresh = evidence.longest_silence, evidence.longest_without_refresh
    first = verdict.suspects[0] if verdict.suspects else None
    row = _empty(task)
    row.update(
        status="examined", state=verdict.state, summary=verdict.summary,
        suspect=first.suspect if first else None, confidence=first.confidence if first else None,
        first_fault=faults[0].rule if faults else None, faults=len(faults),
        warnings=sum(finding.severity == "warning" for finding in findings),
        start_s=evidence.start_s, duration_s=evidence.duration_s, sample_interval_s=evidence.sample_interval_s,
        samples_per_t_state=evidence.samples_per_t, clock_hz=evidence.clock_hz, clock_source=evidence.clock.source,
        lines_captured=len(evidence.captured), **evidence.cycles,
        inferred_fetches=evidence.inferred_fetches, wait_states=evidence.waits, interrupts_per_second=seen.interrupts_per_second,
        longest_silence_s=silence.length_s if silence else None, longest_without_refresh_s=refresh.length_s if refresh else None,
        cycle_digest=seen.digest, timing_known_to_ns=seen.uncertainty_ns,
    )  # fmt: skip
    row.update({**{timing_column(name): delay for name, delay in seen.timing_ns.items()}, **counted(point_of(0, None, evidence, part))})
    return Record(
        {name: _plain(value) for name, value in row.items()},
        [
            {
                "path": task.path, "rule": f.rule, "severity": f.severity, "lines": " ".join(f.lines), "suspect": f.suspect,
                "confidence": _plain(f.confidence), "first_s": _plain(f.first_s), "last_s": _plain(f.last_s), "count": int(f.count),
                "evidence": f.evidence,
            }
            for f in findings
        ],
        [
            {
                "path": task.path, "line": line.line, "state": line.state, "edges": int(line.edges),
                "high_fraction": _plain(line.high_fraction), "shortest_pulse_s": _plain(line.shortest_pulse_s),
            }
            for line in diagnosis.lines
            if line.state != "not_captured"
        ],
        task.reading,
    )  # fmt: skip


def _plain(value: Value) -> Value:
    """Return a number of any library as Python's own."""
    item: Callable[[], Value] | None = getattr(value, "item", None)
    return value if item is None else item()
