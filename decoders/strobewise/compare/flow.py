"""The instructions of two captures against each other, in spite of different start moments, interrupts and wait states.

Each capture becomes a set of steps, from the address of one opcode fetch to that of the next, with interrupt handlers left out. Steps do
not care when a capture begins, how often a loop runs or how long a cycle takes. Where one capture takes a step that the other never takes,
although it passes the same address, the two part ways.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..cpu.disassembly import find_operation, render
from ..cpu.opcodes import PREFIXES
from ..cycles.table import NOT_KNOWN, CycleTable
from .code import Code, read_code

Int = npt.NDArray[np.int64]

_FETCH, _READ, _ACKNOWLEDGE = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "interrupt_acknowledge"))
LONGEST_STEP_T = 40  #: T-states between two fetches beyond which something lies between them (at most 19 by the opcode table, plus waits)
SOON_BACK = 4  #: fetches after an odd step within which a flow that only seemed to leave is back
JOIN_GAP = 3  #: addresses between two executed ones that still belong to one range: the operands of an instruction


@dataclass(frozen=True)
class Flow:
    """What one capture executed. Arrays run over the opcode fetches outside interrupt handlers, in order."""

    address: Int  #: (n,), address of each fetch
    time_s: npt.NDArray[np.float64]  #: (n,), start of each fetch, seconds
    linked: npt.NDArray[np.bool_]  #: (n,), whether the fetch follows the one before it directly
    content: npt.NDArray[np.int16]  #: (65536,), byte last read from each address, NOT_KNOWN where none was
    code: Code  #: the bytes of its opcode fetches
    interrupts_known: bool  #: interrupts show as acknowledges, so that no step can be one


class Parting(NamedTuple):
    """Where two captures part ways."""

    address: int  #: of the last instruction that both execute
    text: str | None  #: that instruction as the suspect reads it, None where the data bus was not captured
    good_next: int
    suspect_next: int
    good_s: float  #: when that instruction begins
    suspect_s: float
    agreed: int  #: fetches of the suspect before it that the good capture has too
    certain: bool  #: no branch on data explains it
    astray: bool  #: happened once, and went on in known code: samples may be missing there, rather than the CPU gone elsewhere
    data_bits: int  #: bits in which the bytes differ that the two read there, 0 where they are the same

    @property
    def other_bytes(self) -> bool:
        """Whether the two read different bytes there."""
        return self.data_bits != 0

    def words(self, good: str = "the good one", suspect: str = "the suspect") -> str:
        """Return the parting as half a sentence. good, suspect: what to call the two captures."""
        name = f" ({self.text})" if self.text else ""
        if self.other_bytes:
            one = f", D{self.data_bits.bit_length() - 1} alone differs" if not self.data_bits & self.data_bits - 1 else ""
            name = f" (other bytes: {self.text or 'not the same'} in {suspect}{one})"
        apart = self.good_next ^ self.suspect_next
        one_line = f", where A{apart.bit_length() - 1} alone differs" if apart and not apart & apart - 1 else ""
        doubt = ", once: samples may be missing there" if self.astray else ", which may hang on data"
        why = one_line if self.certain else doubt
        ways = f"{good} goes on at 0x{self.good_next:04x}, {suspect} at 0x{self.suspect_next:04x}"
        return f"after 0x{self.address:04x}{name} {ways}{why}"


class Reached(NamedTuple):
    """Addresses executed in one capture alone, as ranges (first, last)."""

    good: tuple[tuple[int, int], ...]
    suspect: tuple[tuple[int, int], ...]


def make_flow(cycles: CycleTable, tick_s: float, t_ticks: float | None, iorq_captured: bool) -> Flow:
    """Reduce a capture's machine cycles (with addresses) to what was executed outside interrupt handlers."""
    halt, response = NOTE_INDEX["halt"], NOTE_INDEX["nmi_response"]
    fetch = (cycles.kind == _FETCH) & (cycles.note != halt) & (cycles.note != response) & (cycles.address != NOT_KNOWN)
    entry = (cycles.kind == _ACKNOWLEDGE) | (cycles.note == response)
    rows = np.flatnonzero(fetch)
    address = cycles.address[rows].astype(np.int64)
    linked = np.ones(len(rows), np.bool_)
    linked[:1] = False
    if t_ticks:
        linked[1:] = np.diff(cycles.start[rows]) <= LONGEST_STEP_T * t_ticks
    linked[cycles.note[rows] == NOTE_INDEX["after_reset"]] = False
    cut = np.cumsum(cycles.note == NOTE_INDEX["cut_short"])[rows]  # a reset cuts a cycle short; what follows is no step
    linked[1:] &= cut[1:] == cut[:-1]
    keep = _outside_handlers(cycles, rows, address, np.flatnonzero(entry), linked)
    content = np.full(65536, NOT_KNOWN, np.int16)
    seen = ((cycles.kind == _FETCH) | (cycles.kind == _READ)) & (cycles.address != NOT_KNOWN) & (cycles.data != NOT_KNOWN)
    content[cycles.address[seen]] = cycles.data[seen]
    times = cycles.start[rows][keep].astype(np.float64) * np.float64(tick_s)
    return Flow(address[keep], times, linked[keep], content, read_code(cycles), iorq_captured)


def _outside_handlers(
    cycles: CycleTable, rows: npt.NDArray[np.intp], address: Int, entries: npt.NDArray[np.intp], linked: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Mark the fetches that no interrupt handler made. A handler lasts from its entry to the fetch at the address that it left."""
    keep = np.ones(len(rows), np.bool_)
    free_from = 0
    for entry in entries.tolist():
        first = int(np.searchsorted(rows, entry))
        if first < free_from or first >= len(rows):
            continue
        back = np.flatnonzero(address[first:] == int(cycles.address[entry]))
        if len(back):
            free_from = first + int(back[0])
            keep[first:free_from] = False
            linked[free_from] = True  # goes on where it was
        else:
            linked[first] = False  # a handler that never returns: what it does counts, the way into it does not
            free_from = first
    return keep


def find_parting(good: Flow, suspect: Flow) -> Parting | None:
    """Return where one first leaves the ways of the other: a certain one before one that may hang on data"""
    found = _partings(good, suspect, swapped=False) + _partings(suspect, good, swapped=True)
    return next((parting for parting in found if parting.certain), found[0] if found else None)


def _partings(known: Flow, other: Flow, swapped: bool) -> list[Parting]:
    """Return the steps of `other` that `known` never takes although it passes the address, in order of time."""
    steps, ways = _steps(known), _steps(other)
    if not len(steps.keys) or not len(ways.keys):
        return []
    own, first, times_taken = np.unique(ways.keys, return_index=True, return_counts=True)
    passes = np.unique(steps.keys >> 16)
    passed = np.isin(own >> 16, passes)
    strange = np.flatnonzero(passed & ~np.isin(own, steps.keys))
    strange = strange[np.argsort(first[strange])]
    partings = []
    for which in strange[:64].tolist():
        index = int(ways.at[first[which]])
        source, target = int(own[which]) >> 16, int(own[which]) & 0xFFFF
        there = int(np.flatnonzero(steps.keys >> 16 == source)[0])
        elsewhere, known_index = int(steps.keys[there]) & 0xFFFF, int(steps.at[there])
        start, text, branches = _instruction(other, index)
        bits = _data_bits(known, other, start, source)
        astray = not bits and text is not None and not branches and times_taken[which] == 1 and _returns(other, index, passes)
        certain = not astray and other.interrupts_known and known.interrupts_known and (bits > 0 or (text is not None and not branches))
        times = float(known.time_s[known_index]), float(other.time_s[index])
        nexts = (elsewhere, target)
        if swapped:
            times, nexts = times[::-1], nexts[::-1]
        partings.append(Parting(start, text, nexts[0], nexts[1], times[0], times[1], index, certain, bool(astray), bits))
    return partings


def _returns(flow: Flow, index: int, known: Int) -> bool:
    """Say whether a flow is back in known code a few fetches after a step."""
    return bool(np.isin(flow.address[index + 1 : index + 1 + SOON_BACK], known).any())


def _data_bits(known: Flow, other: Flow, start: int, end: int) -> int:
    """Return the bits in which the two read different bytes in a range of addresses."""
    one, two = (flow.content[start : end + 1] for flow in (known, other))
    return int(np.bitwise_or.reduce((one ^ two)[(one != NOT_KNOWN) & (two != NOT_KNOWN)], initial=0))


class _Steps(NamedTuple):
    keys: Int  #: from << 16 | to
    at: Int  #: number of the fetch that the step begins with


def _steps(flow: Flow) -> _Steps:
    index = np.flatnonzero(flow.linked[1:])
    return _Steps(flow.address[index] << 16 | flow.address[index + 1], index.astype(np.int64))


#: Mnemonics after which the next address hangs on flags, registers or the stack.
_HANGS_ON_DATA = ("RET", "DJNZ", "HALT", "LDIR", "LDDR", "CPIR", "CPDR", "INIR", "INDR", "OTIR", "OTDR", "JP (")
_CONDITIONAL = ("JP ", "JR ", "CALL ")


def _instruction(flow: Flow, index: int) -> tuple[int, str | None, bool]:
    """Return the address, the text and whether its successor hangs on data, of the instruction whose last fetch this is."""
    start = index
    while start > 0 and index - start < 3 and flow.linked[start] and flow.address[start - 1] + 1 == flow.address[start]:
        if int(flow.content[flow.address[start - 1]]) not in PREFIXES:
            break
        start -= 1
    address = int(flow.address[start])
    data = [int(flow.content[(address + i) & 0xFFFF]) for i in range(4)]
    known = data.index(NOT_KNOWN) if NOT_KNOWN in data else 4
    operation = find_operation(bytes(data[:known]))
    if operation is None or known < operation.length:
        return address, None, True
    text = render(operation, bytes(data[: operation.length]), address)
    branches = text.startswith(_HANGS_ON_DATA) or (text.startswith(_CONDITIONAL) and "," in text)
    return address, text, branches


def reached_by_one(good: Flow, suspect: Flow) -> Reached:
    """Return the addresses that only one capture executes."""
    first, second = (np.unique(flow.address) for flow in (good, suspect))
    return Reached(_ranges(np.setdiff1d(first, second)), _ranges(np.setdiff1d(second, first)))


def shared_code(good: Flow, suspect: Flow, bit: int) -> float:
    """Return the share of the good capture's executed addresses that the suspect executes too, one address line left aside."""
    first, second = (np.unique(flow.address & ~(1 << bit)) for flow in (good, suspect))
    return float(np.mean(np.isin(first, second))) if len(first) else 0.0


def _ranges(addresses: Int) -> tuple[tuple[int, int], ...]:
    if not len(addresses):
        return ()
    cuts = np.flatnonzero(np.diff(addresses) > JOIN_GAP + 1) + 1
    return tuple((int(part[0]), int(part[-1])) for part in np.split(addresses, cuts))
