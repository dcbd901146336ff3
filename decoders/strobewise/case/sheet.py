"""The sheet of a case, case.toml: reading it with care, and writing it."""

from __future__ import annotations

import math
from pathlib import Path

from ..bus.clocked import EDGES
from ..bus.model import LEAD_PLACES, SUSPECTS
from ..capture.raw.form import parse_raw
from ..errors import StrobewiseError, UsageError
from ..files.plain_data import Toml
from ..profile.fields import Fields, load_toml
from ..profile.machine import load_profile
from ..records.profile import Profile
from .records import ANSWER_KINDS, OUTCOMES, Answer, Case, Closed, Item, Taken

SHEET = "case.toml"
PROFILE = "machine/profile.toml"
VERSION = 1  #: of the sheet: a program that knows a lower one alone refuses it


class CaseError(StrobewiseError):
    """The sheet of a case says what it must not."""


def read_sheet(folder: Path) -> Case:
    """Return the case of a folder. Raises CaseError, which names the file, the key and what is allowed; ProfileError."""
    profile = folder / PROFILE
    return parse_sheet(load_toml(folder / SHEET, CaseError), folder, load_profile(profile) if profile.is_file() else None)


def parse_sheet(table: dict[str, Toml], folder: Path, profile: Profile | None) -> Case:
    """Return the case that a sheet describes. Raises CaseError."""
    fields = Fields(table, folder / SHEET, CaseError)
    fields.integer("version", VERSION, VERSION)
    case = Case(
        folder, fields.text("symptom"), fields.text("opened"), profile,
        fields.integer("leads", 1, 64, 8), fields.number("clock_hz", 1e3, 1e9, None),
        tuple(text for text in fields.many("socketed", []) if isinstance(text, str)), fields.text("machine", ""),
        tuple(_item(table, number) for number, table in enumerate(fields.tables("items"), 1)), _closed(fields),
    )  # fmt: skip
    fields.finish()
    return case


def _item(fields: Fields, number: int) -> Item:
    fields.integer("number", number, number)
    file = fields.file_name("file", None)
    if file is not None and (not file.startswith("captures/") or "\\" in file or ".." in file.split("/")):
        raise fields.refuse("file", f"file is {file!r}", "a file in captures/")
    item = Item(
        number, fields.text("time"), fields.text("note", ""), file, fields.number("minutes_on", 0, 1e6, None),
        _answer(fields) if file is None else None, fields.text("withdrawn", None), _taken(fields) if file is not None else Taken(),
    )  # fmt: skip
    fields.finish()
    return item


def _taken(fields: Fields) -> Taken:
    raw = fields.text("raw", "")
    try:
        _ = parse_raw(raw) if raw else None
    except UsageError as error:
        raise fields.refuse("raw", f"raw is {raw!r}", error.remedy) from None
    edge: str | None = fields.choice("clocked", (*EDGES, "no"), None)
    return Taken(raw, edge, fields.boolean("stimulus", False), fields.boolean("free_run", False))


def _answer(fields: Fields) -> Answer:
    return Answer(
        fields.choice("kind", ANSWER_KINDS), fields.text("about", ""), fields.number("value", -1e3, math.inf, None),
        fields.choice("place", LEAD_PLACES, "cpu"), fields.choice("fault", OUTCOMES, ""), fields.choice("part", SUSPECTS, None),
    )  # fmt: skip


def _closed(fields: Fields) -> Closed | None:
    if "closed" not in fields:
        return None
    table = fields.table("closed")
    closed = Closed(
        table.choice("was", SUSPECTS), table.text("part", ""), table.text("time"), table.boolean("proven", False),
        tuple(text for text in table.many("rules", []) if isinstance(text, str)), table.text("note", ""),
        tuple(number for number in table.many("withdrawn_since", []) if isinstance(number, int)),
    )  # fmt: skip
    table.finish()
    return closed


def sheet_text(case: Case) -> str:
    """Return the sheet as the text of its file."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("One repair, from symptom to proof: written by strobewise case, made to be read."))
    document.update({"version": VERSION, "symptom": case.symptom, "opened": case.opened, "leads": case.leads})
    for key, value in (("machine", case.machine), ("clock_hz", case.clock_hz), ("socketed", list(case.socketed))):
        if value:
            document[key] = value
    items = tomlkit.aot()
    for item in case.items:
        table = tomlkit.table()
        table.update(_item_table(item))
        items.append(table)
    if case.items:
        document["items"] = items
    if case.closed is not None:
        closed = case.closed._asdict()
        document["closed"] = {
            key: list(value) if isinstance(value, tuple) else value for key, value in closed.items() if value not in ("", ())
        }
    return tomlkit.dumps(document)


def _item_table(item: Item) -> dict[str, str | int | float]:
    table: dict[str, str | int | float] = {"number": item.number, "time": item.time}
    told: dict[str, str | float | None] = {"file": item.file, "minutes_on": item.minutes_on}
    if item.answer is not None:
        told = dict(item.answer._asdict())
    else:
        told |= {key: value for key, value in item.taken._asdict().items() if value}
    told |= {"note": item.note, "withdrawn": item.withdrawn}
    table.update({key: value for key, value in told.items() if value is not None and value != ""})
    return table
