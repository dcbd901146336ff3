"""The tables of a survey: names, types and meanings of all columns, for Parquet, DuckDB, JSON and the documentation alike."""

from __future__ import annotations

from typing import NamedTuple

from ..bus.lines import STROBES
from ..bus.model import KINDS
from ..compare.edges import CAUSED_BY

Value = str | int | float | bool | None  #: what a table holds


class Column(NamedTuple):
    """One column."""

    name: str
    type: str  #: "text", "integer" or "number"
    meaning: str
    required: bool = False  #: never null


def timing_column(name: str) -> str:
    """Return the column of a delay: "M1 rise" is m1_rise_ns."""
    return name.lower().replace(" ", "_") + "_ns"


def missing_column(line: str) -> str:
    """Return the column of a strobe's share of missing ones."""
    return f"{line.lower()}_missing"


def _timings() -> tuple[Column, ...]:
    columns = []
    for line, edge, level in CAUSED_BY:
        way = "fall" if edge == "assert" else "rise"
        clock = "rise" if level else "fall"
        columns.append(
            Column(timing_column(f"{line} {way}"), "number", f"delay of the {way} of /{line} behind the {clock} of CLK, nanoseconds")
        )
    return tuple(columns)


CAPTURES: tuple[Column, ...] = (
    Column("path", "text", "the capture, from the folder surveyed; slashes on every system", True),
    Column("size_bytes", "integer", "size of the file", True),
    Column("modified_ns", "integer", "when the file was last changed, nanoseconds since 1970", True),
    Column("status", "text", "examined, or unreadable", True),
    Column("error", "text", "why it is unreadable"),
    Column("state", "text", "verdict: no_fault_found, fault or cannot_decide"),
    Column("summary", "text", "the verdict in a sentence"),
    Column("suspect", "text", "the most likely part"),
    Column("confidence", "number", "how sure that is, 0 to 1"),
    Column("first_fault", "text", "rule of the surest fault"),
    Column("faults", "integer", "findings that are faults"),
    Column("warnings", "integer", "findings that are warnings"),
    Column("start_s", "number", "first time of the capture, seconds"),
    Column("duration_s", "number", "length of the capture, seconds"),
    Column("sample_interval_s", "number", "seconds between two samples"),
    Column("samples_per_t_state", "number", "samples in a clock period"),
    Column("clock_hz", "number", "clock frequency, measured or estimated"),
    Column("clock_source", "text", "CLK, given, none, or the strobe that it was estimated from"),
    Column("lines_captured", "integer", "lines of the bus in the capture"),
    *(Column(kind, "integer", f"machine cycles of this kind: {kind.replace('_', ' ')}") for kind in KINDS),
    Column("inferred_fetches", "integer", "fetches concluded without /M1"),
    Column("wait_states", "integer", "wait states that /WAIT asked for"),
    Column("interrupts_per_second", "number", "rate of interrupt acknowledges, from three on"),
    Column("longest_silence_s", "number", "longest stretch between two requests, seconds"),
    Column("longest_without_refresh_s", "number", "longest stretch between two refreshes, seconds"),
    Column("cycle_digest", "text", "digest of all machine cycles, times left out: equal where two captures show the same"),
    *_timings(),
    Column("timing_known_to_ns", "number", "one sample: delays are known no better, nanoseconds"),
    *(
        Column(missing_column(line), "number", f"share of the requests that call for /{line} in which it was missing")
        for line in sorted(STROBES)
    ),
    Column("reads_compared", "integer", "reads that could be held against what was written there, or against a ROM image"),
    Column("reads_wrong", "integer", "of these, the ones that gave another byte"),
    Column("holds_ms", "number", "time after which memory lost a byte first, ms; null where it lost none, or where time is not why"),
    Column("course", "text", "counts in a dozen stretches of it, as M1:512/0,512/7; READS:40/0,38/2 (of how many/how many failed)"),
    Column("map_digest", "text", "digest of the map beside the capture, empty where there is none", True),
    Column("case_folder", "text", "folder of the case that it lies in, from the folder surveyed"),
    Column("machine", "text", "which machine it is, as the sheet of the case says"),
    Column("profile", "text", "what the machine is made of: name of the profile of the case"),
    Column("entry", "integer", "number of the capture on the sheet"),
    Column("minutes_on", "number", "how long the machine had been on, minutes, as the sheet says"),
    Column("withdrawn", "text", "why it no longer counts, as the sheet says"),
)

CASES: tuple[Column, ...] = (
    Column("case_folder", "text", "folder of the case, from the folder surveyed", True),
    Column("error", "text", "why its sheet cannot be read"),
    Column("machine", "text", "which machine it is: a name, a serial number"),
    Column("profile", "text", "what it is made of: name of its profile"),
    Column("symptom", "text", "what the machine does, a word of strobewise case new"),
    Column("opened", "text", "when the case was begun, UTC, ISO 8601"),
    Column("closed", "text", "when it was closed, UTC, ISO 8601"),
    Column("was", "text", "what it was: a suspect"),
    Column("part", "text", "what was put right, in the words of the bench"),
    Column("proven", "integer", "1 where it was closed with a proof, 0 without, or where what that rested on was withdrawn since"),
    Column("captures", "integer", "captures that count", True),
    Column("answers", "integer", "measurements and trials that count", True),
    Column("repairs", "text", "suspects that were replaced, re-soldered, cleaned or reseated, in order, separated by blanks", True),
    Column("withdrawn", "integer", "entries that no longer count", True),
    Column("rules", "text", "rules that found a fault when it was closed, separated by blanks", True),
)

FINDINGS: tuple[Column, ...] = (
    Column("path", "text", "the capture", True),
    Column("rule", "text", "strobewise explain RULE tells what it looks for", True),
    Column("severity", "text", "fault, warning or note", True),
    Column("lines", "text", "lines that it is about, separated by blanks", True),
    Column("suspect", "text", "the part that it points at", True),
    Column("confidence", "number", "how sure it is that the lines behave as said, 0 to 1", True),
    Column("first_s", "number", "first time, seconds"),
    Column("last_s", "number", "last time, seconds"),
    Column("count", "integer", "how often", True),
    Column("evidence", "text", "what was seen, in a sentence", True),
)

LINES: tuple[Column, ...] = (
    Column("path", "text", "the capture", True),
    Column("line", "text", "name of a captured line", True),
    Column("state", "text", "active, stuck_high, stuck_low, floating or idle", True),
    Column("edges", "integer", "changes of its level", True),
    Column("high_fraction", "number", "share of the time at the high level, 0 to 1"),
    Column("shortest_pulse_s", "number", "shortest pulse, seconds"),
)

TABLES: dict[str, tuple[Column, ...]] = {"captures": CAPTURES, "cases": CASES, "findings": FINDINGS, "lines": LINES}
