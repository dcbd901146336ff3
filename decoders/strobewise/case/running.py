"""Whether a capture shows a program that runs on, on whatever leads: a machine that is dead in another way does not.

A CPU that nothing answers makes fetches alone (it reads 00h, NOP) or a fetch and two writes over and over (it reads FFh, RST 38h; UM0080).
One that has derailed ends in such a loop or in a halt soon (common practice).
"""

from __future__ import annotations

from ..bus.lines import bar
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from .explained import keeps_to_program, leaves_program

FETCHES = 500  #: least number of fetches; our choice
SILENT_AT_END = 0.2  #: of the capture without a request at its end; our choice
IN_HALT = 0.98  #: of the fetches, from which a halt that no interrupt ends is all that is left; our choice
READS = 0.005  #: of the fetches that a program reads data at least; a loop that only counts makes none. Our choice


def not_running(evidence: BusEvidence) -> str | None:
    """Return why a capture does not show a program that runs on, None where it does."""
    fetches = evidence.cycles["opcode_fetch"]
    if leaves_program(evidence.replay):
        return "the machine leaves the program that its ROM holds"
    if keeps_to_program(evidence.replay):
        return _silent(evidence)
    if fetches < FETCHES:
        return f"only {fetches} opcode fetches were seen"
    halted = evidence.notes.get("halt", 0)
    if halted > IN_HALT * fetches and not evidence.cycles["interrupt_acknowledge"]:
        return "the CPU sits in a halt, and no interrupt wakes it"
    blind = [name for name in ("RD", "WR") if name not in evidence.captured]
    if len(blind) == 2 and not evidence.cycles["interrupt_acknowledge"]:
        return f"without {' and '.join(bar(name) for name in blind)} a program cannot be told from a CPU that nothing answers"
    reads = evidence.cycles["memory_read"] + evidence.cycles["io_read"]
    others = reads + evidence.cycles["memory_access"] + evidence.cycles["interrupt_acknowledge"]
    if others < READS * fetches:
        return "the CPU fetches and reads no data, as one that nothing answers does"
    return _silent(evidence)


def _silent(evidence: BusEvidence) -> str | None:
    last = evidence.last_request_s
    silent = evidence.end_s - last if last is not None else evidence.duration_s
    return f"no request in the last {time_words(silent)}" if silent > SILENT_AT_END * evidence.duration_s else None
