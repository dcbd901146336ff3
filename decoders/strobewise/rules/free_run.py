"""Rules for a free run, where the user says that the capture is one: the CPU alone, its data lines held at 00h, walking up through memory.

They read ``evidence.free_run``. NOP and the count of the program counter are UM0080's; the test is common practice.
"""

from __future__ import annotations

from typing import Iterator

from ..records.evidence import BusEvidence
from ..records.free_run import CountedLine, FreeRunRecord
from . import blame
from .base import CAUTION_SOLDER, Found, rule
from .grades import STRONG

LINES_TOLD = 4  #: lines named in a sentence; more of them are one fault of the bus


def _words(line: CountedLine, record: FreeRunRecord) -> str:
    due = f"where it should change every {line.every} fetches" if line.every > 1 else "where it should change with each fetch"
    if line.state in ("high", "low"):
        return f"{line.line} stays {line.state} for {record.fetches} fetches, {due}"
    if line.state == "as":
        return f"{line.line} changes as {line.other} should: {due}"
    if line.state == "joined":
        return f"{line.line} is always at the level of {line.other}, {due}"
    return f"{line.line} changes {line.changes} times in {record.fetches} fetches, not evenly, {due}"


@rule(
    "free-run-count", "an address line that does not count", "fault", needs=((),), judges=(), suspects=blame.NOT_COUNTING,
    looks_for="in a free run: an address line that does not change at its own rate, which halves from A0 to A15",
    causes="the CPU's address output, or what hangs on it: a short to a neighbour, to ground or to the supply, a buffer, the lead",
    next_step="power off and measure the line against its neighbours, ground and +5 V; then repeat the free run with the CPU alone on an adapter",
    source="UM0080, NOP and the program counter; the test: common practice", caution=CAUTION_SOLDER,
    host=None,
)  # fmt: skip
def free_run_count(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.free_run
    if record is None or record.data_high:
        return  # what is not NOP does not count
    for line in record.not_counting[:LINES_TOLD]:
        names = (line.line,) if line.state != "joined" or line.other is None else (line.line, line.other)
        if line.state == "joined" and line.other is not None and int(line.other[1:]) < int(line.line[1:]):
            continue  # told with the other
        yield Found(
            _words(line, record), names, record.fetches, evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
            suspects=blame.BRIDGE if line.state == "joined" else None,
        )  # fmt: skip


@rule(
    "free-run-byte", "a data line that is not held low", "fault", needs=((),), judges=(), suspects=blame.NOT_HELD_LOW,
    looks_for="in a free run: a data line that is high while the CPU fetches, so that what it reads is no NOP",
    causes="a resistor to ground that has no contact or is too large, or somebody who still drives the data bus: ROM, RAM or a buffer",
    next_step="take whoever can drive the data bus off it (ROM and RAM out or disabled), and measure each data pin of the CPU against ground",
    source="UM0080, NOP; the test: common practice", caution=CAUTION_SOLDER,
    host=None,
)  # fmt: skip
def free_run_byte(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.free_run
    if record is None or not record.data_high:
        return
    told = ", ".join(f"{name} in {count}" for name, count in record.data_high[:LINES_TOLD])
    yield Found(
        f"of {record.fetches} fetches these data lines are high: {told}; a free run needs all of them low", tuple(name for name, _ in record.data_high),
        record.data_high[0][1], evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
    )  # fmt: skip
