"""Which channel of a capture is which line of the bus: by name, by the user's word, or not at all."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from strobewise.bus.lines import BIT, FIRST_FREE_BIT, LINE, WORD_BITS
from strobewise.bus.model import LeadPlace
from strobewise.capture.channels.beside import MapBeside
from strobewise.capture.channels.map_names import named_claims
from strobewise.capture.channels.map_options import explicit_claims, read_map_file, refuse_double_use, split_map
from strobewise.capture.channels.places import CHOICES_SHOWN, Claim, Listed, Place
from strobewise.capture.records import BitAssignment, Channel
from strobewise.errors import LineMapError

if TYPE_CHECKING:
    from pathlib import Path

_BITS_LISTED = 4096  #: bits that carry no line and are listed one by one; a bench capture has a few dozen
MAP_OPTION = "--map"  #: what names channels on the command line


class ChannelUse(NamedTuple):
    """One bit of a capture and the line it carries; in the order of the capture."""

    name: str  #: as the capture writes it, ``ADDR[3]`` for a bit of a vector
    line: str | None  #: canonical name, None where it carries no known line
    inverted: bool
    target_bit: int | None  #: bit of the packed word, None where no bit was left


@dataclass(frozen=True)
class ChannelMap:
    """The answer: what to read from the capture, and what to say about it."""

    assignments: tuple[BitAssignment, ...]
    uses: tuple[ChannelUse, ...]
    unlabelled: bool  #: the names are the analyser's own, nothing was mapped by name
    notes: tuple[str, ...]  #: sentences for the user: aliases, names passed over, complements
    extra_bits: Mapping[str, int] = field(default_factory=dict)  #: further lines (profile, --map) and their bits
    map_file: str | None = None  #: the map beside the capture, where one was taken
    guessed: bool = False  #: that map was found by behaviour
    probe_at: Mapping[str, LeadPlace] = field(default_factory=dict)  #: where leads sat, by the map beside the capture
    said_by: Mapping[str, str] = field(default_factory=dict)  #: line -> MAP_OPTION, or the file that named its channel

    @property
    def channels(self) -> dict[str, str]:
        """Line -> name of its channel."""
        return {use.line: use.name for use in self.uses if use.line is not None}

    @property
    def captured(self) -> frozenset[str]:
        """Lines of the bus that were captured; further lines are not among them."""
        return frozenset(name for name in self.channels if name in BIT)

    @property
    def inverted(self) -> frozenset[str]:
        """Lines whose channel is the complement."""
        return frozenset(use.line for use in self.uses if use.line is not None and use.inverted)

    @property
    def unmapped(self) -> tuple[ChannelUse, ...]:
        """Bits of the capture that carry no known line."""
        return tuple(use for use in self.uses if use.line is None)

    @property
    def mask(self) -> int:
        """Bits of the packed word that carry a captured line of the bus or a further line."""
        return sum(1 << use.target_bit for use in self.uses if use.line is not None and use.target_bit is not None)

    def has(self, *lines: str) -> bool:
        """Say whether all these lines were captured."""
        return all(line in self.channels for line in lines)

    def bit(self, line: str) -> int | None:
        """Return the bit of a captured line (CPU line or further line), None when it was not captured."""
        return next((use.target_bit for use in self.uses if use.line == line), None)


def map_channels(
    channels: Sequence[Channel],
    maps: Iterable[str] = (),
    map_file: str | Path | None = None,
    extra_lines: Iterable[str] = (),
    where: str = "",
    own_maps: Iterable[str] = (),
    beside: MapBeside | None = None,
) -> ChannelMap:
    """Find the line of every channel.

    channels: the capture's variables in its order.
    maps: the values of ``--map``: ``LINE=CHANNEL``, ``LINE=!CHANNEL`` for an inverted probe, CHANNEL with its scope
        (``top.m1``) or as one bit of a vector (``BUS[3]``); ``A=BUS`` and ``D=BUS`` give a whole vector;
        ``LINE=none`` says that the line was not captured. They beat the map file, and that beats the names.
    map_file: TOML with a table ``[map]`` of ``LINE = "CHANNEL"``.
    extra_lines: names of lines that a machine profile declares.
    where: the capture, for messages.
    own_maps: the same as `maps`, for this capture alone: they beat all others.
    beside: the map that lies beside the capture: it beats the names alone, line by line and channel by channel.
    Raises LineMapError for an ambiguous name, a channel or line that does not exist, or a file that says nonsense.
    """
    capture = Listed(channels, where)
    extras = [name for name in dict.fromkeys(extra_lines) if name not in LINE]
    explicit: dict[str, Claim | None] = {}
    said_by: dict[str, str] = {}
    if map_file is not None:
        explicit.update(explicit_claims(capture, read_map_file(map_file), f"map file {map_file}"))
        said_by.update(dict.fromkeys(explicit, str(map_file)))
    for texts in (maps, own_maps):
        told = explicit_claims(capture, [split_map(text) for text in texts], MAP_OPTION)
        explicit.update(told)
        said_by.update(dict.fromkeys(told, MAP_OPTION))
    refuse_double_use(capture, explicit)
    if beside is not None:
        explicit = _with_beside(capture, explicit, beside)
        said_by = {**dict.fromkeys(explicit, beside.path), **said_by}
    extras += [line for line in explicit if line not in LINE and line not in extras]

    notes = [_new_line_note(line) for line in explicit if line not in LINE and line not in set(extra_lines)]
    named, name_notes = named_claims(capture, extras, explicit)
    claims = {line: claim for line, claim in {**named, **explicit}.items() if claim is not None}
    made = _assemble(capture, claims, extras, (*notes, *name_notes), unlabelled=bool(channels) and not claims)
    made = replace(made, said_by={line: source for line, source in said_by.items() if line in made.channels})
    return made if beside is None else replace(made, map_file=beside.path, guessed=beside.guessed, probe_at=beside.probe_at)


def _with_beside(capture: Listed, given: Mapping[str, Claim | None], beside: MapBeside) -> dict[str, Claim | None]:
    """Return what the map beside the capture says, and above it what was given: a line or channel given is none of its business."""
    source = f"map file {beside.path}"
    said = explicit_claims(capture, list(beside.pairs), source)
    refuse_double_use(capture, said, source)
    taken = {claim.place for claim in given.values() if claim is not None}
    return {**{line: claim for line, claim in said.items() if claim is None or claim.place not in taken}, **given}


def raw_channels(channels: Sequence[Channel]) -> ChannelMap:
    """Return a map that gives the capture's bits the word's bits 0, 1, 2 ... in order, as far as they go, and no lines.

    For looking at an unlabelled capture by behaviour alone.
    """
    capture = Listed(channels, "")
    places = _places(capture)
    uses = tuple(
        ChannelUse(capture.name_of(place), None, False, bit if bit < WORD_BITS else None)
        for bit, place in enumerate(places)
    )
    assignments = tuple(
        BitAssignment(channels[place.channel].code, place.digit, bit, False)
        for bit, place in enumerate(places[:WORD_BITS])
    )
    return ChannelMap(assignments, uses, True, ())


def _new_line_note(line: str) -> str:
    import difflib

    close = difflib.get_close_matches(line, [*LINE], n=1, cutoff=0.7)
    hint = f" (did you mean {close[0]}?)" if close else ""
    return f"{line} is no line of the CPU{hint}; it is kept as a further line"


def _places(capture: Listed, needed: Collection[str] = ()) -> list[Place]:
    """Return every bit of the capture once, leftmost digit first: no aliases, no variables without levels.

    Of a capture with very many bits only the first ones, and the variables whose codes are needed.
    """
    seen: set[str] = set()
    places: list[Place] = []
    for at, channel in enumerate(capture.channels):
        if channel.code in seen or not channel.is_logic:
            continue
        if channel.code in needed or len(places) + channel.width <= _BITS_LISTED:
            seen.add(channel.code)
            places += [Place(at, digit) for digit in reversed(range(channel.width))]
    return places


def _assemble(
    capture: Listed, claims: Mapping[str, Claim], extras: Sequence[str], notes: Sequence[str], unlabelled: bool
) -> ChannelMap:
    """Give every bit of the capture its bit of the word: lines their own, further lines and the rest the free ones."""
    notes = list(notes)
    carried: dict[tuple[str, int], tuple[str, Claim]] = {}
    for line, claim in claims.items():
        first, _ = carried.setdefault((capture.channels[claim.place.channel].code, claim.place.digit), (line, claim))
        if first != line:
            notes.append(f"{line} and {first} are one signal in the capture; it is taken as {first}")
    free = iter(range(FIRST_FREE_BIT, WORD_BITS))
    extra_bits = _extra_bits(capture, [name for name in extras if name in {line for line, _ in carried.values()}], free)
    assignments, uses = [], []
    for place in _places(capture, {code for code, _ in carried}):
        code = capture.channels[place.channel].code
        known = carried.get((code, place.digit))
        if known is None:
            target = next(free, None)
            uses.append(ChannelUse(capture.name_of(place), None, False, target))
        else:
            line, claim = known
            target = extra_bits.get(line, BIT.get(line))
            uses.append(ChannelUse(capture.name_of(claim.place), line, claim.inverted, target))
        if target is not None:
            assignments.append(BitAssignment(code, place.digit, target, uses[-1].inverted))
    notes += _alias_notes(capture)
    return ChannelMap(tuple(assignments), tuple(uses), unlabelled, tuple(notes), extra_bits)


def _extra_bits(capture: Listed, names: Sequence[str], free: Iterator[int]) -> dict[str, int]:
    room = WORD_BITS - FIRST_FREE_BIT
    if len(names) > room:
        raise LineMapError(f"{len(names)} further lines are too many", capture.where, f"at most {room} have room")
    return {name: next(free) for name in names}


def _alias_notes(capture: Listed) -> list[str]:
    names: dict[str, list[str]] = {}
    for channel in capture.channels:
        names.setdefault(channel.code, []).append(
            f"{channel.scope}.{channel.label}" if channel.scope else channel.label
        )
    doubled = [group for group in names.values() if len(group) > 1]
    notes = [f"{', '.join(map(repr, group[:CHOICES_SHOWN]))} are names of one signal" for group in doubled[:3]]
    if len(doubled) > 3:
        notes.append(f"{len(doubled) - 3} more signals have several names")
    return notes
