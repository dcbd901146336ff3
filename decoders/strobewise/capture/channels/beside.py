"""The map that lies beside a capture: boot.vcd.map.toml says which channel of boot.vcd is which line, and where its leads sat.

Written by hand or by a command, and taken whenever that capture is read. What the user says on the command line beats it line by line.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from strobewise.bus.model import LEAD_PLACES, LeadPlace
from strobewise.capture.channels import spelling
from strobewise.errors import LineMapError
from strobewise.files.names import map_path
from strobewise.files.plain_data import Toml, toml_string
from strobewise.files.reading import is_stream, read_toml

KEYS = ("guessed", "map", "probe_at")
EXAMPLE = 'write a table [map] with entries such as M1 = "CH3", and where leads sat a table [probe_at] with M1 = "connector"'


@dataclass(frozen=True)
class MapBeside:
    """What the file beside a capture says."""

    path: str
    pairs: tuple[tuple[str, str], ...] = ()  #: line and channel, as with --map
    probe_at: Mapping[str, LeadPlace] = field(default_factory=dict)
    guessed: bool = False  #: found by the channels' behaviour, and to be checked each time


def read_beside(capture: str) -> MapBeside | None:
    """Return the map beside a capture, None where there is none. Raises LineMapError, OSError."""
    path = map_path(capture)
    if is_stream(capture) or not os.path.isfile(path):
        return None
    try:
        document = read_toml(path)
    except ValueError as error:
        raise LineMapError(f"the map file is no TOML: {error}", path, EXAMPLE) from error
    return parse_map(document, path)


def parse_map(document: Mapping[str, Toml], path: str) -> MapBeside:
    """Return a map from the tables of its file. Raises LineMapError for what does not belong there."""
    for key in document:
        if key not in KEYS:
            raise LineMapError(f"unknown key {key!r}", path, f"one of {', '.join(KEYS)}")
    guessed = document.get("guessed", False)
    if not isinstance(guessed, bool):
        raise LineMapError(f"guessed is {guessed!r}", path, "true or false")
    pairs = tuple((line, channel.strip()) for line, channel in _texts(document, "map", path))
    places: dict[str, LeadPlace] = {}
    for line, text in _texts(document, "probe_at", path):
        found = next((place for place in LEAD_PLACES if place == text), None)
        if found is None:
            raise LineMapError(f"the lead of {line!r} cannot sit at {text!r}", path, f"one of {', '.join(LEAD_PLACES)}")
        said = spelling.meaning(line)
        places[said.line if said is not None and said.line is not None else line.upper()] = found
    return MapBeside(path, pairs, places, guessed)


def _texts(document: Mapping[str, Toml], key: str, path: str) -> Iterable[tuple[str, str]]:
    table = document.get(key, {})
    if not isinstance(table, dict):
        raise LineMapError(f"{key} is no table", path, EXAMPLE)
    for line, text in table.items():
        if not isinstance(text, str) or not text.strip():
            raise LineMapError(f"the entry {line!r} in [{key}] must be a text in quotes, not {text!r}", path, EXAMPLE)
        yield line, text


def map_text(pairs: Iterable[tuple[str, str]], probe_at: Mapping[str, LeadPlace] | None = None, guessed: bool = False) -> str:
    """Return a map as the text of its file."""
    text = "# Which channel of the capture beside this file is which line, and where its leads sat.\n"
    if guessed:
        text += "# Guessed from what the channels do, and checked each time: take the next line out once you know that it is right.\n"
        text += "guessed = true\n"
    text += "\n[map]\n" + "".join(f"{_key(line)} = {toml_string(channel)}\n" for line, channel in pairs)
    if probe_at:
        text += "\n[probe_at]\n" + "".join(f'{_key(line)} = "{place}"\n' for line, place in probe_at.items())
    return text


def _key(line: str) -> str:
    """Return a name as a key of TOML (toml.io, keys): bare where it can be."""
    return line if line.replace("_", "").isalnum() and line.isascii() else toml_string(line)
