"""The instructions of a capture: batches of machine cycles into the program flow, with resets and gaps put in between."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, DATA
from ..bus.model import NOTE_INDEX
from ..bus.semantics import CLOCK_SLACK_T, LONGEST_CYCLE_T, RESET_SEEN_T
from ..bus.units import NEVER
from ..capture import Capture
from ..capture.channels.mapping import ChannelMap
from ..cycles.pipeline import Onlooker
from ..cycles.rebuild import Rebuild
from ..cycles.requests import BlockEvents
from ..cycles.table import NOT_KNOWN, CycleTable
from ..errors import LineMapError
from ..program.flow import ProgramFlow
from ..program.steps import EMPTY, GAP, GRANTED, RESET, Rows, Step

Int = npt.NDArray[np.int64]


class Program(Onlooker):
    """Follows the program of one capture: an onlooker that is asked for the steps of each batch."""

    def __init__(self, captured: frozenset[str], where: str = "") -> None:
        """Raise LineMapError when the lines do not suffice; where: the capture's name, for the message."""
        missing = [name for name in DATA if name not in captured]
        if missing:
            raise LineMapError(f"no opcode can be read without {', '.join(missing)}", where, "map the data bus, as --map D0=NAME")
        if not captured & {"MREQ", "RD"}:
            raise LineMapError("no machine cycle can be found without /MREQ or /RD", where, "map one of them, as --map MREQ=NAME")
        self._flow = ProgramFlow(captured.issuperset(ADDRESS), "HALT" in captured)
        self._resets: list[tuple[int, int]] = []
        self._calibration: Calibration | None = None

    def settled(self, calibration: Calibration) -> None:
        """Take the time base."""
        self._calibration = calibration

    def events(self, events: BlockEvents) -> None:
        """Note the resets."""
        self._resets.extend(events.resets)

    def steps(self, table: CycleTable, final: bool = False) -> list[Step]:
        """Return what a batch of machine cycles completes; with final=True all that is left."""
        calibration = self._calibration
        t_ticks = calibration.t_ticks if calibration is not None else None
        rows = _rows(table)
        last = int(table.start[-1]) if len(table) else -NEVER
        resets = [reset for reset in self._resets if final or reset[1] <= last]
        self._resets = self._resets[len(resets) :]
        places, marks = [], []
        for low, high in resets:
            if high - low >= RESET_SEEN_T * (t_ticks or 0.0):
                place = int(np.searchsorted(table.start, high))
                begun = int(table.start[place - 1]) + 1 if place else low  # the cycle that the reset cut short
                places.append(place)
                marks.append((RESET, max(low, begun), high))
        if t_ticks:
            for place, mark in find_gaps(table, t_ticks, calibration is not None and calibration.counts_clock):
                if place not in places:
                    places.append(place)
                    marks.append(mark)
        return self._flow.feed(_with_marks(rows, places, marks) if marks else rows, final)


def program_steps(capture: Capture, channels: ChannelMap, clock_hz: float | None = None, where: str = "") -> Iterator[list[Step]]:
    """Yield the steps of an open capture in order of time, some thousand to a list; memory stays flat.

    clock_hz: the clock that the user or the profile gave. Raises CaptureError, LineMapError.
    """
    program = Program(channels.captured, where)
    rebuild = Rebuild.of(capture.header, channels, clock_hz, [program])
    for batch in rebuild.batches(capture.blocks(channels.assignments)):
        yield program.steps(batch.cycles)
    yield program.steps(CycleTable.empty(), final=True)


def _rows(table: CycleTable) -> Rows:
    if not len(table):
        return EMPTY
    return Rows(
        table.kind.tobytes(), table.start.tolist(), table.end.tolist(), table.t_states.tolist(), table.wait_states.tolist(),
        table.address.tolist(), table.data.tolist(), table.note.tolist(),
    )  # fmt: skip


def find_gaps(table: CycleTable, t_ticks: float, counted: bool) -> Iterator[tuple[int, tuple[int, int, int]]]:
    """Find the cycles behind which something is missing; yields the row before which to put a mark, and (GAP, start, end)."""
    length = (table.end - table.start) / t_ticks
    own = np.maximum(table.wait_states, 0) + LONGEST_CYCLE_T
    if counted:
        own = np.minimum(own, table.t_states + CLOCK_SLACK_T)
    told = table.t_states != NOT_KNOWN
    if counted and len(table):
        # Fewer clocks than a cycle takes give no length: the others were lost, and how long its strobe seems tells of no waits.
        short = ~told & (table.note != NOTE_INDEX["cut_short"])
        short[-1] = False  # of the last one nobody knows the end
        own[short], told = LONGEST_CYCLE_T, told | short
    at = np.flatnonzero((length > own) & (table.kind != GRANTED) & told)
    for k in at.tolist():
        busy = min(int(table.t_states[k]), max(int(table.wait_states[k]), 0) + 4) if table.t_states[k] != NOT_KNOWN else 4
        yield k + 1, (GAP, int(table.start[k]) + round(busy * t_ticks), int(table.end[k]))


def _with_marks(rows: Rows, places: list[int], marks: list[tuple[int, int, int]]) -> Rows:
    """Put marks between the rows: each before the row of its place."""
    kind = bytearray(rows.kind)
    columns = [list(column) for column in rows[1:]]
    for place, (mark, start, end) in sorted(zip(places, marks, strict=True), key=lambda pair: (-pair[0], -pair[1][1])):
        kind.insert(place, mark)
        for column, value in zip(columns, (start, end, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, 0), strict=True):
            column.insert(place, value)
    return Rows(bytes(kind), *columns)
