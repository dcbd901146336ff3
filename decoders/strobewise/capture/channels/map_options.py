"""Which channel is which line, by the user's word: ``--map`` and the map file."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from strobewise.bus.lines import CONTROL
from strobewise.capture.channels import spelling
from strobewise.capture.channels.places import BUSES, Claim, Listed, Place, bus_numbers
from strobewise.errors import LineMapError
from strobewise.files.reading import read_toml

if TYPE_CHECKING:
    from pathlib import Path

_NUMBERED = re.compile(r"(.+)#([1-9][0-9]{0,4})")  #: the second of two channels of one name: M1#2
NO_CHANNEL = "none"  #: ``--map LINE=none``: this line was not captured, whatever the names say


def split_map(text: str) -> tuple[str, str]:
    line, equals, channel = text.partition("=")
    if not equals or not line.strip() or not channel.strip():
        raise LineMapError(f"{text!r} is no line and channel", "--map", "write --map LINE=CHANNEL, for example M1=CH3")
    return line.strip(), channel.strip()


def read_map_file(path: str | Path) -> list[tuple[str, str]]:
    example = 'write a table [map] with entries such as M1 = "CH3"'
    try:
        document = read_toml(path)
    except ValueError as error:
        raise LineMapError(f"the map file is no TOML: {error}", str(path), example) from error
    table = document.get("map")
    if not isinstance(table, dict):
        raise LineMapError("the map file has no table [map]", str(path), example)
    for line, channel in table.items():
        if not isinstance(channel, str) or not channel.strip():
            raise LineMapError(f"the channel of {line!r} must be a name in quotes, not {channel!r}", str(path), example)
    return [(line, channel.strip()) for line, channel in table.items()]


def explicit_claims(capture: Listed, pairs: list[tuple[str, str]], source: str) -> dict[str, Claim | None]:
    """Return line -> claim for what --map or the map file says; None for a line that was not captured."""
    found: dict[str, Claim | None] = {}
    for name, text in pairs:
        whole = BUSES.get(name.upper())
        if whole is not None:
            claims: dict[str, Claim | None] = {}
            claims.update(_whole_bus(capture, whole, text, source))
        else:
            claims = {_line_name(name, source): _claim(capture, text, source)}
        for line, claim in claims.items():
            if line in found:
                raise LineMapError(f"{line} is mapped twice", source, "give each line one channel")
            found[line] = claim
    return found


def _line_name(text: str, source: str) -> str:
    """Return the canonical name of what the user called a line; a name that we do not know becomes a further line."""
    said = spelling.meaning(text)
    if said is not None and said.line is not None:
        return said.line
    base, index = spelling.split_range(text)
    said = spelling.meaning(base)
    if said is not None and said.bus is not None:
        number = said.number if said.number is not None else (index[0] if index else -1)
        if 0 <= number < len(BUSES[said.bus]):
            return f"{said.bus}{number}"
        raise LineMapError(f"there is no line {text!r}", source, "the CPU has A0 to A15 and D0 to D7")
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", text):
        raise LineMapError(
            f"{text!r} is no name for a line", source, f"the lines are {', '.join(CONTROL)}, A0-A15, D0-D7"
        )
    return text.upper()


def _claim(capture: Listed, text: str, source: str) -> Claim | None:
    place = _find(capture, text, source)
    if place is not None:
        return Claim(place, False)
    if text == NO_CHANNEL:
        return None
    if text.startswith("!"):
        place = _find(capture, text[1:].strip(), source)
        if place is not None:
            return Claim(place, True)
    raise LineMapError(
        f"the capture has no channel {text.removeprefix('!')!r}",
        ", ".join(part for part in (capture.where, source) if part),
        f"it has {capture.listing()}" if capture.channels else "it has no channels",
    )


def _find(capture: Listed, text: str, source: str) -> Place | None:
    """Return the bit that a channel's name means, None when there is none; exact names beat looser ones."""
    place, which = _of_one_name(capture, text, source)
    if place is not None or which is None:
        return place
    found = _of_one_name(capture, which[1], source, int(which[2]))[0]
    if found is None:
        raise LineMapError(f"there is no channel {text!r}", source, f"{which[1]!r} is not there so often; the first is {which[1]}#1")
    return found


def _of_one_name(capture: Listed, text: str, source: str, number: int = 0) -> tuple[Place | None, re.Match[str] | None]:
    """Return the bit that a name means, the number-th of several where that is said; else the parts of NAME#NUMBER, where it is that."""
    for exact in (True, False):
        wanted = text if exact else _loose(text)
        found: dict[str, list[Place]] = {}
        for at, channel in enumerate(capture.channels):
            for place in _match(capture, at, wanted, exact):
                found.setdefault(channel.code, []).append(place)
        if number and found:
            places = list(found.values())
            return (places[number - 1][0] if number <= len(places) else None), None
        if len(found) > 1:
            names = ", ".join(repr(capture.name_of(places[0], scoped=True)) for places in found.values())
            remedy = f"write its scope as well, or {text}#2 for the second"
            raise LineMapError(f"{text!r} means more than one channel: {names}", source, remedy)
        if found:
            return next(iter(found.values()))[0], None
    return None, None if number else _NUMBERED.fullmatch(text)


def _loose(name: str) -> str:
    return "".join(name.split()).casefold()


def _match(capture: Listed, at: int, wanted: str, exact: bool) -> list[Place]:
    """Return the bit of one channel that a name means: the scalar itself, or one bit of the vector."""
    channel = capture.channels[at]
    if not channel.is_logic:
        return []

    def same(name: str, said: str) -> bool:
        names = (name, f"{channel.scope}.{name}")
        return said in (names if exact else [_loose(other) for other in names])

    if channel.width == 1:
        return [Place(at, 0)] if same(channel.name, wanted) else []
    base, index = spelling.split_range(wanted)
    if index is None or index[0] != index[1] or not same(channel.name, base) or index[0] not in channel.indices():
        return []
    return [Place(at, channel.position(index[0]))]


def _whole_bus(capture: Listed, lines: Sequence[str], text: str, source: str) -> dict[str, Claim]:
    """Return the claims of a vector that carries a whole bus."""
    inverted = text.startswith("!")
    wanted = spelling.split_range(text.removeprefix("!").strip())[0]
    for at, channel in enumerate(capture.channels):
        if channel.width > 1 and wanted in (channel.name, f"{channel.scope}.{channel.name}"):
            return {
                f"{lines[0][0]}{number}": Claim(Place(at, digit), inverted)
                for digit, number in bus_numbers(channel, len(lines))
            }
    raise LineMapError(
        f"the capture has no vector {wanted!r}", ", ".join(part for part in (capture.where, source) if part),
        f"map its bits one by one, as {lines[0]}=CHANNEL",
    )  # fmt: skip


def refuse_double_use(capture: Listed, explicit: Mapping[str, Claim | None], source: str = "--map") -> None:
    seen: dict[Place, str] = {}
    for line, claim in explicit.items():
        if claim is not None and seen.setdefault(claim.place, line) != line:
            raise LineMapError(
                f"channel {capture.name_of(claim.place)!r} is given to both {seen[claim.place]} and {line}", source,
                "give each channel to one line",
            )  # fmt: skip
