"""Which channel is which line, by the channels' names alone."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from strobewise.bus.lines import ADDRESS, BIT, CONTROL, DATA, LINE
from strobewise.capture.channels import spelling
from strobewise.capture.channels.places import BUSES, CHOICES_SHOWN, Claim, Listed, Place, bus_numbers
from strobewise.errors import LineMapError


def _candidates(capture: Listed, extras: Sequence[str]) -> dict[str, list[Claim]]:
    """Return line -> the places whose names say that line."""
    further = {spelling.tidy(name): name for name in extras}
    found: dict[str, list[Claim]] = {}
    for at, channel in enumerate(capture.channels):
        said = spelling.meaning(channel.name, further) or spelling.meaning(capture.base(at), further)
        if said is None or not channel.is_logic:
            continue
        if said.line is not None and channel.width == 1:
            complement = said.marked and said.line in BIT and LINE[said.line].active_level == 1
            found.setdefault(said.line, []).append(Claim(Place(at, 0), complement))
        if said.bus is None:
            continue
        lines = BUSES[said.bus]
        numbers = bus_numbers(channel, len(lines)) if channel.width > 1 and said.number is None else []
        if channel.width == 1:
            number = said.number if said.number is not None else capture.index(at)
            numbers = [(0, number)] if number is not None and 0 <= number < len(lines) else []
        for digit, number in numbers:
            found.setdefault(f"{said.bus}{number}", []).append(Claim(Place(at, digit), said.marked))
    return found


def named_claims(
    capture: Listed, extras: Sequence[str], explicit: Mapping[str, Claim | None]
) -> tuple[dict[str, Claim], list[str]]:
    """Return the lines that names give, without those that the user mapped, and notes on what was passed over."""
    taken = {claim.place for claim in explicit.values() if claim is not None}
    found: dict[str, Claim] = {}
    notes: list[str] = []
    for line, claims in _candidates(capture, extras).items():
        if line in explicit:
            continue
        free = [claim for claim in claims if claim.place not in taken]
        plain = [claim for claim in free if not claim.inverted]
        if not free:
            continue
        found[line] = _only_one(
            capture, line, plain or free
        )  # a complement counts only where the line itself is missing
        if found[line].inverted:
            notes.append(f"{capture.name_of(found[line].place)!r} is taken as the complement of {line}")
    return _without_default_names(capture, found, explicit, notes)


def _only_one(capture: Listed, line: str, claims: list[Claim]) -> Claim:
    signals = {(capture.channels[claim.place.channel].code, claim.place.digit) for claim in claims}
    if len(signals) == 1:
        return claims[0]
    names = [capture.name_of(claim.place, scoped=True) for claim in claims[:CHOICES_SHOWN]]
    which = f"--map {line}={names[0]}" if names[0] != names[1] else f"--map {line}={names[0]}#1 or {names[0]}#2"
    raise LineMapError(
        f"more than one channel could be {line}: {', '.join(map(repr, names))}", capture.where, f"say which, as {which}"
    )


def _without_default_names(
    capture: Listed, found: dict[str, Claim], explicit: Mapping[str, Claim | None], notes: list[str]
) -> tuple[dict[str, Claim], list[str]]:
    """Take out lines that stand on an analyser's default names only (D0 to D15, or A0 to A7 beside B0 to B7)."""

    def default(claim: Claim) -> bool:
        name = capture.channels[claim.place.channel].name
        return spelling.is_default_name(name) or (banks and spelling.is_bank_name(name))

    banks = sum(spelling.is_bank_name(c.name) and c.name[:1] in "Bb" for c in capture.channels) > 1
    labelled = [line for line, claim in found.items() if line not in DATA and line not in ADDRESS]
    labelled += [
        line for line, claim in explicit.items() if claim is not None and line in CONTROL and not default(claim)
    ]
    doubtful = {line for line, claim in found.items() if default(claim)}
    if labelled and not _leftover_names(capture):
        return found, notes
    kept = {line: claim for line, claim in found.items() if line not in doubtful}
    if doubtful and (labelled or kept or explicit):
        names = [capture.name_of(found[line].place) for line in sorted(doubtful)]
        notes.append(
            f"{', '.join(map(repr, names))} {'look' if len(names) > 1 else 'looks'} like the analyser's own names, "
            "not like data lines; map them with --map if they are"
        )
    return kept, notes


def _leftover_names(capture: Listed) -> bool:
    """Say whether D-names are channels that nobody renamed: each stands at its own number, labels fill the gaps."""
    numbered: dict[int, int] = {}
    for at, channel in enumerate(capture.channels):
        match = re.fullmatch(r"[Dd](\d{1,2})", channel.name)
        if match is not None:
            numbered[int(match[1])] = at
    gaps = [number for number in range(max(numbered, default=0)) if number not in numbered]
    return bool(gaps) and all(number == at for number, at in numbered.items())
