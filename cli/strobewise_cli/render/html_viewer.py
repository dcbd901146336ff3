"""What the script of a page's waveform draws: rows of lines, changes of levels, machine cycles and instructions, ready for JSON."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from operator import itemgetter
from typing import NotRequired, TypedDict

import numpy as np

from strobewise.bus.lines import ADDRESS, BIT, CONTROL, DATA, FIRST_ADDRESS_BIT, FIRST_DATA_BIT, bar
from strobewise.bus.model import KIND_INDEX, KINDS, NOTES
from strobewise.cpu.disassembly import InstructionDecoder
from strobewise.cycles.table import NOT_KNOWN, CycleTable
from strobewise.diagnosis.examined import Examined
from strobewise_cli.render.html_data import PageData, Window
from strobewise_cli.render.html_ghost import ghosts
from strobewise_cli.render.html_memory import expected_levels

SUPPLY_V = 5.0  #: up to which volts are drawn at least
FIRST_SEEN = ("finding", "new", "gone", "kept", "parting")  #: names of windows, in the order of a page; the others come last
_FETCH, _READ, _ACKNOWLEDGE = (KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "interrupt_acknowledge"))
_NMI = NOTES.index("nmi_response")
_HALT = NOTES.index("halt")


class Row(TypedDict):
    """A row of the waveform: a line, or a whole bus."""

    name: str
    label: str
    bit: int  #: of the packed word, the lowest one of a bus
    width: NotRequired[int]  #: of a bus
    volts: NotRequired[list[float]]  #: lowest and highest of the drawing, of a line that a scope recorded


def rows_of(examined: Examined, named: Collection[str] = ()) -> list[Row]:
    """Return the rows of the waveform: captured lines in the table's order, whole buses as one row of values each.

    named: lines of findings, which get a row of their own even where they belong to a whole bus.
    """
    captured = examined.channels.channels
    rows: list[Row] = [
        {"name": name, "label": bar(name), "bit": BIT[name]} for name in CONTROL if name in captured
    ]
    rows += [{"name": name, "label": name, "bit": bit} for name, bit in examined.channels.extra_bits.items() if name in captured]
    for bus, names, first in (("A", ADDRESS, FIRST_ADDRESS_BIT), ("D", DATA, FIRST_DATA_BIT)):
        if set(names) <= set(captured):
            rows.append({"name": bus, "label": f"{names[0]}-{names[-1]}", "bit": first, "width": len(names)})
            rows += [{"name": name, "label": name, "bit": BIT[name]} for name in names if name in named]
        else:
            rows += [{"name": name, "label": name, "bit": BIT[name]} for name in names if name in captured]
    return rows


def viewer(captures: Sequence[PageData]) -> dict[str, object]:
    """Return what the waveform's script draws, ready for JSON. Times are ticks from the start of their capture."""
    sources: list[dict[str, object]] = []
    windows: list[tuple[int, dict[str, object]]] = []  # with the place of each in the list
    for number, data in enumerate(captures):
        rows = [_with_volts(row, data.windows) for row in rows_of(data.examined, data.named)]
        start = data.examined.start_tick
        sources.append({
            "tickSeconds": data.examined.tick_s,
            "startSeconds": start * data.examined.tick_s,
            "tState": data.t_ticks,
            "rows": rows,
        })  # fmt: skip
        windows += [(_rank(window.key), {"source": number, **_window(window, rows, start, data.t_ticks)}) for window in data.windows]
    return {"kinds": list(KINDS), "sources": sources, "windows": [window for _, window in sorted(windows, key=itemgetter(0))]}


def _rank(key: str) -> int:
    """Return where a window stands in the list, by its name: what a reader wants to see first comes first."""
    return next((number for number, word in enumerate(FIRST_SEEN) if key.startswith(word)), len(FIRST_SEEN))


def _window(window: Window, rows: list[Row], start: int, t_ticks: float | None) -> dict[str, object]:
    return {
        "key": window.key,
        "title": window.title,
        "start": window.start - start,
        "end": window.end - start,
        "moment": window.moment - start,
        "lines": list(window.lines),
        "traces": {row["name"]: _trace(window, row, start) for row in rows},
        "volts": {row["name"]: _volts(window, row["name"], start) for row in rows if "volts" in row},
        "cycles": [
            [
                int(at) - start, int(end) - start, int(kind), None if address == NOT_KNOWN else int(address),
                None if byte == NOT_KNOWN else int(byte), None if t == NOT_KNOWN else int(t), NOTES[int(note)], bool(inferred),
            ]
            for at, end, kind, address, byte, t, note, inferred in zip(
                window.cycles.start, window.cycles.end, window.cycles.kind, window.cycles.address, window.cycles.data,
                window.cycles.t_states, window.cycles.note, window.cycles.inferred, strict=True,
            )
        ],
        "expected": expected_levels(window.contradiction, window.lines, start),
        "ghosts": ghosts(window.lines, window.cycles, t_ticks, start),
        "instructions": [[at - start, end - start, text] for at, end, text in instructions(window.cycles)],
    }  # fmt: skip


def _with_volts(row: Row, windows: Sequence[Window]) -> Row:
    """Return a row that draws volts where the windows hold some of its line: from 0 to 5 V, and further where they go further."""
    pieces = [volts for window in windows for _, volts in window.volts.get(row["name"], ())]
    if not pieces or "width" in row:
        return row
    lowest, highest = min(float(each.min()) for each in pieces), max(float(each.max()) for each in pieces)
    return {**row, "volts": [round(min(0.0, lowest), 2), round(max(SUPPLY_V, highest), 2)]}


def _volts(window: Window, line: str, start: int) -> list[float]:
    """Return the volts of a line as time, volts, time, volts ..."""
    return [
        number for times, volts in window.volts.get(line, ())
        for at, level in zip((times - start).tolist(), volts.tolist(), strict=True) for number in (at, round(level, 2))
    ]  # fmt: skip


def _trace(window: Window, row: Row, start: int) -> list[int]:
    """Return a row's changes as time, value, time, value ...; the first is the level that it has when the window begins."""
    mask = np.uint64((1 << row.get("width", 1)) - 1)
    values = window.words >> np.uint64(row["bit"]) & mask
    keep = np.r_[True, values[1:] != values[:-1]]
    times = np.maximum(window.times[keep], window.start) - start
    pairs = np.column_stack([times.astype(np.int64), values[keep].astype(np.int64)])
    return [int(number) for number in pairs.ravel().tolist()]


def instructions(cycles: CycleTable) -> list[tuple[int, int, str]]:
    """Return the instructions of a stretch as (start, end, text), where address and data were captured."""
    decoder = InstructionDecoder()
    found: list[tuple[int, int, str]] = []
    begin, synced = 0, False
    rows = zip(
        cycles.kind.tolist(), cycles.start.tolist(), cycles.address.tolist(), cycles.data.tolist(), cycles.note.tolist(), strict=True
    )
    for kind, start, address, byte, note in rows:
        if NOT_KNOWN in (address, byte) and kind in (_FETCH, _READ):
            return []
        fresh = (decoder.operation is None and not decoder.data) or _complete(decoder)
        if fresh and found:
            found[-1] = (found[-1][0], start if found[-1][1] == -1 and kind == _FETCH else found[-1][1], found[-1][2])
        if kind == _FETCH and note in (_HALT, _NMI):
            decoder.restart()
            if found and found[-1][1] == -1:
                found[-1] = (found[-1][0], start, found[-1][2])
            found.append((start, -1, "halted" if note == _HALT else "NMI response"))
            continue
        if kind == _ACKNOWLEDGE:
            decoder.restart()
            found.append((start, -1, "interrupt acknowledge"))
            continue
        if kind == _FETCH:
            if fresh:
                begin = start
            elif decoder.awaited_kind != "opcode_fetch":  # out of step: a fetch where an operand was due
                decoder.restart()
                begin = start
            synced = True
        elif kind != _READ or fresh or not synced or decoder.awaited_kind != "memory_read":
            continue
        instruction = decoder.feed(byte, address)
        if instruction is not None:
            found.append((begin, -1, instruction.text))
    last = int(cycles.end[-1]) if len(cycles) else 0
    return [(start, last if end == -1 else end, text) for start, end, text in found]


def _complete(decoder: InstructionDecoder) -> bool:
    return decoder.operation is not None and len(decoder.data) >= decoder.operation.length
