"""Reading a file of expectations (TOML); every key is checked, nothing is guessed."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TypeGuard, TypeVar

from ..bus.clocked import EDGES as CLOCK_EDGES
from ..bus.lines import LINE
from ..bus.model import KINDS, LEAD_PLACES, LINE_STATES, NOTES, SUSPECTS, VERDICT_STATES, LeadPlace, LineStateName
from ..compare.edges import CAUSED_BY
from ..files.names import named_in
from ..profile.fields import Fields, load_toml
from ..rules import CATALOGUE
from .model import BUSES, LIMITS, NEVER, ONCE_OR_MORE, VERSION, Event, ExpectationError, Expectations, PagingExpectation, Range
from .rom_digest import DIGITS, RomDigest

CYCLE_COUNTS = (*KINDS, "inferred_fetches")
#: Names of the table [timing_ns]: the strobes are active low, so an assertion is a fall.
EDGES = tuple(f"{line} {'fall' if edge == 'assert' else 'rise'}" for line, edge, _ in CAUSED_BY)
_RANGE = "a number, a pair [low, high], { about = N, percent = P }, { least = N } or { most = N }"
_LIMIT = 1e15  #: above all that is expected of a capture, and an integer that a float still holds exactly
T = TypeVar("T")


def load_expectations(path: str | Path) -> Expectations:
    """Read a file of expectations. Raises ExpectationError, which names the file, the key and what is allowed."""
    path = Path(path)
    fields = Fields(load_toml(path, ExpectationError), path, ExpectationError)
    if fields.integer("version", 1, 1 << 31, VERSION) != VERSION:
        raise fields.refuse("version", "this version is not known", f"{VERSION}, or a newer strobewise")
    capture, verdict, findings = (fields.table(name) for name in ("capture", "verdict", "findings"))
    has_findings = "findings" in fields
    rules = tuple(rule.id for rule in CATALOGUE)
    digest, shares = fields.table("digest"), fields.table("shares")
    order = shares.choices("order", KINDS, ())
    made = Expectations(
        path=path,
        files=tuple(Path(named_in(path, name)) for name in _texts(capture, "files")),
        machine=capture.file("machine"),
        maps=_maps(capture),
        clock_hz=capture.number("clock_hz", 1e3, 1e9, None),
        clocked=capture.choice("clocked", CLOCK_EDGES, None),
        fewer_leads=capture.boolean("fewer_leads", False),
        roms=tuple(_rom(table) for table in capture.tables("rom")),
        probe_at=_probes(capture),
        states=_one_or_many(verdict, "state", VERDICT_STATES),
        suspect=verdict.choice("suspect", SUSPECTS, None),
        allowed=findings.choices("allowed", rules, ()) if has_findings else None,
        required_findings=findings.choices("required", rules, ()),
        lines=_lines(fields),
        cycles=_ranges(fields.table("cycles"), CYCLE_COUNTS),
        shares=_ranges(shares, KINDS, ("order",)),
        order=order,
        limits=_ranges(fields.table("limits"), tuple(LIMITS)),
        timing_ns=_ranges(fields.table("timing_ns"), EDGES),
        paging=_paging(fields),
        required=tuple(_event(table, True) for table in fields.tables("required")),
        forbidden=tuple(_event(table, False) for table in fields.tables("forbidden")),
        digest=_digest(digest),
        rom_digests=tuple(_rom_digest(table) for table in digest.tables("rom")),
    )
    for table in (capture, verdict, findings, digest, fields):
        table.finish()
    return made


def _texts(fields: Fields, name: str) -> tuple[str, ...]:
    values = fields.many(name, (), "a list of file names")
    names = tuple(value for value in values if isinstance(value, str) and value and "\0" not in value)
    if len(names) != len(values):
        raise fields.refuse(name, f"{name} holds something that is no file name", "a list of file names")
    return names


def _maps(fields: Fields) -> tuple[str, ...]:
    table = fields.table("map")
    maps = tuple(f"{name}={table.text(name)}" for name in table.names())
    table.finish()
    return maps


def _probes(fields: Fields) -> dict[str, LeadPlace]:
    table = fields.table("probe_at")
    probes: dict[str, LeadPlace] = {}
    for name in table.names():
        if name not in LINE:
            raise table.refuse(name, f"{name} is no line", "a line of the CPU, as M1")
        probes[name] = table.choice(name, LEAD_PLACES)
    return probes


def _rom(fields: Fields) -> tuple[Path, int]:
    file = fields.file("file")
    if file is None:
        raise fields.refuse("file", "file is missing", "the file with the ROM's content")
    address = fields.address("address")
    fields.finish()
    return file, address


def _one_or_many(fields: Fields, name: str, allowed: tuple[T, ...]) -> tuple[T, ...]:
    listed = "one of " + ", ".join(map(str, allowed)) + ", or a list of them"
    value = fields.raw(name, None, listed)
    if value is None:
        return ()
    values = value if isinstance(value, list) else [value]
    if not values or not all(item in allowed for item in values):
        raise fields.refuse(name, f"{name} is {value!r}", listed)
    return tuple(allowed[allowed.index(item)] for item in values)


def _lines(fields: Fields) -> dict[str, tuple[LineStateName, ...]]:
    table = fields.table("lines")
    lines = {}
    for name in table.names():
        if not re.fullmatch(r"[A-Z][A-Z0-9_]*", name):
            raise table.refuse(name, f"{name!r} is no line", "a line's name, as MREQ or A0")
        states = _one_or_many(table, name, LINE_STATES)
        for line in BUSES.get(name, (name,)):
            if line in lines:
                raise table.refuse(name, f"{line} stands there twice", "each line once, alone or in its bus")
            lines[line] = states
    return lines


def _ranges(fields: Fields, names: tuple[str, ...], beside: tuple[str, ...] = ()) -> dict[str, Range]:
    """Return the ranges of a table. beside: its keys that hold something else."""
    found = {name: _range(fields, name) for name in names if name in fields}
    if unknown := [name for name in fields.names() if name not in (*names, *beside)]:
        raise fields.refuse(unknown[0], f"unknown key {unknown[0]!r}", "one of " + ", ".join(names))
    return found


def _range(fields: Fields, name: str) -> Range:
    value = fields.raw(name, None, _RANGE)
    if isinstance(value, dict):
        return _spelled_range(fields.nested(name, value), fields, name)
    pair = value if isinstance(value, list) else [value, value]
    numbers = [item for item in pair if _is_number(item)]
    if len(pair) != 2 or len(numbers) != 2 or numbers[0] > numbers[1]:
        raise fields.refuse(name, f"{name} is {value!r}", _RANGE)
    return Range(numbers[0], numbers[1])


def _spelled_range(table: Fields, fields: Fields, name: str) -> Range:
    about = table.number("about", 0, _LIMIT, None)
    percent = table.number("percent", 0, 1000, None)
    least, most = table.number("least", 0, _LIMIT, None), table.number("most", 0, _LIMIT, None)
    table.finish()
    if about is not None and percent is not None and least is None and most is None:
        margin = about * percent / 100
        low, high = about - margin, about + margin
        return Range(math.floor(low), math.ceil(high)) if isinstance(about, int) else Range(low, high)
    if about is None and percent is None and (least is not None or most is not None) and (least or 0) <= (most or _LIMIT):
        return Range(least, most)
    raise fields.refuse(name, f"{name} is no range", _RANGE)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= _LIMIT


def _paging(fields: Fields) -> dict[str, PagingExpectation]:
    table = fields.table("paging")
    found = {}
    for name in table.names():
        own = table.table(name)
        ranges = _ranges(own, ("triggers", "unanswered"))
        found[name] = PagingExpectation(ranges.get("triggers"), ranges.get("unanswered"))
    return found


def _event(fields: Fields, required: bool) -> Event:
    kind = fields.choice("kind", KINDS, None)
    address, data = _span(fields, "address", 0xFFFF), _span(fields, "data", 0xFF)
    note = fields.choice("note", NOTES[1:], None)
    instruction = fields.text("instruction", None)
    name = fields.text("name", None)
    count = _range(fields, "count") if required and "count" in fields else ONCE_OR_MORE if required else NEVER
    if kind is None and address is None and data is None and note is None and instruction is None:
        raise fields.refuse("kind", "the event says nothing", "kind, address, data, note or instruction")
    if instruction is not None and (kind is not None or data is not None or note is not None):
        raise fields.refuse("instruction", "an instruction has no kind, data or note", "instruction and address, or a machine cycle")
    fields.finish()
    event = Event("", fields.place, kind, address, data, note, instruction, count)
    return Event(name or event.text, fields.place, kind, address, data, note, instruction, count)


def _span(fields: Fields, name: str, highest: int) -> tuple[int, int] | None:
    allowed = f"a number 0x0..0x{highest:X}, or a pair [low, high]"
    value = fields.raw(name, None, allowed)
    if value is None:
        return None
    pair = value if isinstance(value, list) else [value, value]
    whole = [item for item in pair if isinstance(item, int) and not isinstance(item, bool) and 0 <= item <= highest]
    if len(pair) != 2 or len(whole) != 2 or whole[0] > whole[1]:
        raise fields.refuse(name, f"{name} is {value!r}", allowed)
    return whole[0], whole[1]


def _rom_digest(fields: Fields) -> RomDigest:
    start, digits = fields.address("start"), fields.text("digits")
    if not digits or set(digits) - DIGITS or start + len(digits) > 0x10000:
        raise fields.refuse("digits", "digits are no digest", "as --record writes them: a hexadecimal digit or a dot for each address")
    fields.finish()
    return RomDigest(start, digits)


def _digest(fields: Fields) -> str | None:
    value = fields.text("cycles", None)
    if value is not None and not re.fullmatch(r"sha256:[0-9a-f]{64}", value):
        raise fields.refuse("cycles", f"cycles is {value!r}", 'as --record --exact writes it: "sha256:" and 64 hexadecimal digits')
    return None if value is None else str(value)
