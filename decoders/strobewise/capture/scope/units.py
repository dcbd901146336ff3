"""Units in the head of a table: behind a name in brackets or parted from it, in words, or on a line of their own."""

from __future__ import annotations

import re

#: What one unit is, in seconds and volts (SI); the micro sign as either of its two characters, or as the letter of exporters.
TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
VOLT_UNITS_V = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6, "kv": 1e3}  #: the same
_PARTS = {"": "s", "milli": "ms", "micro": "us", "nano": "ns", "pico": "ps", "femto": "fs"}
_WORDS = {f"{part}{word}": unit for part, unit in _PARTS.items() for word in ("second", "seconds", "sec", "secs")}
_WORDS |= {"msec": "ms", "usec": "us", "µsec": "us", "μsec": "us", "nsec": "ns", "psec": "ps", "volt": "v", "volts": "v"}
TIME_NAMES = frozenset({"time", "t", "x", "x-axis", "zeit", "timestamp"})
_IN_BRACKETS = re.compile(r"(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*")
#: As ISO 80000-1 (7.1.4, from memory) writes a quantity over its unit, and as exporters do.
_PARTED = re.compile(r"(.*?)(?:\s*[/,_]\s*|\s+)([^\s/,_]+)")


def unit_of(text: str) -> str:
    """Return a unit that is known here in its short form, else ""."""
    word = text.strip().strip("[]()").casefold().removesuffix(" dc").removesuffix(" ac")
    word = _WORDS.get(word, word)
    return word if word in TIME_UNITS_S or word in VOLT_UNITS_V else ""


def is_time(name: str) -> bool:
    """Say whether a column of this name holds the time."""
    word = name.casefold()
    return word in TIME_NAMES or word.startswith("time") or (word in _WORDS and _WORDS[word] in TIME_UNITS_S)


def name_and_unit(text: str) -> tuple[str, str]:
    """Take a column's head apart; the unit is "" where it tells none, and then the name is all of it."""
    match = _IN_BRACKETS.fullmatch(text)
    if match is not None and match[1] and (unit := unit_of(match[2] or match[3] or "")):
        return match[1], unit
    match = _PARTED.fullmatch(text)  # what may well be part of a line's name: of the time alone
    if match is not None and is_time(match[1]) and (unit := unit_of(match[2])) in TIME_UNITS_S:
        return match[1], unit
    return text, unit_of(text) if is_time(text) else ""


def are_units(cells: list[str]) -> bool:
    """Say whether a line tells the units of the columns: of each, or of the times where levels have none."""
    units = [unit_of(cell) for cell in cells]
    return all(units) or (any(unit in TIME_UNITS_S for unit in units) and all(unit or not cell for unit, cell in zip(units, cells)))
